/* A scanner types as a person does, only faster: a burst of keys, and Enter. Tally is told of the
   burst as a whole, and says whether it took it; what it took reaches no button and no count. */
(function () {
  "use strict";

  const LEAST = 3; // characters
  const PART_OF_IT = ["Shift", "CapsLock", "AltGraph"];
  let burst = null;

  document.addEventListener("keydown", function (event) {
    const form = document.getElementById("tally-form");
    if (!form || !form.dataset.state) { burst = null; return; }
    if (PART_OF_IT.includes(event.key)) return;
    const quick = burst && !event.repeat && event.timeStamp - burst.at <= Number(form.dataset.scanGap);
    if (event.key === "Enter") {
      const ended = quick && burst.text.length >= LEAST ? burst : null;
      burst = null;
      if (ended && window.toteproof.tally.scanned(ended.text, ended.from)) { event.preventDefault(); event.stopImmediatePropagation(); }
      return;
    }
    if (event.key.length > 1 || event.ctrlKey || event.metaKey) { burst = null; return; }
    if (!quick) burst = { text: "", from: window.toteproof.tally.now() };
    burst.text += event.key;
    burst.at = event.timeStamp;
    if (event.key === " " && burst.text.length > 1 && event.target.closest("button")) event.preventDefault();
  }, true);
  document.addEventListener("pointerdown", function () { burst = null; }, true); // a hand came between
})();
