// The page Records: files that are dropped or chosen are sent in, one after the other.
(function () {
    const waiting = []; // files with the names they have in their folder
    let isSending = false;
    let sent = 0;

    function say(text, isBad) {
        document.querySelectorAll(".sending").forEach((place) => {
            place.textContent = text;
            place.classList.toggle("bad", Boolean(isBad));
        });
    }

    function typedName() {
        const field = document.querySelector(".records-page .written-name input, " +
            ".records-page input.written-name");
        return field ? field.value : "";
    }

    function tellPage() {
        sent += 1;
        window.dash_clientside.set_props("uploads-timer", { disabled: false });
        window.dash_clientside.set_props("uploads-sent", { data: sent });
    }

    function sendNext(problems) {
        const next = waiting.shift();
        if (!next) {
            isSending = false;
            say(problems.join(" "), problems.length > 0);
            return;
        }
        isSending = true;
        const request = new XMLHttpRequest();
        const query = new URLSearchParams({ name: next.name, by: typedName() });
        request.open("POST", "/records/files?" + query);
        request.setRequestHeader("Content-Type", "application/octet-stream");
        const left = () => (waiting.length ? ", " + waiting.length + " more to come" : "");
        request.upload.onprogress = (event) => {
            const share = event.total ? Math.round(100 * event.loaded / event.total) : 0;
            say("Sending " + next.name + ": " + share + " %" + left());
        };
        request.onloadend = () => {
            if (request.status !== 202) {
                problems.push(next.name + " was not taken: " + reason(request));
            }
            tellPage();
            sendNext(problems);
        };
        say("Sending " + next.name + left());
        request.send(next.file);
    }

    function reason(request) {
        if (!request.status) {
            return "the connection was lost; try again.";
        }
        try {
            return JSON.parse(request.responseText).problem;
        } catch (_) {
            return request.responseText || "the server refused it.";
        }
    }

    function send(files) {
        waiting.push(...files.filter((each) => !each.name.split("/").pop().startsWith(".")));
        if (!waiting.length) {
            say("There is no file in it.", true);
        } else if (!isSending) {
            sendNext([]);
        }
    }

    function choose(isFolder) {
        const input = document.createElement("input");
        input.type = "file";
        input.multiple = true;
        input.webkitdirectory = isFolder;
        input.onchange = () => send([...input.files].map((file) => (
            { file, name: file.webkitRelativePath || file.name })));
        input.click();
    }

    document.addEventListener("click", (event) => {
        if (event.target.closest(".choose-files")) {
            choose(false);
        } else if (event.target.closest(".choose-folder")) {
            choose(true);
        }
    });

    const zoneOf = (event) => event.target.closest && event.target.closest(".drop-zone");

    ["dragenter", "dragover"].forEach((kind) => document.addEventListener(kind, (event) => {
        const zone = zoneOf(event);
        if (zone && [...event.dataTransfer.types].includes("Files")) {
            event.preventDefault();
            zone.classList.add("is-over");
        }
    }));
    document.addEventListener("dragleave", (event) => {
        const zone = zoneOf(event);
        if (zone && !zone.contains(event.relatedTarget)) {
            zone.classList.remove("is-over");
        }
    });
    document.addEventListener("drop", (event) => {
        const zone = zoneOf(event);
        if (!zone) {
            return;
        }
        event.preventDefault();
        zone.classList.remove("is-over");
        const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry &&
            item.webkitGetAsEntry()).filter(Boolean);
        if (!entries.length) {
            send([...event.dataTransfer.files].map((file) => ({ file, name: file.name })));
            return;
        }
        Promise.all(entries.map(filesIn)).then((found) => send(found.flat()));
    });

    // all files of a dropped file or folder, in the order of their names
    async function filesIn(entry) {
        if (entry.isFile) {
            const file = await new Promise((found, lost) => entry.file(found, lost));
            return [{ file, name: entry.fullPath.replace(/^\//, "") }];
        }
        const reader = entry.createReader();
        const inside = [];
        for (;;) { // a browser hands out a hundred at a time
            const some = await new Promise((found, lost) => reader.readEntries(found, lost));
            if (!some.length) {
                break;
            }
            inside.push(...some);
        }
        inside.sort((one, other) => one.name.localeCompare(other.name));
        return (await Promise.all(inside.map(filesIn))).flat();
    }
})();
