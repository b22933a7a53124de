/* What could not be sent waits in this browser, one place an item, and goes out on any page.
   The server knows each by its key, so that sending one twice records it once. */
(function () {
  "use strict";

  const PLACE = "toteproof.outbox.";
  const SECONDS = 5;
  const LATER = [400, 401, 403, 408, 429]; // nobody signed in, or too fast: the item is not at fault
  let busy = false;

  function read(place) {
    try { return JSON.parse(localStorage.getItem(place)); } catch (fault) { return null; }
  }
  /* Whether it is kept: a browser may keep nothing, or be full. */
  function write(item) {
    try { localStorage.setItem(PLACE + item.key, JSON.stringify(item)); return true; } catch (fault) { return false; }
  }
  /* Oldest first, since keys sort by the time they were made. */
  function items() {
    try {
      return Object.keys(localStorage).filter((each) => each.startsWith(PLACE)).sort().map(read).filter(Boolean);
    } catch (fault) { return []; }
  }
  const waits = (item) => !item.answer && !item.refused;
  const CALM = ["release", "none"]; // states of an answer that nobody has to act on
  const FIRST = 2; // totes that the bar names
  const alarming = (item) => Boolean(item.answer) && !CALM.includes(item.answer.state);

  function add(where, fields) {
    const kept = write({ key: fields.key, where: where, fields: fields });
    if (kept) changed();
    return kept;
  }
  function remove(...keys) {
    for (const key of keys) localStorage.removeItem(PLACE + key);
    changed();
  }

  /* One after the other; the first that nobody answers ends the round. */
  async function flush() {
    if (busy) return;
    busy = true;
    try {
      for (const item of items().filter(waits)) {
        const answer = await window.toteproof.send(item.where, item.fields);
        const trouble = answer && answer.refused && (LATER.includes(answer.status) || answer.status >= 500);
        if (answer === null || trouble) break;
        if (!read(PLACE + item.key)) continue; // another tab was quicker, and it was seen there
        write(Object.assign(item, answer.refused ? { refused: answer } : { answer: answer }));
        changed();
      }
    } finally {
      busy = false;
    }
  }

  function changed() {
    count();
    document.dispatchEvent(new CustomEvent("toteproof-outbox"));
  }
  /* How many wait and what came back held, in the bar of every page. */
  function count() {
    const place = document.getElementById("app-outbox");
    if (!place) return;
    const all = items();
    const waiting = all.filter(waits).length;
    const faulty = all.filter((item) => item.refused).length;
    const back = all.filter(alarming);
    const said = back.slice(0, FIRST).map((item) => place.dataset.sayBack.replace("{tote}", () => item.fields.tote).replace("{word}", () => item.answer.word));
    if (back.length > FIRST) said.push(place.dataset.sayMore.replace("{count}", back.length - FIRST));
    if (waiting) said.push(waiting === 1 ? place.dataset.sayOne : place.dataset.sayOther.replace("{count}", waiting));
    if (faulty) said.push(place.dataset.sayRefused.replace("{count}", faulty));
    const text = said.join(" ");
    if (place.textContent !== text) place.textContent = text;
    place.hidden = !text;
  }

  window.toteproof = Object.assign(window.toteproof || {}, { outbox: { add: add, items: items, remove: remove, flush: flush } });
  window.addEventListener("online", flush);
  window.addEventListener("storage", changed); // another tab sent, or kept
  setInterval(function () { count(); flush(); }, SECONDS * 1000);
  new MutationObserver(function (_, watcher) {
    if (!document.getElementById("app-outbox")) return;
    watcher.disconnect();
    count();
    flush();
  }).observe(document.documentElement, { childList: true, subtree: true });
})();
