/* A tap on a stepper counts one; held, it goes on counting. */
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
  for (const end of ["pointerup", "pointercancel", "pointerleave", "blur"]) window.addEventListener(end, let_go);
  document.addEventListener("click", function (event) {
    const button = stepper(event);
    if (!button) return;
    if (!(held && held.button === button && held.counted)) step(button);
    held = null;
  });
})();
