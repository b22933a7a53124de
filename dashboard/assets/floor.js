/* Floor, kept up to date: asks for what is new and changes what differs, so that a row that says
   what it said stays the very same element. Words and elements come from the server. */
(function () {
  "use strict";

  const TICK = 250, LATE = 10000, STALE = 20000; // milliseconds
  const NAMES = { className: "class", htmlFor: "for", tabIndex: "tabindex" };
  const LEFT = ["open", "data-goes-on"]; // what the reader opened, and what the page found out, stays
  let place = null; // where Floor is drawn; null on every other page
  let search = "", known = ""; // what was asked for, and what is known of it
  let heard = 0, asked = 0; // when, by this browser's clock
  let busy = false;

  /* Elements as the server tells them: a kind and what it has. */
  function made(told) {
    if (told === null || told === undefined) return [];
    if (Array.isArray(told)) return told.flatMap(made);
    if (typeof told !== "object") return [document.createTextNode(String(told))];
    if (told.namespace !== "dash_html_components") throw new Error("Floor cannot draw " + told.namespace + "." + told.type);
    const element = document.createElement(told.type.toLowerCase());
    for (const [name, value] of Object.entries(told.props)) {
      if (name === "children") element.append(...made(value));
      else if (name === "style") for (const [part, each] of Object.entries(value)) element.style[part] = each;
      else if (value !== null && value !== false) element.setAttribute(NAMES[name] || name, value === true ? "" : value);
    }
    return [element];
  }

  function change(old, fresh) {
    if (old.isEqualNode(fresh)) return;
    if (old.nodeName !== fresh.nodeName) { old.replaceWith(fresh); return; }
    if (old.nodeType === Node.TEXT_NODE) { old.data = fresh.data; return; }
    for (const each of [...old.attributes]) if (!fresh.hasAttribute(each.name) && !LEFT.includes(each.name)) old.removeAttribute(each.name);
    for (const each of fresh.attributes) if (old.getAttribute(each.name) !== each.value) old.setAttribute(each.name, each.value);
    fill(old, [...fresh.childNodes]);
  }
  /* Children with a name are found again by it, wherever they stand; others by their place. */
  function fill(parent, fresh) {
    const stays = new Set(fresh.map((each) => each.id).filter(Boolean));
    const named = {};
    for (const each of [...parent.children]) if (each.id) { if (stays.has(each.id)) named[each.id] = each; else each.remove(); }
    let here = parent.firstChild;
    for (const each of fresh) {
      const old = each.id ? named[each.id] : here && !here.id ? here : null;
      if (old && old === here) here = here.nextSibling; else parent.insertBefore(old || each, here);
      if (old) change(old, each);
    }
    while (here) { const next = here.nextSibling; here.remove(); here = next; }
  }
  /* Whoever moved along the rows by keyboard stays where they were. */
  function draw(told) {
    const focused = place.contains(document.activeElement) && document.activeElement;
    fill(place, made(told));
    if (focused && focused.isConnected && document.activeElement !== focused) focused.focus({ preventScroll: true });
  }

  async function ask() {
    const here = place, wanted = search;
    const still = () => here === place && wanted === search;
    busy = true;
    asked = Date.now();
    try {
      const question = new URLSearchParams({ known: known, search: wanted });
      const answer = await fetch(here.dataset.at + "?" + question, { signal: AbortSignal.timeout(LATE) });
      if (!answer.ok) return;
      const said = await answer.json();
      if (!still()) return;
      heard = Date.now();
      known = said.pulse;
      if (said.body) draw(said.body);
    } catch (reason) {
      if (!(reason instanceof TypeError || reason instanceof DOMException)) throw reason; // no network, or too late
    } finally {
      if (still()) busy = false;
    }
  }

  function tell() {
    const line = document.getElementById("floor-heard");
    if (!line || !heard) return;
    const silent = Date.now() - heard, stale = silent > STALE;
    const text = (stale ? line.dataset.stale : line.dataset.fresh).replace("{s}", Math.round(silent / 1000));
    if (line.textContent !== text) line.textContent = text;
    line.classList.toggle("heard-stale", stale);
  }

  function tick() {
    const found = document.getElementById("floor-body");
    if (found !== place || (found && location.search !== search)) {
      place = found;
      search = location.search;
      known = "";
      asked = heard = 0;
      busy = false;
    }
    if (!place) return;
    tell();
    if (!busy && Date.now() - asked >= Number(place.dataset.every)) ask();
  }
  setInterval(tick, TICK);
  for (const each of ["popstate", "_dashprivate_pushstate"]) window.addEventListener(each, tick);
})();
