// Light and dark, and keeping keyboard and eye in place when a page is drawn again.
(function () {
    const keep = () => window.dash_clientside.no_update;
    let held = null; // id of the filter that had the keyboard
    let drawnAt = null; // address of what is on the screen

    document.addEventListener("focusin", (event) => {
        const control = event.target.closest("[id*='\"type\":\"filter\"']");
        held = control ? control.id : null;
    });

    function giveBack(id) {
        const control = document.getElementById(id);
        const target = control && (control.matches("input") ? control
            : control.querySelector("input:checked"));
        if (target) {
            target.focus({ preventScroll: true });
        }
    }

    function closeSheet() {
        const sheet = document.querySelector(".more-tabs[open]");
        if (sheet) {
            sheet.open = false;
        }
        return sheet;
    }

    document.addEventListener("click", (event) => {
        if (event.target.closest(".sheet-link") || !event.target.closest(".more-tabs")) {
            closeSheet();
        }
    });
    document.addEventListener("keydown", (event) => {
        if (event.key === "Escape" && event.target.closest(".more-tabs")) {
            closeSheet()?.querySelector("summary").focus();
        }
    });

    // the page of an old address has another one now
    function leadOn() {
        const moved = document.querySelector("#page > [data-moved]");
        if (moved && window.location.pathname + window.location.search !== moved.dataset.moved) {
            window.history.replaceState({}, "", moved.dataset.moved);
            window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
        }
    }

    function settle(before, now) {
        leadOn();
        const title = document.querySelector("#page h1");
        document.body.dataset.drawn = now.href;
        document.title = (title ? title.textContent + " · " : "") + "arcdrift";
        if (!before || before.href === now.href) {
            return;
        }
        const splices = document.querySelector(".splice-list");
        const day = now.searchParams.get("day");
        if (before.pathname === now.pathname && held) {
            giveBack(held);
        } else if (day && day !== before.searchParams.get("day") && splices) {
            splices.scrollIntoView();
        } else {
            window.scrollTo(0, 0);
            document.getElementById("page").focus({ preventScroll: true });
        }
    }

    window.dash_clientside = Object.assign({}, window.dash_clientside, {
        arcdrift: {
            drawn: function () {
                const before = drawnAt, now = new URL(window.location.href);
                drawnAt = now;
                window.requestAnimationFrame(() => window.setTimeout(() => settle(before, now), 0));
                return keep();
            },
            written: function (answer) {
                // the page is drawn again and says anew what was stored; show that on a phone too
                const look = (tries, seen) => {
                    const told = document.querySelector(".written-told");
                    if (told && told !== seen && told.textContent.includes(answer.sentence)) {
                        told.scrollIntoView({ block: "center" });
                        seen = told;
                    }
                    if (tries) {
                        window.setTimeout(() => look(tries - 1, seen), 100);
                    }
                };
                if (answer) {
                    look(40, null);
                }
                return keep();
            },
            scheme: function (clicks, scheme) {
                const kept = document.cookie.match(/(?:^|; )arcdrift-scheme=(light|dark)/);
                let next = kept ? kept[1] : scheme;
                if (clicks) {
                    next = scheme === "dark" ? "light" : "dark";
                    document.cookie = "arcdrift-scheme=" + next +
                        "; path=/; max-age=31536000; samesite=strict";
                } else if (!kept &&
                           window.matchMedia("(prefers-color-scheme: dark)").matches) {
                    next = "dark";
                }
                return next === scheme ? [keep(), keep()] : [next, next];
            },
        },
    });
})();
