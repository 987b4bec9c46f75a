// Light and dark, and keeping keyboard and eye in place when a page is drawn again.
(function () {
    const keep = () => window.dash_clientside.no_update;
    let held = null; // id of the filter that had the keyboard
    let drawnAt = null; // address of what is on the screen
    let wentBack = false; // by the browser's buttons, to a page that was read before
    const scrolledTo = {}; // place of each page in this window, by its address
    window.history.scrollRestoration = "manual";

    // a first chart loads Plotly from here: with the kinds of traces in use, a third of all of it
    Object.defineProperty(window, "_dashPlotlyJSURL", {
        get: () => "/assets/plotly/plotly-cartesian-4.1.1.min.js",
        set: () => {}, // Dash names its own copy
    });

    window.addEventListener("scroll", () => {
        if (drawnAt && drawnAt.href === window.location.href) {
            scrolledTo[drawnAt.href] = window.scrollY;
        }
    }, { passive: true });
    window.addEventListener("popstate", () => { wentBack = true; });

    // a page grows while its parts are drawn; a scroll of the reader's own ends the search
    function scrollBack(place, tries) {
        window.scrollTo(0, place);
        if (tries && Math.abs(window.scrollY - place) > 2) {
            window.setTimeout(() => scrollBack(place, tries - 1), 100);
        }
    }

    function rememberMine(splicer) {
        document.cookie = "arcdrift-splicer=" + encodeURIComponent(splicer) +
            "; path=/; max-age=34560000; samesite=lax" +
            (window.location.protocol === "https:" ? "; secure" : "");
    }

    document.addEventListener("click", (event) => {
        const button = event.target.closest(".make-mine");
        if (button) {
            rememberMine(button.dataset.splicer);
            button.setAttribute("aria-pressed", "true");
            button.textContent = "Mine";
        }
    });

    // one degree colder or warmer; taps that follow each other are one question
    let stepped = null;
    document.addEventListener("click", (event) => {
        const step = event.target.closest("[data-step]");
        const input = step && step.parentElement.querySelector("input");
        if (!input) {
            return;
        }
        const shown = input.value === "" ? input.placeholder : input.value;
        const value = (stepped ? stepped.value : Number(shown) || 0) + Number(step.dataset.step);
        window.clearTimeout(stepped && stepped.timer);
        const id = JSON.parse(input.id);
        window.dash_clientside.set_props(id, { placeholder: String(value) });
        stepped = { value, timer: window.setTimeout(() => {
            stepped = null;
            window.dash_clientside.set_props(id, { value });
        }, 450) };
    });

    window.addEventListener("hashchange", () => showPart(window.location.hash));

    // a link to a part of a page opens it where it is folded
    function showPart(hash) {
        const part = hash.length > 1 && document.getElementById(hash.slice(1));
        if (!part) {
            return false;
        }
        if (part.matches("details")) {
            part.open = true;
        }
        part.scrollIntoView({ block: "start" });
        const field = part.querySelector("input:not([type='hidden']):not([type='radio'])");
        (field || part.querySelector("summary") || part).focus({ preventScroll: true });
        return true;
    }

    let kept = null; // what of the page had the keyboard, where it is named to keep it

    document.addEventListener("focusin", (event) => {
        const named = event.target.closest("[data-keep]");
        kept = named ? named.dataset.keep : null;
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
        const mine = now.searchParams.get("mine");
        if (mine && now.pathname === "/") {
            rememberMine(mine);
        }
        const back = wentBack;
        wentBack = false;
        const title = document.querySelector("#page h1");
        document.body.dataset.drawn = now.href;
        document.title = (title ? title.textContent + " · " : "") + "arcdrift";
        if (!before) {
            showPart(now.hash);
            return;
        }
        if (before.href === now.href) {
            return;
        }
        const splices = document.querySelector(".splice-list");
        const day = now.searchParams.get("day");
        const again = before.pathname === now.pathname && kept &&
            [...document.querySelectorAll("[data-keep]")].find((one) => one.dataset.keep === kept);
        if (before.pathname === now.pathname && held) {
            giveBack(held);
        } else if (again) {
            (again.matches("button") ? again : again.querySelector("a, button"))
                .focus({ preventScroll: true });
        } else if (day && day !== before.searchParams.get("day") && splices) {
            splices.scrollIntoView();
        } else if (back) {
            const left = before.pathname + before.search;
            const link = [...document.querySelectorAll("#page a[href]")].find(
                (one) => one.getAttribute("href") === left);
            (link || document.getElementById("page")).focus({ preventScroll: true });
            scrollBack(scrolledTo[now.href] || 0, 20);
        } else if (!showPart(now.hash)) {
            window.scrollTo(0, 0);
            document.getElementById("page").focus({ preventScroll: true });
        }
    }

    // lists that the reader opened stay open when the page is drawn again
    const opened = new Set();
    const nameOf = (list) => window.location.pathname + " " + list.dataset.staysOpen;
    document.addEventListener("toggle", (event) => {
        if (event.target.dataset && event.target.dataset.staysOpen) {
            opened[event.target.open ? "add" : "delete"](nameOf(event.target));
        }
    }, true);

    // parts of a page that are sent as HTML are drawn at once
    function drawSent() {
        document.querySelectorAll("[data-html]").forEach((part) => {
            if (part.sentHtml !== part.dataset.html) {
                part.sentHtml = part.dataset.html;
                part.innerHTML = part.sentHtml;
                part.sentNodes = [...part.childNodes];
                const frame = part.closest("[data-scrolled='right']");
                if (frame) {
                    frame.scrollLeft = frame.scrollWidth;
                }
            }
        });
    }

    // a shorter list is made of components again, beside which nothing of the longer may stay
    function removeNoLongerSent(changes) {
        changes.map((change) => change.target).forEach((part) => {
            if (part.sentNodes && !part.hasAttribute("data-html")) {
                part.sentNodes.forEach((node) => node.remove());
                delete part.sentNodes;
                delete part.sentHtml;
            }
        });
    }

    // a link in them opens its page as any other link to a page does
    document.addEventListener("click", (event) => {
        const link = event.target.closest("#page a[data-page]"); // not of the first screen
        const elsewhere = event.button || event.ctrlKey || event.metaKey || event.shiftKey ||
            event.altKey;
        if (link && !elsewhere) {
            event.preventDefault();
            window.history.pushState({}, "", link.getAttribute("href"));
            window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
        }
    });

    // rows of a grid that scrolls are reached by keyboard, too; grids come after the page
    let looking = false;
    new MutationObserver((changes) => {
        removeNoLongerSent(changes);
        drawSent();
        if (document.querySelector("#page h1")) {
            document.querySelector(".first-screen")?.remove();
        }
        document.querySelectorAll("details[data-stays-open]:not([open])").forEach((list) => {
            list.open = opened.has(nameOf(list));
        });
        if (!looking) {
            looking = true;
            window.requestAnimationFrame(() => {
                looking = false;
                document.querySelectorAll(".ag-center-cols-viewport:not([tabindex])")
                    .forEach((rows) => rows.setAttribute("tabindex", "0"));
            });
        }
    }).observe(document, { childList: true, subtree: true, attributeFilter: ["data-html"] });

    window.dash_clientside = Object.assign({}, window.dash_clientside, {
        arcdrift: {
            // suggest this device's time zone; UTC is a server's, wherever the crew works
            zone: function (_id, chosen, zones) {
                const here = Intl.DateTimeFormat().resolvedOptions().timeZone;
                return !chosen && here !== "UTC" && zones.includes(here) ? here : keep();
            },
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
