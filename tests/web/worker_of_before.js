// The worker as it was until the app came in one answer: browsers have it, and it is to make room for the one of today.
/* global APP */
const CACHE = `app-${APP.version}`;
const PAPER = "paper";

self.addEventListener("install", (event) => {
  // "reload": what the HTTP cache has may belong to an earlier version.
  const wanted = APP.files.map((path) => new Request(`/app/${path}`, { cache: "reload" }));
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(wanted)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const drop = async () => {
    for (const name of await caches.keys()) if (name !== CACHE && name !== PAPER) await caches.delete(name);
    await self.clients.claim();
  };
  event.waitUntil(drop());
});

self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const at = new URL(url);
  if (method !== "GET" || at.origin !== self.location.origin || !at.pathname.startsWith("/app/")) return;
  const answer = async () => {
    const page = at.pathname.startsWith("/app/paper/") ? await taken(at.pathname) : undefined;
    if (page !== undefined) return page;
    const cache = await caches.open(CACHE);
    const kept = await cache.match(mode === "navigate" ? "/app/" : at.pathname);
    return kept ?? fetch(event.request);
  };
  event.respondWith(answer());
});

/** The page to print that was left at an address. It was asked for with other headers than a browser's own. */
async function taken(path) {
  const pages = await caches.open(PAPER);
  const page = await pages.match(path, { ignoreVary: true });
  if (page !== undefined) await pages.delete(path, { ignoreVary: true });
  return page;
}
