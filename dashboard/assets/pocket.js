// Keeps the small page of one's splicer on the phone, marks its age, and forgets it at sign-out.
(function () {
    const KEPT = "arcdrift-pocket";
    const PAGE = "/pocket";
    const ASSETS = ["/assets/arcdrift.css", "/assets/sign-in.css", "/assets/pocket.js",
        "/assets/mark.svg"];
    const EVERY_MS = 300000;
    let keptAt = 0;

    async function forget() {
        if (window.caches) {
            await Promise.all((await caches.keys()).map((name) => caches.delete(name)));
        }
    }

    async function keep() {
        if (!window.caches || !navigator.serviceWorker || Date.now() - keptAt < EVERY_MS) {
            return;
        }
        keptAt = Date.now();
        let answer;
        try {
            answer = await fetch(PAGE, { cache: "no-store", headers: { Accept: "text/plain" } });
        } catch {
            return; // no signal: what is kept stays
        }
        if (answer.status === 401 || answer.status === 403) {
            await forget();
            return;
        }
        if (!answer.ok || answer.redirected) {
            return;
        }
        const cache = await caches.open(KEPT);
        const headers = new Headers(answer.headers);
        headers.set("X-Kept-At", String(Date.now()));
        await cache.put(PAGE, new Response(await answer.text(), { headers }));
        await cache.addAll(ASSETS);
        document.documentElement.dataset.kept = "yes";
    }

    function ageWords(seconds) {
        const minutes = Math.floor(seconds / 60), hours = Math.floor(minutes / 60);
        if (minutes < 2) {
            return "just now";
        }
        if (hours < 2) {
            return minutes + " min ago";
        }
        return hours < 48 ? hours + " h ago" : Math.floor(hours / 24) + " days ago";
    }

    function markAge() {
        const line = document.querySelector(".pocket-age");
        if (!line) {
            return;
        }
        const made = new Date(line.querySelector("time").dateTime);
        const seconds = (Date.now() - made) / 1000;
        line.querySelector("span").textContent = ", " + ageWords(seconds) +
            (navigator.onLine ? "." : ". No signal: this is the kept copy.");
        line.classList.toggle("pocket-old", seconds > 4 * 3600 || !navigator.onLine);
    }

    document.addEventListener("submit", (event) => {
        if (event.target.getAttribute("action") === "/sign-out") {
            forget();
        }
    });
    // a callback that finds the sign-in ended leads to the page to sign in on
    const plainFetch = window.fetch;
    window.fetch = async function (...asked) {
        const answer = await plainFetch.apply(this, asked);
        if (answer.status === 401 && document.getElementById("page")) {
            await forget();
            const here = window.location.pathname + window.location.search;
            window.location.assign("/sign-in?next=" + encodeURIComponent(here));
        }
        return answer;
    };

    if (document.querySelector("meta[name='arcdrift-sign-in']") && navigator.serviceWorker) {
        navigator.serviceWorker.register("/pocket-worker.js");
        window.addEventListener("load", keep);
        window.addEventListener("online", keep);
        document.addEventListener("visibilitychange", keep);
        window.setInterval(keep, EVERY_MS);
    }
    markAge();
    window.setInterval(markAge, 30000);
    window.addEventListener("online", markAge);
    window.addEventListener("offline", markAge);
})();
