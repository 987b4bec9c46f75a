"""Readers of a served dashboard: they open pages, what these load, downloads and the phone's page.

Each answer must have status 200 and hold no error, and two readers who are told of the same
records must see the same figures.
"""

import hashlib
import json
import random
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.client import HTTPException
from threading import Event, Lock
from typing import Any, NamedTuple

from arcdrift.people import Role, Viewer
from dashboard.access.page_roles import may_open
from tests.robust.http_client import Answer, Client

PAGES = (
    "/", "/week", "/upkeep", "/cases", "/cases/revisit", "/loss", "/splicer", "/checks",
    "/coaching", "/findings", "/budget",
)  # fmt: skip
OF_RESULTS_ALONE = ("/checks", "/coaching", "/budget")
"""Pages on which nothing depends on what people say meanwhile."""
TABLES = (
    "/csv/loss/splicers-and-programs.csv", "/csv/checks/check-days.csv", "/csv/cases/cases.csv",
    "/csv/cases/findings.csv", "/csv/upkeep/upkeep.csv",
)  # fmt: skip
LOADED = {
    "rest-slot": "the rest of /splicer", "shift-timer": "the rest of /", "trial-slot": "trial",
}  # fmt: skip
"""What pages ask for once they are there, by the type of its place."""
ERROR = re.compile(r"This did not work|Something went wrong|Traceback")
STATE = re.compile(r"([\d,]+) splices and ([\d,]+) arc checks")


class Timed(NamedTuple):
    """One answer: of what, when it was asked for, and how long it took (seconds)."""

    what: str
    asked_at: float
    seconds: float


@dataclass
class Log:
    """What all readers saw."""

    timed: list[Timed] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    refused: list[Timed] = field(default_factory=list)
    seen: dict[tuple[str, ...], str] = field(default_factory=dict)
    pages: dict[tuple[str, ...], str] = field(default_factory=dict)
    compared: int = 0
    _lock: Lock = field(default_factory=Lock)

    def error(self, words: str) -> None:
        """Note something that must not be."""
        with self._lock:
            self.errors.append(words)

    def same_figures(self, key: tuple[str, ...], page: str) -> None:
        """Compare a page with what others saw who were told of the same records."""
        digest = hashlib.sha256(page.encode()).hexdigest()
        with self._lock:
            self.compared += key in self.seen
            first = self.seen.setdefault(key, digest)
            self.pages.setdefault(key, page)
            if first != digest:
                at = _difference(self.pages[key], page)
                self.errors.append(f"{key}: two readers saw different figures: {at}")


def _difference(one: str, other: str) -> str:
    at = next((n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), 0)
    return f"...{one[max(at - 60, 0) : at + 60]}... / ...{other[max(at - 60, 0) : at + 60]}..."


