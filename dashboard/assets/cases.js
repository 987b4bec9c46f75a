// Cases: what is new since the reader's previous visit, and the keyboard in the forms.
(function () {
    const keep = () => window.dash_clientside.no_update;
    const HOUR = 3600 * 1000;
    const PAUSE = 4 * HOUR; // a visit ends when nothing was looked at for so long
    const DAYS = ["Sunday", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday"];
    const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov",
        "Dec"];
    const COUNTED = {
        "new": ["new case", "new cases"],
        "came-back": ["showed again", "showed again"],
        "reopened": ["opened again", "opened again"],
        "closed": ["closed", "closed"],
    };
    const MARKS = {"new": "new to you", "came-back": "showed again", "reopened": "opened again",
        "closed": "closed since"};

    // when this reader's previous visit was; undefined on the first
    function previousVisit(visitor) {
        const key = "arcdrift-visits|" + visitor, now = Date.now();
        let visits = {};
        try {
            visits = JSON.parse(window.localStorage.getItem(key)) || {};
        } catch (_error) {
            visits = {};
        }
        if (visits.last && now - visits.last > PAUSE) {
            visits.previous = visits.last;
        }
        visits.last = now;
        try {
            window.localStorage.setItem(key, JSON.stringify(visits));
        } catch (_error) {
            return undefined; // a browser that keeps nothing
        }
        return visits.previous;
    }

    function spoken(instant) {
        const at = new Date(instant), clock = ("0" + at.getHours()).slice(-2) + ":" +
            ("0" + at.getMinutes()).slice(-2);
        const midnight = new Date();
        midnight.setHours(0, 0, 0, 0);
        if (instant >= midnight.getTime()) {
            return clock + " today";
        }
        if (instant > midnight.getTime() - 6 * 24 * HOUR) {
            return DAYS[at.getDay()] + " " + clock;
        }
        return at.getDate() + " " + MONTHS[at.getMonth()] + " " + clock;
    }

    function sentence(events, since) {
        const counts = {};
        events.forEach((ofCase) => {
            const later = ofCase.filter(([, at]) => at > since);
            if (later.length) { // what is new is told as new, whatever came after
                counts[later[0][0]] = (counts[later[0][0]] || 0) + 1;
            }
        });
        const parts = Object.keys(COUNTED).filter((what) => counts[what]).map((what) =>
            counts[what] + " " + COUNTED[what][counts[what] === 1 ? 0 : 1]);
        return (parts.length ? parts.join(", ") : "Nothing new") + " since " + spoken(since);
    }

    // a splice is ticked off, or put back, by a button of any list
    document.addEventListener("click", (event) => {
        const button = event.target.closest("button[data-tick], button[data-put-back]");
        if (button) {
            const { tick, putBack } = button.dataset;
            const data = { splice: Number(tick || putBack), back: !tick, at: Date.now() };
            window.dash_clientside.set_props("revisit-pressed", { data });
        }
    });

    function close(form) {
        form.open = false;
        form.querySelector("summary").focus();
    }

    document.addEventListener("keydown", (event) => {
        const form = event.key === "Escape" && event.target.closest &&
            event.target.closest(".case-form[open]");
        const list = document.querySelector(
            "[role='listbox']:not([style*='display: none']), .mantine-Popover-dropdown");
        if (form && !event.defaultPrevented && !(list && list.offsetParent)) {
            close(form);
        }
    });

    // what j and k go through: rows of a list, or buttons and evidence of one case
    const STOPS = "#page .case-title, #page .notes .finding-link, #page .case-forms > .button, " +
        "#page .case-forms > details > summary, #page .case-forms > details[open] .button, " +
        "#page .finding-more > summary, #page .revisit-row button";

    function goOn(step) {
        const stops = [...document.querySelectorAll(STOPS)].filter((stop) => stop.offsetParent);
        const at = stops.indexOf(document.activeElement);
        const next = at < 0 ? (step > 0 ? 0 : stops.length - 1) : at + step;
        const stop = stops[next];
        if (!stop) {
            return false;
        }
        stop.focus({ preventScroll: true });
        stop.scrollIntoView({ block: "nearest" });
        return true;
    }

    document.addEventListener("keydown", (event) => {
        const busy = event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey ||
            event.target.closest("input, textarea, select, [role='listbox'], [role='dialog']");
        const step = { j: 1, k: -1, ArrowDown: 1, ArrowUp: -1 }[event.key];
        if (busy || !step || !document.querySelector(".case-list, .case-forms, .revisit-list")) {
            return;
        }
        // the arrows scroll the page until somebody has gone to a row
        if (event.key.startsWith("Arrow") && !event.target.matches(STOPS)) {
            return;
        }
        if (goOn(step)) {
            event.preventDefault();
        }
    });

    // an address that asks for one finding of a case shows that one
    new MutationObserver(() => {
        const asked = document.querySelector(".chosen-finding");
        if (asked && asked.dataset.seen !== "yes") {
            asked.dataset.seen = "yes";
            window.setTimeout(() => asked.scrollIntoView({ block: "center" }), 60);
        }
    }).observe(document.documentElement, { subtree: true, attributeFilter: ["data-drawn"] });

    document.addEventListener("toggle", (event) => {
        const form = event.target;
        if (!form.matches || !form.matches(".case-form") || !form.open) {
            return;
        }
        form.parentElement.querySelectorAll(".case-form[open]").forEach((other) => {
            other.open = other === form;
        });
        const field = form.querySelector("input:not([type='hidden'])");
        if (field && !form.dataset.refilled) {
            field.focus({ preventScroll: true });
        }
        delete form.dataset.refilled;
    }, true);

    // the page is drawn again after a statement: go to what it says, and give back what was typed
    function lookFor(answer, tries, seen) {
        const told = document.querySelector(".case-told");
        if (told && told !== seen && told.textContent.includes(answer.sentence)) {
            const at = document.activeElement; // whoever has gone on to a field stays there
            if (!at || at === document.body || at.matches("button, .case-told")) {
                told.focus({ preventScroll: true });
                told.scrollIntoView({ block: "nearest" });
            }
            const form = answer.refill && document.querySelector(".form-" + answer.form);
            if (form && !form.open) {
                form.dataset.refilled = "yes";
                form.open = true;
                Object.entries(answer.refill).forEach(([name, value]) => {
                    const type = name === "why" ? "case-text" : "case-choice";
                    window.dash_clientside.set_props({ type, form: answer.form, name }, { value });
                });
            }
            seen = told;
        }
        if (tries) {
            window.setTimeout(() => lookFor(answer, tries - 1, seen), 100);
        }
    }

    window.dash_clientside = Object.assign({}, window.dash_clientside, {
        arcdrift_cases: {
            said: function (answer) {
                if (answer) {
                    lookFor(answer, 30, null);
                }
                return keep();
            },
            // a refused form: go to the first field that has to be mended
            refused: function (...errors) {
                if (errors.flat().some(Boolean) &&
                    document.querySelector(".case-forms, .revisit-list")) {
                    window.setTimeout(() => {
                        const field = [...document.querySelectorAll(
                            "#page [aria-invalid='true'], #page [role='radiogroup']")].find((one) =>
                            one.matches("[aria-invalid='true']") ||
                            one.parentElement.querySelector(".mantine-InputWrapper-error"));
                        const target = field && (field.matches("input") ? field
                            : field.querySelector("input"));
                        if (target) {
                            target.focus({ preventScroll: true });
                            target.scrollIntoView({ block: "center" });
                        }
                    }, 50);
                }
                return keep();
            },
            news: function (news, marks, lines) {
                const known = (news || []).filter(Boolean);
                if (!known.length) {
                    return [lines.map(keep), marks.map(keep)];
                }
                const since = previousVisit(known[0].visitor);
                if (since === undefined) {
                    return [lines.map(() => null), marks.map(() => null)];
                }
                return [
                    lines.map((line, place) => known[place] ? sentence(known[place].events, since)
                        : null),
                    marks.map((mark) => mark.at > since ? MARKS[mark.what] : null),
                ];
            },
        },
    });
})();
