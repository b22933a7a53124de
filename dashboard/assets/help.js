/* Help: what is open stays open when a page is drawn anew, a word's address leads to the word, and
   a table that goes on sideways says so. */
"use strict";

(function () {
  const open = new Set();
  let sought = "";

  document.addEventListener("toggle", function (event) {
    const box = event.target;
    if (box.nodeName !== "DETAILS" || !box.id) return;
    if (box.open) open.add(box.id); else open.delete(box.id);
  }, true);

  /* Elements of a page drawn anew are other ones, and closed. */
  function reopen() {
    for (const id of open) {
      const box = document.getElementById(id);
      if (box && !box.open) box.open = true;
    }
  }

  function seek() {
    if (location.hash.length < 2 || location.hash === sought) return;
    const place = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!place || !place.closest("main")) return;
    sought = location.hash;
    place.scrollIntoView();
    place.focus({ preventScroll: true });
  }

  function sideways() {
    const main = document.querySelector("main[data-sideways]");
    if (!main) return;
    for (const box of main.querySelectorAll(".scroll")) {
      const goesOn = box.scrollWidth > box.clientWidth + 1;
      if (goesOn === "goesOn" in box.dataset) continue; // what is written again counts as a change
      if (goesOn) box.dataset.goesOn = main.dataset.sideways; else delete box.dataset.goesOn;
    }
  }

  let waiting = false;
  function look() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(function () { waiting = false; reopen(); seek(); sideways(); });
  }
  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
  window.addEventListener("resize", look);
  window.addEventListener("hashchange", function () { sought = ""; seek(); });
  window.addEventListener("_dashprivate_pushstate", function () { sought = ""; seek(); });
  document.addEventListener("toggle", look, true);
})();
