// Keeps the recorder page on the phone for when the network is away. Everything else goes past it.
"use strict";
const KEPT = "vibeorder-recorder-2";
const FILES = ["/record", "/static/sheet.css", "/static/recorder.css", "/static/mark.svg", "/static/recorder.js", "/static/recorder_store.js",
  "/static/recorder_card.js", "/static/recorder_piece.js", "/static/recorder_sensors.js", "/static/recorder_send.js", "/static/recorder_sound.js"];
const PATIENCE_MS = 4000;

addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(FILES.map((path) => new Request(path, { cache: "reload" })))).then(() => skipWaiting()));
});
addEventListener("activate", (event) => {
  const old = caches.keys().then((names) => names.filter((name) => name.startsWith("vibeorder-recorder") && name !== KEPT));
  event.waitUntil(old.then((names) => Promise.all(names.map((name) => caches.delete(name)))).then(() => clients.claim()));
});

async function answer(request, path) {
  const kept = await caches.open(KEPT);
  try {
    const fresh = await fetch(request, { signal: AbortSignal.timeout(PATIENCE_MS) });
    if (fresh.ok && !fresh.redirected) await kept.put(path, fresh.clone());
    if (fresh.ok || fresh.type === "opaqueredirect" || fresh.redirected) return fresh;
    throw new Error("not well");
  } catch {
    return (await kept.match(path)) || Response.error();
  }
}

addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method === "GET" && url.origin === location.origin && FILES.includes(url.pathname)) event.respondWith(answer(event.request, url.pathname));
});
