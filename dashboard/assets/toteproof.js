/* Links inside the app without a reload; the page's title; seconds since the store was heard. */
(function () {
  "use strict";

  document.addEventListener("click", function (event) {
    if (event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey) return;
    const link = event.target.closest("a[href]");
    if (!link || link.target || link.origin !== location.origin) return;
    if (link.getAttribute("href").startsWith("#")) return;
    event.preventDefault();
    const turned = link.pathname !== location.pathname;
    history.pushState({}, "", link.href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    if (turned) window.scrollTo(0, 0);
  });

  /* A redraw makes elements anew; the one that had the keyboard's focus gets it back. */
  let focused = null;
  document.addEventListener("focusin", function (event) {
    const group = event.target.closest("nav, ol");
    focused = { element: event.target, id: event.target.id, text: event.target.textContent, group: group && group.getAttribute("aria-label") };
  });
  new MutationObserver(function () {
    if (!focused || focused.element.isConnected || document.activeElement !== document.body) return;
    const same = focused.id
      ? document.getElementById(focused.id)
      : focused.group && Array.from(document.querySelectorAll("[aria-label=" + JSON.stringify(focused.group) + "] a")).find((each) => each.textContent === focused.text);
    if (same) same.focus({ preventScroll: true });
  }).observe(document.documentElement, { childList: true, subtree: true });

  let mark = null;
  let at = Date.now();
  setInterval(function () {
    const heading = document.querySelector("main h1");
    const name = document.querySelector(".bar-name");
    if (heading && name) {
      const title = heading.textContent + " \u00b7 " + name.textContent;
      if (document.title !== title) document.title = title;
    }
    const heard = document.querySelector("[data-heard]");
    if (!heard) return;
    if (heard.dataset.heard !== mark) {
      mark = heard.dataset.heard;
      at = Date.now();
    }
    const seconds = Math.round((Date.now() - at) / 1000);
    const stale = seconds > 20;
    heard.className = stale ? "heard-stale" : "";
    heard.textContent = (stale ? heard.dataset.stale : heard.dataset.fresh).replace("{s}", seconds);
  }, 1000);

  document.addEventListener("click", function (event) {
    if (event.target.closest("[data-print]")) window.print();
  });
})();
