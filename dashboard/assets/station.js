/* The PIN pad of a station: keys big enough for gloves write into the field beside them. */
(function () {
  "use strict";
  const form = document.getElementById("station");
  if (!form) return;
  const pin = document.getElementById("pin");
  form.querySelector(".pad").hidden = false;
  form.addEventListener("click", function (event) {
    const key = event.target.closest("[data-digit]");
    if (!key) return;
    document.getElementById("fault").textContent = "";
    pin.value = key.dataset.digit ? (pin.value + key.dataset.digit).slice(0, pin.maxLength) : "";
  });
})();
