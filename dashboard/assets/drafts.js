/* What is typed into Tally and not sent: one draft a tab, so that no tab writes over another's, and
   the draft of a tab that is gone goes to the next one that opens. */
(function () {
  "use strict";

  const DRAFT = "toteproof.tally.draft.";
  const TAB = "toteproof.tally.tab";
  const ALIVE = 12000; // a tab that did not stir for so many milliseconds is gone
  let tab = null;

  function read(place) {
    try { return JSON.parse(localStorage.getItem(place)) || {}; } catch (fault) { return {}; }
  }
  function write(place, value) {
    try { localStorage.setItem(place, JSON.stringify(value)); } catch (fault) { /* private mode: nothing is kept */ }
  }
  function forget(place) {
    try { localStorage.removeItem(place); } catch (fault) { /* as above */ }
  }

  /* This tab's name. A copy of a tab has the name of the first, which still stirs. */
  function named() {
    if (tab) return tab;
    const entry = performance.getEntriesByType("navigation")[0];
    let mine = null;
    try { mine = sessionStorage.getItem(TAB); } catch (fault) { /* as above */ }
    const kept = mine ? read(DRAFT + mine) : {};
    const taken = mine && !kept.left && Date.now() - (kept.seen || 0) < ALIVE && !(entry && entry.type === "reload");
    if (kept.left && !taken) write(DRAFT + mine, Object.assign(kept, { left: false }));
    tab = mine && !taken ? mine : window.toteproof.newKey();
    try { sessionStorage.setItem(TAB, tab); } catch (fault) { /* as above */ }
    return tab;
  }
  /* The draft of this tab, else the newest of a tab that is gone. */
  function found() {
    const mine = read(DRAFT + named());
    if (mine.values) return mine;
    const left = Object.keys(localStorage).filter((each) => each.startsWith(DRAFT)).map((each) => [each, read(each)]);
    const gone = left.filter(([, each]) => each.values && Date.now() - (each.seen || 0) > ALIVE);
    gone.sort(([, a], [, b]) => b.seen - a.seen);
    if (!gone.length) return {};
    forget(gone[0][0]);
    return gone[0][1];
  }
  const keep = (draft) => write(DRAFT + named(), Object.assign(draft, { seen: Date.now() }));
  const drop = () => forget(DRAFT + named());

  /* A tab that goes elsewhere, say to sign in again, finds its draft when it comes back. */
  window.addEventListener("pagehide", function () {
    const mine = tab && read(DRAFT + tab);
    if (mine && mine.values) write(DRAFT + tab, Object.assign(mine, { left: true }));
  });

  window.toteproof = Object.assign(window.toteproof || {}, {
    drafts: { alive: ALIVE, read: read, write: write, keep: keep, drop: drop, found: found },
  });
})();
