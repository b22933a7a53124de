/* A tap on a stepper counts one; held, it goes on counting. A count that is entered is chosen whole,
   so that what is typed takes its place. */
(function () {
  "use strict";

  const HOLD = 500, REPEAT = 120; // milliseconds until a held stepper repeats, and between
  let held = null;

  /* The stepper under a touch, while its tote can still be counted. */
  function stepper(event) {
    const button = event.target.closest("[data-step]");
    return button && button.closest("form").dataset.state !== "saved" ? button : null;
  }
  function step(button) {
    const input = document.getElementById(button.dataset.of);
    window.toteproof.put(input, Math.max(0, (Number(input.value) || 0) + Number(button.dataset.step)));
  }
  function let_go() {
    if (held) { clearTimeout(held.wait); clearInterval(held.go); }
  }
  /* No click will follow: the next one is another's. */
  function left() {
    let_go();
    held = null;
  }
  document.addEventListener("pointerdown", function (event) {
    const button = stepper(event);
    if (!button || event.button) return;
    let_go();
    held = { button: button, counted: false };
    const of = held;
    of.wait = setTimeout(function () {
      of.counted = true;
      step(button);
      of.go = setInterval(() => step(button), REPEAT);
    }, HOLD);
  });
  window.addEventListener("pointerup", function (event) {
    if (held && held.button.contains(event.target)) let_go(); else left();
  });
  for (const end of ["pointercancel", "blur"]) window.addEventListener(end, left);
  document.addEventListener("pointerout", function (event) {
    if (held && event.pointerType === "mouse" && held.button.contains(event.target) && !held.button.contains(event.relatedTarget)) left();
  });
  document.addEventListener("click", function (event) {
    const button = stepper(event);
    if (!button) return;
    const keyed = event.isTrusted && !event.detail; // by Enter or Space
    if (keyed || !(held && held.button === button && held.counted)) step(button);
    held = null;
  });

  /* A pointer puts its caret after the field has the focus; a finger's comes with the click. */
  for (const entered of ["focusin", "pointerup", "click"]) document.addEventListener(entered, function (event) {
    if (event.target.matches("#tally-form input[inputmode=numeric]")) event.target.select();
  });
})();
