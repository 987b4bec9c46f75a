// Shows the kept page of one's splicer where there is no signal. It keeps nothing by itself:
// pocket.js puts the page into the cache, and signing out empties it.
const KEPT = "arcdrift-pocket";
const PAGE = "/pocket";
const LONGEST_MS = 7 * 24 * 3600 * 1000; // as long as a sign-in lasts
const NOTHING = `<!DOCTYPE html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>No signal</title>
<body><main><h1>No signal</h1><p>Nothing is kept on this phone. Sign in where there is signal,
open your splicer once, and its verdict stays here for places without.</p></main></body></html>`;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

async function kept(request) {
    const cache = await caches.open(KEPT);
    const isPage = request.mode === "navigate";
    const found = await cache.match(isPage ? PAGE : request.url, { ignoreVary: true });
    if (found && isPage) {
        const age = Date.now() - Number(found.headers.get("X-Kept-At"));
        if (!(age < LONGEST_MS)) {
            await caches.delete(KEPT);
            return null;
        }
    }
    return found;
}

self.addEventListener("fetch", (event) => {
    const request = event.request;
    const asset = new URL(request.url).pathname.startsWith("/assets/");
    if (request.method !== "GET" || (request.mode !== "navigate" && !asset)) {
        return; // goes to the network as ever
    }
    event.respondWith(fetch(request).catch(async () => {
        const found = await kept(request);
        if (found) {
            return found;
        }
        if (request.mode !== "navigate") {
            return Response.error();
        }
        return new Response(NOTHING, {
            status: 503,
            headers: { "Content-Type": "text/html; charset=utf-8" },
        });
    }));
});
