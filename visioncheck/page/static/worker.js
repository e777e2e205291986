// What stands in when the computer does not answer: one screen, kept with its style. Nothing else is kept or answered.
"use strict";

const KEPT = "away-1";
const PARTS = ["/away", "/asset/style.css", "/asset/page.css", "/asset/page.js"];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(PARTS)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  const old = caches.keys().then((names) => Promise.all(names.filter((name) => name !== KEPT).map((name) => caches.delete(name))));
  event.waitUntil(old.then(() => self.clients.claim()));
});
self.addEventListener("fetch", (event) => {
  const { request } = event;
  if (request.method !== "GET") return;
  if (request.mode === "navigate") {
    event.respondWith(fetch(request).catch(() => caches.match("/away")));
  } else if (PARTS.includes(new URL(request.url).pathname)) {
    event.respondWith(fetch(request).catch(() => caches.match(request)));
  }
});
