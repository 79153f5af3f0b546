// Opens the fire page when there is no signal, from the copy that page laid down itself. Nothing else of the co-op is
// answered from here: no other page, no answer of the API.
"use strict";
const FILES = {{ files|safe }};
const SHELL = "fire-files-{{ version }}", PAGES = "fire-pages", PATIENCE = 800;
const FIRE = /^\/[^/]+\/firings\/[0-9a-f-]{36}\/fire\/$/;

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(SHELL).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const old = (name) => name.startsWith("fire-files-") && name !== SHELL;
  event.waitUntil(
    caches.keys().then((names) => Promise.all(names.filter(old).map((name) => caches.delete(name)))).then(() => self.clients.claim()),
  );
});

self.addEventListener("fetch", (event) => {
  const { request } = event, url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (request.mode === "navigate" && FIRE.test(url.pathname)) event.respondWith(page(request, url));
  else if (FILES.includes(url.pathname)) event.respondWith(file(request));
});

// The page itself where it comes soon, else the copy; a page that comes later is not waited for.
async function page(request, url) {
  const copy = await caches.match(url.pathname, { cacheName: PAGES });
  if (!copy) return fetch(request);
  const fresh = fetch(request).then((answer) => (answer.status < 500 ? answer : null), () => null);
  if (url.search) return (await fresh) || copy;
  const late = new Promise((done) => setTimeout(done, PATIENCE, null));
  return (await Promise.race([fresh, late])) || copy;
}

async function file(request) {
  return (await caches.match(request, { cacheName: SHELL })) || fetch(request);
}
