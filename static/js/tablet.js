// The service worker: the open job's page and its shell with the server out of reach, and sending on the browser's own
// "sync".  A page is asked of the server first; the copy is for when no answer comes.  Marks are never answered here.
import { drain } from "/kept/drain.js";

const PAGES = "changeout-pages";
const FILES = "changeout-files";
const PATIENCE_MS = 4_000, LONG_PATIENCE_MS = 60_000; // with a copy, and with none: a busy server is not out of reach
const TAKEN_AWAY = /\.(zip|pdf|json)$/; // made on request, which may take longer than a page is waited for
const SWITCH = /^\/sign(in|out)$/; // the next person must not find the last one's pages
const JOB = /^\/jobs\/[^/]+\/now$/;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("sync", (event) => event.waitUntil(send()));
self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (address.origin !== self.location.origin) return;
  if (request.method === "POST" && SWITCH.test(address.pathname)) event.waitUntil(caches.delete(PAGES));
  if (request.method !== "GET") return;
  if (address.pathname.startsWith("/static/")) {
    event.respondWith(file(request));
  } else if (address.pathname.startsWith("/kept/")) {
    event.respondWith(freshOrHeld(request, FILES).then((answer) => answer ?? Response.error()));
  } else if (request.mode === "navigate" && !TAKEN_AWAY.test(address.pathname)) {
    event.respondWith(page(request, JOB.test(address.pathname)));
  }
});

async function send() {
  await drain();
  for (const client of await self.clients.matchAll()) client.postMessage("drained");
}

// A browser whose storage is full or shut still works within reach of the server: what cannot be put aside is not.
const held = (request) => caches.match(request).catch(() => undefined);
const putAside = (name, request, answer) => caches.open(name).then((cache) => cache.put(request, answer.clone())).catch(() => {});

async function file(request) {
  const copy = await held(request);
  const answer = copy ?? (await fetch(request));
  if (!copy && answer.ok) await putAside(FILES, request, answer);
  return answer;
}

// What the server answers in time, put aside under a name; the copy where it does not answer.
async function freshOrHeld(request, name) {
  const patience = AbortSignal.timeout((await held(request)) ? PATIENCE_MS : LONG_PATIENCE_MS);
  const answer = await fetch(request, { signal: patience }).catch(() => undefined);
  if (name && answer?.ok && !answer.redirected) await putAside(name, request, answer);
  return answer ?? held(request);
}

async function page(request, wanted) {
  return (await freshOrHeld(request, wanted && PAGES)) ?? new Response(
    "<!doctype html><meta charset=utf-8><title>Out of reach</title><h1>The server is out of reach</h1>" +
    "<p>Marks that this tablet kept are safe and go when the server is back. Go back to the open job.</p>",
    { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
}
