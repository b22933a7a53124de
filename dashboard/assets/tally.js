/* The Tally form: counts, keeps the draft in this browser, sends it once, says what came back;
   what nobody answers waits in the outbox, which `outbox-list.js` shows with its verdicts.
   All words come from the server, in the form's data-say-* attributes and in its answers. */
(function () {
  "use strict";

  const MEMORY = "toteproof.tally.memory";
  const STEPS = 50; // that can be undone
  const REST = 1500; // milliseconds after an answer in which a press was still meant for Save
  const LOOK = 1500; // milliseconds that Save waits for what is on record of the number
  const TEXTS = ["tote", "inspector", "re_sorted_at", "pulled_at", "raw_lot", "pieces_in_tote", "note", "inspected"];
  const CHOICES = ["lane", "purpose", "shift", "head", "product"];
  let draft = null;
  let saved = false;
  let done = []; // what the form said before each change, the newest last
  let shown = ""; // what it says
  let busy = false; // the script itself is filling the form in
  let found = ""; // the tote's number when its field was entered
  let past = { tote: "", lanes: [] }; // where a tote of the number was audited lately
  let looking = Promise.resolve(); // while that is asked
  let missed = ""; // a number that was scanned too early
  let answered = -Infinity; // when the answer came, on the clock of the events
  let unsent = ""; // the key of what the card says is not sent yet
  let last = null; // the last verdict: its tote, its word, its state

  const drafts = window.toteproof.drafts;
  const at = (name) => document.getElementById("tally-" + name);
  const form = () => at("form");
  const counts = () => form().dataset.counts.split(" ").concat(form().dataset.several === "true" ? ["correct"] : []);
  const counted = () => counts().some((name) => text(name) !== "");
  const say = (name, values) =>
    Object.entries(values || {}).reduce((text, [k, v]) => text.replace("{" + k + "}", () => v), form().getAttribute("data-say-" + name));

  /* Inputs belong to the page's framework; it hears a value only through the browser's own setter. */
  function put(input, value) {
    if (!input || input.value === String(value)) return;
    Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set.call(input, value);
    input.dispatchEvent(new Event("input", { bubbles: true }));
  }

  window.toteproof.put = put;

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
    const now = JSON.stringify(values());
    if (now !== shown) { at("twice").hidden = true; fault("save", ""); done = done.concat(shown ? [shown] : []).slice(-STEPS); shown = now; }
    at("undo").disabled = !done.length;
    stir();
    drafts.write(MEMORY, { lane: chosen("lane"), inspector: text("inspector"), shift: chosen("shift"), during: form().dataset.shift });
  }

  function stir() {
    if (form() && draft && !saved && (draft.begun || draft.kept)) drafts.keep(Object.assign({}, draft, { kept: true, values: values() }));
  }
  function undo() {
    if (saved || !done.length) return;
    const last = JSON.parse(done[done.length - 1]);
    if (last.draft) draft = last.draft; // it was cleared
    restore(last, done.slice(0, -1));
    asked();
    before();
  }
  function restore(before, steps) {
    busy = true;
    for (const name of TEXTS.concat(counts())) put(at(name), before[name] || "");
    for (const name of CHOICES) choose(name, before[name] || "");
    busy = false;
    done = steps;
    shown = JSON.stringify(values());
    at("undo").disabled = !done.length;
    clean();
    sum();
    stir();
  }

  function clear() {
    if (saved || at("save").disabled) return;
    const steps = done.concat(JSON.stringify(Object.assign(values(), { draft: draft })));
    drafts.drop();
    fresh();
    done = steps.slice(-STEPS);
    at("undo").disabled = false;
    at("tote").focus();
  }

  /* How the form stands before a burst of keys that may turn out to be a scan. */
  function now() {
    const on = document.activeElement;
    const whole = on === at("tote") && on.value !== "" && on.selectionEnd - on.selectionStart === on.value.length;
    return { draft: draft, values: values(), done: done, on: on, whole: whole, found: found };
  }
  /* Whether a scan was taken out of the keys: it is the next tote's number, or too early for one. */
  function scanned(tote, from) {
    const inTote = from.on === at("tote");
    const typed = from.on && from.on.matches("input, textarea, select");
    if (typed && !inTote && !from.on.matches("#tally-form [inputmode=numeric]")) return false;
    if (saved) fresh();
    if (draft !== from.draft) { take(tote); return true; }
    const open = from.values.tote;
    if (inTote && (from.whole || open !== from.found)) return false; // the number is being typed
    if (!open && !typed) return false; // it went to the tote by itself
    restore(from.values, from.done);
    if (from.on.isConnected && document.activeElement !== from.on) from.on.focus();
    if (counts().every((name) => from.values[name] === "")) { draft.begun = ""; take(tote); return true; }
    if (!open) { take(tote); return true; }
    if (open === tote) return true;
    at("scanned").textContent = say("scanned", { tote: open, scanned: tote });
    at("scanned").scrollIntoView({ block: "nearest" });
    missed = tote;
    return true;
  }
  function take(tote) {
    at("scanned").textContent = "";
    put(at("tote"), tote);
    before();
    onward();
  }

  /* When pieces were pulled: the server's clock at the first touch, else this browser's set by it. */
  function touch() {
    draft.kept = true;
    if (!counted() && chosen("purpose") === "re-audit") { draft.begun = ""; return; } // pulled after its re-sort
    if (draft.begun) return;
    draft.begun = new Date(Date.now() + Number(form().dataset.ahead)).toISOString();
    form().dataset.begun = "";
    const of = draft;
    fetch(form().dataset.clockAt)
      .then((answer) => answer.json())
      .then((answer) => { if (of.begun) of.begun = answer.now; keep(); moment(answer); })
      .catch(() => {});
  }

  /* A page that was opened in an earlier shift says which one runs now. */
  function moment(answer) {
    const lead = document.getElementById("tally-lead"), auto = document.querySelector('#tally-shift [data-value=""]');
    if (lead && answer.lead) lead.textContent = answer.lead;
    if (lead && auto && answer.by_clock) auto.textContent = answer.by_clock;
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
    name();
    fault("correct", over ? say("minus", { sum: total, inspected: inspected }) : "");
    return { counted: counted, over: over };
  }

  /* Save says which tote it saves: its number and lane are out of sight by then. */
  function name() {
    const values = { tote: text("tote"), lane: chosen("lane") };
    if (saved || at("save").disabled) return;
    at("save").textContent = say(!values.tote ? "save" : values.lane ? "save-tote-lane" : "save-tote", values);
  }
  /* Where a number leads: to whatever is still missing, else to the one tap. */
  function onward() {
    const inspector = at("inspector");
    if (!text("inspector")) inspector.focus();
    else if (!chosen("lane")) at("lane").querySelector("button").focus();
    else at("clean").focus();
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
    unsent = "";
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

  /* What goes on from a verdict takes no press that was meant for Save: it would put the verdict away. */
  const nexts = () => document.querySelectorAll("#tally-save, #tally-then");
  function rest() {
    const since = performance.now();
    answered = since;
    for (const each of nexts()) each.setAttribute("aria-disabled", "true");
    setTimeout(() => { if (answered === since) rested(); }, REST);
  }
  function rested() {
    answered = -Infinity;
    for (const each of nexts()) each.removeAttribute("aria-disabled");
  }
  const early = (event) => event.timeStamp < answered + REST;

  /* The last verdict stays named above the form while the next tote is counted. */
  function remember(tote, answer) {
    last = { tote: tote, word: answer.word, state: answer.state };
    recall();
  }
  function recall() {
    const place = at("last");
    place.hidden = !last;
    if (!last) return;
    place.dataset.state = last.state;
    place.textContent = say("last", { tote: last.tote, word: last.word });
  }

  const newKey = () => window.toteproof.newKey();
  const send = (where, fields) => window.toteproof.send(where, fields);

  /* Nobody answered: it waits here, and the next tote can be logged. */
  function kept(where, fields) {
    if (!window.toteproof.outbox.add(where, fields)) return false;
    tell("unsaved", [["answer-word", say("kept-title")], ["answer-next", say("kept", { tote: fields.tote })]]);
    unsent = fields.key;
    return true;
  }

  function refused(answer) {
    if (answer === null) { tell("unsaved", [["answer-word", say("refused-title")], ["answer-next", say("unsaved")]]); return; }
    const problems = Object.entries(answer.problems || {});
    if (!problems.length) {
      tell("unsaved", [["answer-word", say("refused-title")], ["answer-next", say("unsaved-trouble", { trouble: answer.trouble })]]);
      return;
    }
    const elsewhere = problems.filter(([name, said]) => !fault(name, said)).map(([name, said]) => ["", name + ": " + said]);
    tell("unsaved", [["answer-word", say("refused-title")], ["answer-next", say("refused", { count: problems.length })]].concat(elsewhere));
    const first = [...form().querySelectorAll(".fault")].find((each) => each.textContent);
    if (first) point(first);
  }
  /* To the field of a fault, or the group of buttons; its sentence stands beside Save too. */
  function point(place) {
    const field = place.closest(".field, .counter"), inside = place.closest("details");
    const name = field && field.querySelector("label, .field-name");
    fault("save", (name ? name.firstChild.textContent + ": " : "") + place.textContent);
    if (inside) inside.open = true;
    const into = at(place.id.slice(6, -6));
    const focused = into && into.dataset.field ? into.querySelector('[aria-pressed="true"]') || into.querySelector("button") : into;
    if (!focused) return;
    focused.focus();
    (field || focused).scrollIntoView({ block: "center" });
  }

  const agreed = () => JSON.stringify([text("tote"), chosen("lane")]);
  /* Whether this may be a slip: the same number, on the same lane, routine again, and nobody said so. */
  const twice = () => chosen("purpose") === "routine" && draft.again !== agreed() && past.tote === text("tote") && past.lanes.includes(chosen("lane"));

  async function save() {
    const button = at("save");
    if (button.disabled) return;
    noFaults();
    const state = sum();
    if (!state.counted) { fault("correct", say("uncounted")); at("clean").focus(); return; }
    button.disabled = true;
    await Promise.race([looking, new Promise((go) => setTimeout(go, LOOK))]);
    button.disabled = false;
    name(); // what was typed meanwhile
    if (document.activeElement === document.body) button.focus();
    if (twice()) { at("twice").hidden = false; at("twice").scrollIntoView({ block: "nearest" }); return; }
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
    if (document.activeElement === document.body) button.focus(); // while it was off, it lost that
    name();
    const waits = answer === null && kept(form().dataset.saveAt, fields);
    if (!waits && (answer === null || answer.refused)) { refused(answer); return; }
    saved = true;
    drafts.drop();
    form().dataset.state = "saved";
    button.textContent = say("again");
    at("scanned").textContent = missed && say("scan-again", { scanned: missed });
    at("undo").disabled = true;
    if (waits) { rest(); return; }
    remember(fields.tote, answer);
    pronounce(answer);
    if (answer.then) offer(answer.then);
    rest();
    at("verdict").scrollIntoView({ block: "nearest" });
  }

  function pronounce(answer, still) {
    const gross = (answer.gross || []).map((each) => ["answer-gross", each]);
    const told = [["answer-word", answer.word]].concat(gross, [["answer-next", answer.next], ["", answer.why]]);
    tell(answer.state, told.concat((answer.more || []).map((each) => ["", each]), [["quiet", answer.said]]), still);
  }
  /* The card tells of a tote that waited, and its answer is here: what is next stands in the outbox. */
  function late() {
    const item = unsent && window.toteproof.outbox.items().find((each) => each.key === unsent);
    if (!item || !form()) return;
    const refusal = item.refused;
    if (item.answer) { remember(item.fields.tote, item.answer); pronounce(item.answer, true); }
    else if (refusal) tell("unsaved", [["answer-word", say("refused-title")], ["answer-next", window.toteproof.refusal(refusal)]], true);
  }

  /* What the verdict asks for next, one tap away. */
  function offer(then) {
    const button = second(then.said);
    button.id = "tally-then";
    button.addEventListener("click", () => follow(then));
    at("answer").append(button);
  }
  function follow(then) {
    fresh();
    prepare(then.fields, then.pull);
  }
  function second(said) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "act act-second";
    button.textContent = said;
    return button;
  }
  function prepare(fields, pieces) {
    for (const [name, value] of Object.entries(fields)) {
      if (CHOICES.includes(name)) choose(name, value); else put(at(name), value);
    }
    asked();
    if (pieces) put(at("inspected"), pieces);
    if (pieces) draft.again = agreed();
    name();
    before();
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
    clean();
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
    const waits = answer === null && kept(form().dataset.findingAt, fields);
    if (!waits && (answer === null || answer.refused)) { refused(answer); return; }
    put(at("what"), "");
    draft.finding = "";
    if (waits) return;
    remember(fields.tote, answer);
    tell(answer.state, [["answer-word", answer.word], ["answer-next", answer.next], ["", answer.said]]);
  }

  function fresh() {
    busy = true;
    draft = { key: newKey() };
    delete form().dataset.begun;
    saved = false;
    rested();
    done = [];
    missed = "";
    at("scanned").textContent = "";
    form().dataset.state = "open";
    for (const name of ["tote", "re_sorted_at", "pulled_at", "raw_lot", "pieces_in_tote", "note"].concat(counts())) put(at(name), "");
    put(at("inspected"), form().dataset.pull);
    choose("purpose", "routine");
    choose("head", "");
    tell("waiting", [["quiet", say("waiting")]], true);
    noFaults();
    sum();
    at("before").textContent = "";
    at("twice").hidden = true;
    at("undo").disabled = true;
    shown = JSON.stringify(values());
    busy = false;
  }

  function begin() {
    if (!form().dataset.ahead) form().dataset.ahead = Date.parse(form().dataset.now) - Date.now();
    const memory = drafts.read(MEMORY);
    const kept = drafts.found();
    fresh();
    busy = true;
    choose("lane", memory.lane || "");
    put(at("inspector"), memory.inspector || "");
    choose("shift", memory.during === form().dataset.shift ? memory.shift || "" : "");
    if (kept.values && kept.key) {
      Object.assign(draft, kept);
      form().dataset.begun = "";
      for (const name of TEXTS.concat(counts())) put(at(name), kept.values[name] || "");
      for (const name of CHOICES) choose(name, kept.values[name] || "");
    }
    if (form().dataset.inspector && (at("inspector").readOnly || !text("inspector"))) put(at("inspector"), form().dataset.inspector);
    if (at("inspector").readOnly) drafts.write(MEMORY, Object.assign(memory, { inspector: text("inspector") }));
    asked();
    sum();
    recall();
    shown = JSON.stringify(values());
    busy = false;
    window.toteproof.outboxList();
    before();
    const query = Object.fromEntries(new URLSearchParams(location.search));
    if (query.tote && !text("tote")) prepare(query);
    else if (!text("tote")) at("tote").focus();
  }

  /* The one tap says how many pieces it takes for counted. */
  function clean() {
    at("clean").textContent = say("all-correct", { count: text("inspected") || "0" });
  }

  /* Whether the tote was audited before: the same number may be another tote, or a slip. */
  function before() { looking = look_up(); }
  async function look_up() {
    const tote = text("tote");
    const place = at("before");
    if (!tote) { place.textContent = ""; return; }
    try {
      const answer = await fetch(form().dataset.beforeAt + "?" + new URLSearchParams({ tote: tote }));
      const said = await answer.json();
      if (!form() || text("tote") !== tote || saved) return;
      place.textContent = said.said || "";
      past = { tote: tote, lanes: said.lately || [] };
    } catch (fault) { place.textContent = ""; }
  }

  /* Whether a tote stands in the form that is not saved. */
  const taken = () => !saved && text("tote") !== "";

  /* What was refused comes back into the form under its own key. */
  function mend(item) {
    fresh();
    draft = { key: item.key, begun: item.fields.pulled_at };
    form().dataset.begun = "";
    busy = true;
    for (const name of TEXTS.concat(counts())) if (name !== "pulled_at") put(at(name), item.fields[name] || "");
    for (const name of CHOICES) if (item.fields[name] !== undefined) choose(name, item.fields[name]);
    if (item.fields.what) { put(at("what"), item.fields.what); at("what").closest("details").open = true; }
    busy = false;
    asked();
    sum();
    keep();
    refused(item.refused);
  }
  setInterval(stir, drafts.alive / 3);

  document.addEventListener("click", function (event) {
    if (!form() || !early(event) || !event.target.closest("#tally-save, #tally-then")) return;
    event.preventDefault();
    event.stopImmediatePropagation();
  }, true);
  document.addEventListener("click", function (event) {
    if (!form()) return;
    const choice = event.target.closest("#tally-form [data-value]");
    if (event.target.closest("#tally-undo")) undo();
    else if (event.target.closest("#tally-clear")) clear();
    else if (event.target.closest("#tally-same")) { draft.again = agreed(); at("twice").hidden = true; save(); }
    else if (event.target.closest("#tally-re-audit")) { choose("purpose", "re-audit"); keep(); at("re_sorted_at").focus(); }
    else if (event.target.closest("#tally-number")) { at("twice").hidden = true; at("tote").focus(); at("tote").select(); }
    else if (choice && !saved) {
      choose(choice.parentElement.dataset.field, choice.dataset.value);
      fault(choice.parentElement.dataset.field, "");
      asked();
      name();
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
    if (event.target.id === "tally-inspected") clean();
    sum();
  });
  document.addEventListener("focusin", function (event) {
    if (event.target.id === "tally-tote") found = text("tote");
  });
  document.addEventListener("change", function (event) {
    if (form() && event.target.id === "tally-tote" && !saved) before();
  });

  document.addEventListener("toteproof-outbox", late);

  document.addEventListener("submit", function (event) {
    if (event.target !== form()) return;
    event.preventDefault();
    if (saved) { fresh(); at("tote").focus(); } else save();
  });

  /* Keys outside every field are a scanner's, or begin the first count right after a number. */
  document.addEventListener("keydown", function (event) {
    const typed = event.key.length === 1 && event.key !== " " && !event.ctrlKey && !event.metaKey && !event.altKey;
    if (!typed || !form() || event.target.closest("input, textarea, select")) return;
    if (saved) fresh();
    const counts_on = event.target === at("clean") && /\d/.test(event.key);
    const into = text("tote") === "" ? at("tote") : counts_on ? at(counts()[0]) : null;
    if (!into) return;
    event.preventDefault();
    into.focus();
    put(into, event.key);
  });

  /* Enter, which scanners send too, goes on: from the tote to the one tap, where it is clean, and
     from count to count. It never sends by itself. */
  document.addEventListener("keydown", function (event) {
    if (event.key !== "Enter" || !form() || event.target.tagName !== "INPUT" || !form().contains(event.target)) return;
    event.preventDefault();
    const order = counts().map(at);
    if ([at("tote"), at("inspector")].includes(event.target)) onward();
    else if (order.includes(event.target)) (order[order.indexOf(event.target) + 1] || at("save")).focus();
  });

  window.toteproof.tally = { now: now, scanned: scanned, say: say, second: second, taken: taken, follow: follow, mend: mend };

  function look() {
    if (!form() || form().dataset.state) return;
    window.toteproof.keep();
    form().dataset.state = "open";
    begin();
  }
  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
  document.addEventListener("DOMContentLoaded", look); // a kept page has its form from the start
})();
