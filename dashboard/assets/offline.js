/* Keeps Tally's form, so that it opens with no network: as it was drawn and before anybody typed,
   with the scripts of its own version. What was true only then is left out, and the kept page says
   that it is one. Works where the browser lets it: over HTTPS, and on this machine. */
(function () {
  "use strict";

  const KEPT = "toteproof-tally", PLAIN = "toteproof-plain", SECONDS = 5;
  const STYLES = "/assets/framework.css?kept"; // what the framework puts into the page, as a file
  const POLICY = "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";
  const isKept = "kept" in document.documentElement.dataset;
  const able = window.isSecureContext && "serviceWorker" in navigator && "caches" in window;
  const own = (address) => new URL(address, location.href).pathname;

  if (able && !isKept) navigator.serviceWorker.register("/service-worker.js", { updateViaCache: "none" }).catch(() => {});

  /* The files of our own that this page is drawn with. */
  const files = (name, where) => [...document.querySelectorAll(name)].map((each) => each[where]).filter((each) => each && own(each).startsWith("/assets/"));

  function copied() {
    const page = document.documentElement.cloneNode(true);
    for (const each of page.querySelectorAll("script, link, style, footer, nav, .bar form, [data-live]")) each.remove();
    for (const each of files("link[rel=stylesheet]", "href")) page.querySelector("head").append(element("link", { rel: "stylesheet", href: own(each) + "?kept" }));
    page.querySelector("head").append(element("link", { rel: "stylesheet", href: STYLES }));
    for (const each of files("script", "src")) page.querySelector("head").append(element("script", { src: own(each) + "?kept", defer: "" }));
    page.querySelector("head").append(element("link", { rel: "icon", href: "data:," }));
    page.dataset.kept = "";
    const form = page.querySelector("#tally-form");
    delete form.dataset.state;
    form.dataset.ahead = Date.parse(form.dataset.now) - Date.now();
    form.dataset.shift = "kept " + Date.now();
    page.querySelector("#tally-inspector").removeAttribute("readonly");
    page.querySelector('#tally-shift [data-value=""]').textContent = page.querySelector("#tally-kept").dataset.sayClock;
    return "<!DOCTYPE html>\n" + new XMLSerializer().serializeToString(page);
  }
  function element(name, having) {
    const made = document.createElement(name);
    for (const [each, value] of Object.entries(having)) made.setAttribute(each, value);
    return made;
  }

  /* Files first, the page last: whatever is there then belongs together. */
  async function keep() {
    if (!able || isKept) return;
    const page = copied();
    const wanted = files("link[rel=stylesheet]", "href").concat(files("script", "src"));
    try {
      const answers = await Promise.all(wanted.map((each) => fetch(each)));
      if (!answers.every((each) => each.ok)) return;
      const place = await caches.open(KEPT);
      for (const [i, each] of wanted.entries()) await place.put(own(each) + "?kept", answers[i]);
      const styles = [...document.querySelectorAll("style")].map((each) => each.textContent).join("\n");
      await place.put(STYLES, new Response(styles, { headers: { "Content-Type": "text/css; charset=utf-8" } }));
      const headers = { "Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": POLICY, "X-Content-Type-Options": "nosniff" };
      await place.put("/tally", new Response(page, { headers: headers }));
      await (await caches.open(PLAIN)).add("/no-network"); // in the language that is read here
    } catch (reason) { /* no network by now, or no room: what was kept before stays */ }
  }
  window.toteproof = Object.assign(window.toteproof || {}, { keep: keep });

  /* Whoever signs out takes the form along, whether or not a worker sees them go. */
  document.addEventListener("submit", function (event) {
    if (able && event.target.id === "app-person") caches.delete(KEPT);
  });

  if (!isKept) return;
  const line = document.getElementById("tally-kept"), form = document.getElementById("tally-form");
  let back = false, stirred = Date.now();
  for (const each of ["pointerdown", "keydown"]) document.addEventListener(each, () => { stirred = Date.now(); }, true);

  function tell() {
    const count = window.toteproof.outbox.items().filter((each) => !each.answer && !each.refused).length;
    const waiting = count ? line.dataset.saySome.replace("{count}", count) : line.dataset.sayNone;
    const text = (back ? line.dataset.sayBack : line.dataset.sayGone).replace("{waiting}", waiting);
    if (line.dataset.told === text) return;
    line.dataset.told = text;
    line.replaceChildren(text);
    if (back) line.append(" ", Object.assign(element("a", { href: location.href }), { textContent: line.dataset.sayAnew }));
    line.hidden = false;
  }
  /* The live page comes back by itself where nobody is in the middle of a tote. */
  async function ask() {
    try {
      const answer = await fetch(form.dataset.clockAt, { signal: AbortSignal.timeout(SECONDS * 1000) });
      back = answer.ok || answer.status === 401;
      const idle = form.dataset.begun === undefined && Date.now() - stirred > SECONDS * 1000;
      if (answer.ok && idle) location.reload();
    } catch (reason) { back = false; }
    tell();
  }
  document.addEventListener("DOMContentLoaded", tell);
  document.addEventListener("toteproof-outbox", tell);
  setInterval(ask, SECONDS * 1000);
})();