class Reader:
    """One person with a browser.

    Parameters
    ----------
    pause : float
        Mean time in seconds for which a page is looked at.
    """

    def __init__(self, client: Client, role: Role, log: Log, seed: int, pause: float) -> None:
        self.client, self.role, self.log, self._pause = client, role, log, pause
        self._random = random.Random(seed)  # noqa: S311 - no secret
        self._version = ""

    def read(self, stop: Event) -> None:
        """Open one thing after the other until told to stop, or until the server is gone."""
        steps = self._steps()
        while not stop.is_set():
            if not self._look(next(steps)):
                return
            stop.wait(self._random.uniform(0.5, 1.5) * self._pause)

    def look_once_at_all(self) -> None:
        """Open every page, table and address once."""
        for step in (*PAGES, *TABLES, "/pocket", "whole /", "/health", "timer"):
            self._look(step)

    def _steps(self) -> Iterator[str]:
        while True:
            round_ = [*PAGES, *PAGES, "timer", "timer", self._random.choice(TABLES), "/pocket",
                      "whole /", "/health"]  # fmt: skip
            self._random.shuffle(round_)
            yield from round_

    def _look(self, step: str) -> bool:
        """Open something and all that it loads; return whether the server still answers."""
        if step == "timer":
            return self._ask("looking for results", lambda: self.client.call(_TIMER)) is not None
        if step not in PAGES:
            path = step.removeprefix("whole ")
            return self._ask(step, lambda: self.client.ask("GET", path)) is not None
        if not may_open(Viewer(self.role), step):
            return True
        answer = self._ask(step, lambda: self.client.page(step))
        if answer is None:
            return False
        drawn = json.loads(answer.body)["response"].get("page")
        if drawn is None:  # the page says that something went wrong: `_ask` has noted it
            self.log.error(f"{step}: no page came, but {_told(answer.body)}")
            return True
        page = drawn["children"]
        self._compare(step, page)
        asked = [found for kind in LOADED for found in list(ids(page, kind))[:2]]
        return all(self._load(place) for place in asked)

    def _load(self, place: dict[str, str]) -> bool:
        kind = place["type"]
        state: list[Any] = []
        if kind == "shift-timer":
            slot = place | {"type": "shift-slot"}
            output = f"..{_pattern(slot)}.children...{_pattern(place)}.disabled.."
            outputs: Any = [
                {"id": slot, "property": "children"},
                {"id": place, "property": "disabled"},
            ]
            asked, state = ("n_intervals", 1), [{"id": place, "property": "id", "value": place}]
        else:
            output = f"{_pattern(place)}.children"
            outputs, asked = {"id": place, "property": "children"}, ("id", place)
            if kind == "rest-slot":
                state = [{"id": "scheme", "property": "data", "value": "light"}]
        body = {
            "output": output,
            "outputs": outputs,
            "inputs": [{"id": place, "property": asked[0], "value": asked[1]}],
            "state": state,
            "changedPropIds": [f"{json.dumps(place, sort_keys=True)}.{asked[0]}".replace(" ", "")],
        }
        return self._ask(LOADED[kind], lambda: self.client.call(body)) is not None

    def _ask(self, what: str, ask: Any) -> Answer | None:
        asked_at, began = time.time(), time.perf_counter()
        try:
            answer: Answer = ask()
        except (OSError, HTTPException) as problem:
            self.log.refused.append(Timed(what, asked_at, time.perf_counter() - began))
            if not isinstance(problem, ConnectionError):
                self.log.error(f"{what}: {problem!r}")
            return None
        self.log.timed.append(Timed(what, asked_at, time.perf_counter() - began))
        nothing_new = what == "looking for results" and answer.status == 204
        if (answer.status != 200 and not nothing_new) or ERROR.search(answer.body):
            self.log.error(f"{what}: {answer.status} {_told(answer.body)}")
        return answer

    def _compare(self, path: str, page: Any) -> None:
        if path not in OF_RESULTS_ALONE:
            return
        told = STATE.search(json.dumps(page["props"]["children"][-1]))
        assert told, path
        figures = rounded(page["props"]["children"][1])
        self.log.same_figures((path, self.role, *told.groups()), json.dumps(figures))


_TIMER = {
    "output": "results-version.data",
    "outputs": {"id": "results-version", "property": "data"},
    "inputs": [{"id": "results-timer", "property": "n_intervals", "value": 1}],
    "state": [{"id": "results-version", "property": "data", "value": "0"}],
    "changedPropIds": ["results-timer.n_intervals"],
}


def _pattern(place: dict[str, str]) -> str:
    """The id of all places of a type, as outputs of callbacks have it."""
    keys = {key: ["MATCH"] for key in place if key != "type"} | {"type": place["type"]}
    return json.dumps(keys, sort_keys=True, separators=(",", ":"))


def rounded(value: Any) -> Any:
    """A page with its numbers to six digits: results agree to nine, however they were reached."""
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, dict):
        return {key: rounded(each) for key, each in value.items()}
    if isinstance(value, list):
        return [rounded(each) for each in value]
    return value


def ids(page: Any, kind: str) -> Iterator[dict[str, Any]]:
    """Ids of a type in a page as sent."""
    if isinstance(page, dict):
        found = page.get("id")
        if isinstance(found, dict) and found.get("type") == kind:
            yield found
        for value in page.values():
            yield from ids(value, kind)
    elif isinstance(page, list):
        for value in page:
            yield from ids(value, kind)


def _told(body: str) -> str:
    found = ERROR.search(body)
    at = found.start() if found else 0
    return body[at : at + 300]
