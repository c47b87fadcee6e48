// Keeps the app's own files, so that it opens without a network. The server puts APP ahead of this file: where all files are
// in one answer, and a version that changes with any of them. Of the account's data only pages to print pass through here:
// kept/paper.js leaves one, and it is gone once it was shown.
/* global APP */
const CACHE = `app-${APP.version}`;
const PAPER = "paper";

self.addEventListener("install", (event) => event.waitUntil(keep().then(() => self.skipWaiting())));

/** Puts all files where they are kept. They are of one version, or the browser stays with what it has and asks again later. */
async function keep() {
  // "reload": what the HTTP cache has may belong to an earlier version.
  const answer = await fetch(APP.all, { cache: "reload" });
  const { version, files } = await answer.json();
  // While a service is renewed, another of its processes may answer than the one that this worker is of.
  if (version !== APP.version) throw new Error(version);
  const cache = await caches.open(CACHE);
  for (const [path, type, text] of files) await cache.put(`/app/${path}`, new Response(text, { headers: about(answer, type) }));
}

/** What is said of a file: what the answer with all of them says, but of its own bytes. */
function about(answer, type) {
  const headers = new Headers(answer.headers);
  for (const name of ["Content-Encoding", "Content-Length", "ETag", "Vary"]) headers.delete(name);
  headers.set("Content-Type", type);
  return headers;
}

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
