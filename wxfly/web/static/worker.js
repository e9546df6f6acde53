"use strict";
// Keeps the files of the pages, and the last answers. Where the server does not answer, a kept answer opens; its age
// stands in its first line.
const FILES = /* files */ [];
const KEPT = "wxfly-answers", STATIC = "wxfly-static", MOST = 40;

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    await (await caches.open(STATIC)).addAll(FILES);
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    const files = await caches.open(STATIC);
    for (const request of await files.keys()) {
      if (!FILES.includes(new URL(request.url).pathname)) await files.delete(request);
    }
    await self.clients.claim();
  })());
});

const keep = async (request, reply) => {
  const answers = await caches.open(KEPT);
  await answers.delete(request);
  await answers.put(request, reply);
  const all = await answers.keys();
  for (const old of all.slice(0, Math.max(0, all.length - MOST))) await answers.delete(old);
};

const age = (reply) => {
  const minutes = Math.max(0, Math.round((Date.now() - Date.parse(reply.headers.get("date"))) / 60000));
  if (!Number.isFinite(minutes)) return "of unknown age";
  return minutes < 120 ? `${minutes} min old` : `${Math.round(minutes / 60)} h old`;
};

const aged = async (reply) => {
  const line = `<p class="notice" role="alert">Kept answer, ${age(reply)}: the program does not answer. It may be out of date.</p>`;
  const text = (await reply.text()).replace("<body>", `<body>\n${line}`).replace(/ data-ask-again/g, "");
  const headers = new Headers(reply.headers);
  headers.delete("content-encoding");
  headers.delete("content-length");
  return new Response(text, { status: 200, headers });
};

const away = () => new Response(
  "<!doctype html><html lang=\"en\"><meta name=\"viewport\" content=\"width=device-width\"><title>wxfly</title><body>"
  + "<h1>wxfly does not answer</h1><p>No answer to this question was kept. Start it again with: wxfly serve</p>"
  + "<p><a href=\"/\">To the start page</a></p>",
  { status: 503, headers: { "content-type": "text/html; charset=utf-8", "content-security-policy": "default-src 'none'" } },
);

self.addEventListener("fetch", (event) => {
  const { request } = event, url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) {
    event.respondWith((async () => (await caches.match(request)) || fetch(request))());
    return;
  }
  if (request.mode !== "navigate") return;
  event.respondWith((async () => {
    try {
      const reply = await fetch(request);
      if (reply.status === 200 && reply.headers.get("x-wxfly-keep") === "yes") event.waitUntil(keep(request, reply.clone()));
      return reply;
    } catch {
      const kept = await (await caches.open(KEPT)).match(request);
      return kept ? aged(kept) : away();
    }
  })());
});
