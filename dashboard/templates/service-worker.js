/* Where nobody answers, Tally opens as it was kept when it was last drawn, and every other page
   says that there is no network. Whatever the network answers is shown as it comes, so that nobody
   stays on an old version. Nothing but Tally's form is ever kept of what only some may see. */
"use strict";

const VERSION = "{{ version }}"; // another one makes the browser take this file anew
const TALLY = "toteproof-tally", PLAIN = "toteproof-plain";
const OPENS = "/tally", NO_NETWORK = "{{ no_network }}";
const DOORS = {{ doors|tojson }}; // whoever comes in or goes out by them
const SWITCH = "{{ switch }}"; // of languages
const LATE = 8000; // milliseconds
const SILENT = [502, 503, 504]; // a server before ours says that ours does not answer

self.addEventListener("install", function (event) {
  self.skipWaiting();
  event.waitUntil(caches.open(PLAIN).then((kept) => kept.addAll([NO_NETWORK, "/assets/toteproof.css", "/assets/source-sans-3.woff2"])));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

/* What the network answers; null where it does not. */
function heard(request) {
  const late = new Promise((done) => setTimeout(done, LATE, null));
  return Promise.race([fetch(request).catch(() => null), request.method === "GET" ? late : new Promise(() => {})]);
}

/* A page. Its frame is the same for all; at a door, or sent to one, nobody is signed in any more. */
async function page(request) {
  const path = new URL(request.url).pathname;
  const answer = await heard(request);
  const spoke = answer && !SILENT.includes(answer.status);
  if (spoke && (DOORS.includes(path) || answer.type === "opaqueredirect")) await caches.delete(TALLY);
  if (spoke && path === SWITCH) await caches.open(PLAIN).then((kept) => kept.add(NO_NETWORK)).catch(() => {});
  if (spoke) return answer;
  const kept = path === OPENS && request.method === "GET" && (await caches.match(OPENS, { cacheName: TALLY }));
  return kept || answer || (await caches.match(NO_NETWORK, { cacheName: PLAIN })) || Response.error();
}

/* A file. What a kept page is drawn with is of its own version, and asked for as such. */
async function file(request) {
  const own = new URL(request.url).search === "?kept";
  const kept = () => caches.match(request, { cacheName: own ? TALLY : PLAIN });
  if (own) return (await kept()) || fetch(request);
  return fetch(request).catch(async (reason) => { const found = await kept(); if (found) return found; throw reason; });
}

self.addEventListener("fetch", function (event) {
  const request = event.request, where = new URL(request.url);
  if (where.origin !== self.location.origin) return;
  if (request.mode === "navigate") event.respondWith(page(request));
  else if (request.method === "GET" && where.pathname.startsWith("/assets/")) event.respondWith(file(request));
});
