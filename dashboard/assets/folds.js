/* A part of a form that is folded on a small screen, until its button is pressed. */
"use strict";

document.addEventListener("click", function (event) {
  const fold = event.target.closest(".fold");
  if (!fold) return;
  fold.setAttribute("aria-expanded", String(fold.getAttribute("aria-expanded") !== "true"));
});
