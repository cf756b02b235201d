// The service worker: the open job's page and its shell with the server out of reach, and sending on the browser's own
// "sync".  A page is asked of the server first; the copy is for when no answer comes.  Marks are never answered here.
import { drain } from "/kept/drain.js";

const PAGES = "changeout-pages";
const FILES = "changeout-files";
const PATIENCE_MS = 4_000;
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
    event.respondWith(module(request));
  } else if (request.mode === "navigate" && !TAKEN_AWAY.test(address.pathname)) {
    event.respondWith(page(request, JOB.test(address.pathname)));
  }
});

async function send() {
  await drain();
  for (const client of await self.clients.matchAll()) client.postMessage("drained");
}

async function file(request) {
  const held = await caches.match(request);
  if (held) return held;
  const answer = await fetch(request);
  if (answer.ok) await (await caches.open(FILES)).put(request, answer.clone());
  return answer;
}

async function module(request) {
  try {
    const answer = await fetch(request, { signal: AbortSignal.timeout(PATIENCE_MS) });
    if (answer.ok) await (await caches.open(FILES)).put(request, answer.clone());
    return answer;
  } catch {
    return (await caches.match(request)) ?? Response.error();
  }
}

async function page(request, wanted) {
  try {
    const answer = await fetch(request, { signal: AbortSignal.timeout(PATIENCE_MS) });
    if (wanted && answer.ok && !answer.redirected) await (await caches.open(PAGES)).put(request, answer.clone());
    return answer;
  } catch {
    return (await caches.match(request)) ?? new Response(
      "<!doctype html><meta charset=utf-8><title>Out of reach</title><h1>The server is out of reach</h1>" +
      "<p>Marks that this tablet kept are safe and go when the server is back. Go back to the open job.</p>",
      { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
  }
}
