// Keeps the app's own files, so that it opens without a network. The server puts APP ahead of this file: the files, and a
// version that changes with any of them. Data of the account never pass through here.
/* global APP */
const CACHE = `app-${APP.version}`;

self.addEventListener("install", (event) => {
  // "reload": what the HTTP cache has may belong to an earlier version.
  const wanted = APP.files.map((path) => new Request(`/app/${path}`, { cache: "reload" }));
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(wanted)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const drop = async () => {
    for (const name of await caches.keys()) if (name !== CACHE) await caches.delete(name);
    await self.clients.claim();
  };
  event.waitUntil(drop());
});

self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const at = new URL(url);
  if (method !== "GET" || at.origin !== self.location.origin || !at.pathname.startsWith("/app/")) return;
  const answer = async () => {
    const cache = await caches.open(CACHE);
    const kept = await cache.match(mode === "navigate" ? "/app/" : at.pathname);
    return kept ?? fetch(event.request);
  };
  event.respondWith(answer());
});
