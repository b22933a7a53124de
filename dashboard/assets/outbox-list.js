/* On Tally: what waits in this browser, what was refused and what came back meanwhile, each with what
   to do. The words are the form's own, and what is done next is done in the form. */
(function () {
  "use strict";

  const form = () => window.toteproof.tally;

  function draw() {
    const place = document.getElementById("tally-outbox");
    if (!place) return;
    const items = window.toteproof.outbox.items();
    place.hidden = !items.length;
    const list = place.querySelector("ul");
    const busyOn = document.activeElement && document.activeElement.dataset.key;
    list.replaceChildren(...items.map(line), ...accepted(items));
    const same = busyOn && list.querySelector('[data-key="' + busyOn + '"]');
    if (same) same.focus();
  }

  function line(item) {
    const made = document.createElement("li");
    const named = document.createElement("b");
    named.textContent = form().say("waiting-tote", { tote: item.fields.tote, lane: item.fields.lane });
    const told = document.createElement("p");
    const answer = item.answer;
    if (answer) made.dataset.state = answer.state;
    else if (item.refused) made.dataset.state = "unsaved";
    told.textContent = said(item);
    made.append(named, told);
    if (answer && answer.then) made.append(following(item, told));
    if (item.refused || (answer && answer.state !== "release")) made.append(action(item, told));
    return made;
  }
  function said(item) {
    const answer = item.answer, refused = item.refused;
    if (answer) return [answer.word, answer.next, answer.why].filter(Boolean).join(". ").replaceAll("..", ".");
    if (!refused) return form().say("waiting-unsent");
    return refusal(refused);
  }
  const refusal = (refused) => form().say("waiting-refused", { trouble: refused.trouble || Object.values(refused.problems || {}).join("; ") });

  /* All that were accepted, in one tap. */
  function accepted(items) {
    const keys = items.filter((item) => item.answer && item.answer.state === "release").map((item) => item.key);
    if (!keys.length) return [];
    const made = document.createElement("li");
    made.append(button(form().say("waiting-accepted", { count: keys.length }), () => window.toteproof.outbox.remove(...keys)));
    return [made];
  }
  /* The same next step as of a verdict that comes at once. */
  function following(item, told) {
    return button(item.answer.then.said, function () {
      if (form().taken()) { told.textContent = form().say("waiting-busy"); return; }
      form().follow(item.answer.then);
      window.toteproof.outbox.remove(item.key);
    });
  }
  function action(item, told) {
    const made = button(form().say(item.answer ? "waiting-seen" : "waiting-mend"), function () {
      if (!item.answer && form().taken()) { told.textContent = form().say("waiting-busy"); return; }
      if (!item.answer) form().mend(item);
      window.toteproof.outbox.remove(item.key);
    });
    made.dataset.key = item.key;
    return made;
  }
  function button(named, press) {
    const made = form().second(named);
    made.addEventListener("click", press);
    return made;
  }

  window.toteproof = Object.assign(window.toteproof || {}, { outboxList: draw, refusal: refusal });
  document.addEventListener("toteproof-outbox", function () {
    const drawn = document.getElementById("tally-form");
    if (drawn && drawn.dataset.state) draw();
  });
})();
