/* The Tally form: counts, keeps the draft in this browser, sends it once, says what came back.
   All words come from the server, in the form's data-say-* attributes and in its answers. */
(function () {
  "use strict";

  const DRAFT = "toteproof.tally.draft";
  const MEMORY = "toteproof.tally.memory";
  const TEXTS = ["tote", "inspector", "re_sorted_at", "pulled_at", "raw_lot", "pieces_in_tote", "note", "inspected"];
  const CHOICES = ["lane", "purpose", "shift", "head", "product"];
  let draft = null;
  let saved = false;
  let busy = false; // the script itself is filling the form in

  const at = (name) => document.getElementById("tally-" + name);
  const form = () => at("form");
  const counts = () => form().dataset.counts.split(" ").concat(form().dataset.several === "true" ? ["correct"] : []);
  const say = (name, values) =>
    Object.entries(values || {}).reduce((text, [k, v]) => text.replace("{" + k + "}", v), form().getAttribute("data-say-" + name));

  function read(place) {
    try { return JSON.parse(localStorage.getItem(place)) || {}; } catch (fault) { return {}; }
  }
  function write(place, value) {
    try { localStorage.setItem(place, JSON.stringify(value)); } catch (fault) { /* private mode: nothing is kept */ }
  }

  /* Inputs belong to the page's framework; it hears a value only through the browser's own setter. */
  function put(input, value) {
    if (!input || input.value === String(value)) return;
    Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set.call(input, value);
    input.dispatchEvent(new Event("input", { bubbles: true }));
  }

  function choose(name, value) {
    const group = at(name);
    if (!group) return;
    for (const each of group.querySelectorAll("[data-value]")) each.setAttribute("aria-pressed", String(each.dataset.value === value));
    if (name === "purpose")
      for (const each of form().querySelectorAll("[data-only]")) each.classList.toggle("hidden", each.dataset.only !== value);
  }
  function chosen(name) {
    const pressed = at(name) && at(name).querySelector('[aria-pressed="true"]');
    return pressed ? pressed.dataset.value : "";
  }
  const text = (name) => (at(name) ? at(name).value.trim() : "");

  function values() {
    const said = {};
    for (const name of TEXTS.concat(counts())) said[name] = text(name);
    for (const name of CHOICES) said[name] = chosen(name);
    if (said.purpose !== "head-check") said.head = "";
    if (said.purpose !== "re-audit") said.re_sorted_at = "";
    return said;
  }

  function keep() {
    if (saved) return;
    write(DRAFT, Object.assign({}, draft, { values: values() }));
    write(MEMORY, { lane: chosen("lane"), inspector: text("inspector"), shift: chosen("shift"), during: form().dataset.shift });
  }

  /* When pieces were pulled: the server's clock at the first touch, else this browser's set by it. */
  function touch() {
    if (draft.begun) return;
    const fast = Date.now() - draft.loaded;
    draft.begun = new Date(Date.parse(form().dataset.now) + fast).toISOString();
    const of = draft;
    fetch(form().dataset.clockAt)
      .then((answer) => answer.json())
      .then((answer) => { of.begun = answer.now; keep(); })
      .catch(() => {});
  }

  function sum() {
    const inspected = Number(text("inspected"));
    const found = counts().map(text);
    const counted = found.some((each) => each !== "");
    const unread = found.concat(text("inspected")).some((each) => !/^\d*$/.test(each));
    const total = found.reduce((all, each) => all + (Number(each) || 0), 0);
    const over = counted && !unread && form().dataset.several !== "true" && total > inspected;
    if (form().dataset.several !== "true") {
      at("sum").textContent = !counted ? say("correct-unknown") : over || unread ? "" : String(inspected - total);
      at("sum").classList.toggle("quiet", !counted);
    }
    fault("correct", over ? say("minus", { sum: total, inspected: inspected }) : "");
    return { counted: counted, over: over };
  }

  function fault(name, said) {
    const place = at(name + "-fault");
    if (!place) return false;
    place.textContent = said;
    const input = at(name);
    if (input && input.tagName === "INPUT") {
      input.toggleAttribute("aria-invalid", false);
      if (said) input.setAttribute("aria-invalid", "true"); else input.removeAttribute("aria-invalid");
      input.setAttribute("aria-describedby", place.id);
    }
    return true;
  }
  function noFaults() {
    for (const each of form().querySelectorAll(".fault")) fault(each.id.slice(6, -6), "");
  }

  function tell(state, parts, still) {
    at("verdict").dataset.state = state;
    const place = at("answer");
    place.replaceChildren();
    for (const [look, said] of parts) {
      if (!said) continue;
      const line = document.createElement("p");
      line.className = look;
      line.textContent = said;
      place.append(line);
    }
    if (state !== "release" && !still) at("verdict").scrollIntoView({ block: "nearest" });
  }

  const newKey = () => window.toteproof.newKey();
  const send = (where, fields) => window.toteproof.send(where, fields);

  function refused(answer) {
    if (answer === null) { tell("unsaved", [["answer-word", say("refused-title")], ["answer-next", say("unsaved")]]); return; }
    const problems = Object.entries(answer.problems || {});
    if (!problems.length) {
      tell("unsaved", [["answer-word", say("refused-title")], ["answer-next", say("unsaved-trouble", { trouble: answer.trouble })]]);
      return;
    }
    const elsewhere = problems.filter(([name, said]) => !fault(name, said)).map(([name, said]) => ["", name + ": " + said]);
    tell("unsaved", [["answer-word", say("refused-title")], ["answer-next", say("refused", { count: problems.length })]].concat(elsewhere));
    const first = form().querySelector('[aria-invalid="true"]');
    if (first) { const inside = first.closest("details"); if (inside) inside.open = true; first.focus(); }
  }

  async function save() {
    const button = at("save");
    if (button.disabled) return;
    noFaults();
    const state = sum();
    if (!state.counted) { fault("correct", say("uncounted")); at("clean").focus(); return; }
    touch();
    keep();
    const fields = values();
    for (const name of counts()) if (fields[name] === "") fields[name] = "0";
    if (!fields.pulled_at) fields.pulled_at = draft.begun;
    fields.key = draft.key;
    button.disabled = true;
    button.textContent = say("saving");
    const answer = await send(form().dataset.saveAt, fields);
    button.disabled = false;
    button.textContent = say("save");
    if (answer === null || answer.refused) { refused(answer); return; }
    saved = true;
    write(DRAFT, {});
    form().dataset.state = "saved";
    button.textContent = say("again");
    tell(answer.state, [["answer-word", answer.word], ["answer-next", answer.next], ["", answer.why]].concat(answer.more.map((each) => ["", each]), [["quiet", answer.said]]));
    if (answer.then) offer(answer.then);
    at("verdict").scrollIntoView({ block: "nearest" });
  }

  /* What the verdict asks for next, one tap away. */
  function offer(then) {
    const button = document.createElement("button");
    button.type = "button";
    button.id = "tally-then";
    button.className = "act act-second";
    button.textContent = then.said;
    button.addEventListener("click", function () { fresh(); prepare(then.fields, then.pull); });
    at("answer").append(button);
  }
  function prepare(fields, pieces) {
    for (const [name, value] of Object.entries(fields)) {
      if (CHOICES.includes(name)) choose(name, value); else put(at(name), value);
    }
    asked();
    if (pieces) put(at("inspected"), pieces);
    touch();
    keep();
    const next = fields.purpose === "re-audit" ? at("re_sorted_at") : at(counts()[0]);
    next.focus();
  }

  /* How many pieces to pull, by the inspection in force on this lane for this product. */
  function asked() {
    const pulls = JSON.parse(form().dataset.pulls);
    const product = chosen("product") || (Object.keys(pulls)[0] || "").split(" ").slice(1).join(" ");
    const found = pulls[chosen("lane") + " " + product];
    if (!found) return;
    at("pull").textContent = found.said;
    at("pull-note").textContent = found.note;
    if (text("inspected") === form().dataset.pull) put(at("inspected"), found.pull);
    form().dataset.pull = found.pull;
  }

  async function lock() {
    const button = at("lock");
    if (button.disabled) return;
    noFaults();
    const fields = { tote: text("tote"), lane: chosen("lane"), inspector: text("inspector"), what: text("what") };
    const same = JSON.stringify(fields);
    if (draft.finding !== same) { draft.finding = same; draft.findingKey = newKey(); }
    fields.key = draft.findingKey;
    button.disabled = true;
    const answer = await send(form().dataset.findingAt, fields);
    button.disabled = false;
    if (answer === null || answer.refused) { refused(answer); return; }
    put(at("what"), "");
    draft.finding = "";
    tell(answer.state, [["answer-word", answer.word], ["answer-next", answer.next], ["", answer.said]]);
  }

  function fresh() {
    busy = true;
    draft = { key: newKey(), loaded: Date.now() };
    saved = false;
    form().dataset.state = "open";
    for (const name of ["tote", "re_sorted_at", "pulled_at", "raw_lot", "pieces_in_tote", "note"].concat(counts())) put(at(name), "");
    put(at("inspected"), form().dataset.pull);
    choose("purpose", "routine");
    choose("head", "");
    at("save").textContent = say("save");
    tell("waiting", [["quiet", say("waiting")]], true);
    noFaults();
    sum();
    busy = false;
  }

  function begin() {
    const memory = read(MEMORY);
    const kept = read(DRAFT);
    fresh();
    busy = true;
    choose("lane", memory.lane || "");
    put(at("inspector"), memory.inspector || "");
    choose("shift", memory.during === form().dataset.shift ? memory.shift || "" : "");
    if (kept.values && kept.key) {
      Object.assign(draft, kept, { loaded: Date.now() });
      for (const name of TEXTS.concat(counts())) put(at(name), kept.values[name] || "");
      for (const name of CHOICES) choose(name, kept.values[name] || "");
    }
    asked();
    sum();
    busy = false;
    const query = Object.fromEntries(new URLSearchParams(location.search));
    if (query.tote && !text("tote")) prepare(query);
    else if (!text("tote")) at("tote").focus();
  }

  document.addEventListener("click", function (event) {
    if (!form()) return;
    const step = event.target.closest("[data-step]");
    const choice = event.target.closest("#tally-form [data-value]");
    if (step && !saved) {
      const input = document.getElementById(step.dataset.of);
      put(input, Math.max(0, (Number(input.value) || 0) + Number(step.dataset.step)));
    } else if (choice && !saved) {
      choose(choice.parentElement.dataset.field, choice.dataset.value);
      asked();
      touch();
      keep();
    } else if (event.target.closest("#tally-clean") && !saved) {
      for (const name of counts()) put(at(name), name === "correct" ? text("inspected") : "0");
      at("save").focus();
    } else if (event.target.closest("#tally-lock")) lock();
  });

  document.addEventListener("input", function (event) {
    if (!form() || !form().contains(event.target) || !draft || busy) return;
    if (event.target.id !== "tally-what") { touch(); keep(); }
    fault(event.target.id.slice(6), "");
    sum();
  });

  document.addEventListener("submit", function (event) {
    if (event.target !== form()) return;
    event.preventDefault();
    if (saved) { fresh(); at("tote").focus(); } else save();
  });

  /* Enter, which scanners send too, goes to the next field and never sends by itself. */
  document.addEventListener("keydown", function (event) {
    if (event.key !== "Enter" || !form() || event.target.tagName !== "INPUT" || !form().contains(event.target)) return;
    event.preventDefault();
    const order = ["tote"].concat(counts()).map(at);
    const next = order[order.indexOf(event.target) + 1];
    if (order.includes(event.target)) (next || at("save")).focus();
  });

  new MutationObserver(function () {
    if (form() && !form().dataset.state) { form().dataset.state = "open"; begin(); }
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
