"""Two people at a time who say things on the same case, or tick the same splice off.

Both have looked at the page before either says anything. One is heard; the other is told what the
first one said, and nothing of theirs is stored.
"""

import json
import random
import re
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from http.client import HTTPException
from threading import Event
from typing import Any

from tests.robust.http_client import Client
from tests.robust.together.commands import Command
from tests.robust.together.readers import Log, ids

HEARD = ("You have taken it on", "Noted.", "Closed: ", "Open again.")
TOLD = ("Meanwhile ", "This case has changed since", "What this rests on is no longer there")
ACTIONS = ("take", "close", "reopen")
_PAIRS = 4
"""Most pairs that tick splices off beside each other."""
_CASE = re.compile(r"/cases/([0-9a-f]{12})")
_TICK = re.compile(r'data-tick=\\"(\d+)\\"')


@dataclass
class Sayings:
    """How many were heard and told, by who spoke against whom."""

    counts: Counter[str] = field(default_factory=Counter)


class Pair:
    """Two people with browsers, the second of whom also has the command line."""

    def __init__(
        self, first: Client, second: Client, command: Command, log: Log, seed: int, pause: float
    ) -> None:
        self._clients, self._command, self._log = (first, second), command, log
        self._seed, self._random = seed, random.Random(seed)  # noqa: S311 - no secret
        self._pause, self.sayings = pause, Sayings()
        self._executor = ThreadPoolExecutor(2)

    def talk(self, stop: Event) -> None:
        """Take turns at the ways in which two people meet."""
        ways = (self.two_pages, self.tick, self.page_late, self.command_late)
        turn = 0
        while not stop.is_set():
            try:
                ways[turn % len(ways)]()
            except (ConnectionError, HTTPException):
                return  # the server was told to stop
            except Exception as problem:
                self._log.error(f"{ways[turn % len(ways)].__name__}: {problem!r}")
            turn += 1
            stop.wait(self._pause)

    def two_pages(self) -> None:
        """Both press a button in the same instant."""
        button = self._choose()
        if button is None:
            return
        said = list(self._executor.map(lambda client: say(client, button), self._clients))
        self._one_heard("two pages", said)

    def page_late(self) -> None:
        """A page says something about a case on which a command was quicker."""
        button = self._choose()
        if button is None:
            return
        done = self._command(*_words(button))
        if done.code:
            self._log.error(f"command: {done.code} {done.said}")
            return
        self._one_heard("page after command", [HEARD[0], say(self._clients[0], button)])

    def command_late(self) -> None:
        """A command says something about a case on which a page was quicker."""
        button = self._choose()
        if button is None:
            return
        heard = say(self._clients[0], button)
        done = self._command(*_words(button), "--version", button["version"])
        told = done.said.strip().splitlines()[-1] if done.said.strip() else ""
        self._one_heard("command after page", [heard, told])
        if done.code == 0:
            self._log.error(f"the command was not refused: {done.said}")

    def tick(self) -> None:
        """Both tick the same splice off in the same instant; one of them puts it back."""
        page = self._clients[0].page("/cases/revisit").body
        # another pair, which puts back what it ticked, has splices of its own
        listed = map(int, _TICK.findall(page))
        open_ = [splice for splice in listed if splice % _PAIRS == self._seed % _PAIRS]
        if not open_:
            return
        splice = self._random.choice(open_)
        said = list(self._executor.map(lambda client: press_tick(client, splice), self._clients))
        heard = [sentence for sentence in said if " is ticked off by " in sentence]
        if len(heard) > 1:
            self._log.error(f"tick: both were heard: {said}")
        self.sayings.counts["tick, heard"] += len(heard)
        self.sayings.counts["tick, told"] += len(said) - len(heard)
        press_tick(self._clients[1], splice, back=True)

    def _choose(self) -> dict[str, Any] | None:
        """A button that both see on the page of an open or closed case."""
        listed = self._clients[0].page("/cases").body
        cases = sorted(set(_CASE.findall(listed)))
        if not cases:
            return None
        case = self._random.choice(cases[:4])
        seen = [json.loads(client.page(f"/cases/{case}").body) for client in self._clients]
        both = [list(ids(page, "case-save")) for page in seen]
        common = [button for button in both[0] if button in both[1] and button["action"] in ACTIONS]
        return self._random.choice(common) if common else None

    def _one_heard(self, how: str, said: list[str]) -> None:
        heard = [sentence for sentence in said if sentence.startswith(HEARD)]
        # a third person may have been quicker than both
        told = [sentence for sentence in said if sentence.startswith(TOLD)]
        if len(heard) > 1 or len(heard) + len(told) != len(said):
            self._log.error(f"{how}: {said}")
        self.sayings.counts[f"{how}, heard"] += len(heard)
        self.sayings.counts[f"{how}, told"] += len(told)


def say(client: Client, button: dict[str, Any]) -> str:
    """Press a button of a case; return what the page answers."""
    closing = {"type": "case-choice", "form": "close", "name": "how"}
    pressed = {"id": button, "property": "n_clicks", "value": 1}
    choices = [{"id": closing, "property": "value", "value": "accepted"}]
    return _press(
        client,
        "case-save",
        f"{json.dumps(button, sort_keys=True, separators=(',', ':'))}.n_clicks",
        [[pressed], []],
        [[], choices, [], [{"id": button, "property": "id", "value": button}]],
        [[], [{"id": closing, "property": "error"}], []],
    )


def press_tick(client: Client, splice: int, *, back: bool = False) -> str:
    """Tick a splice off, or put it back; return what the page answers."""
    pressed = {"splice": splice, "back": back, "at": 0}
    asked = {"id": "revisit-pressed", "property": "data", "value": pressed}
    return _press(client, "revisit-pressed", "revisit-pressed.data", [asked], [[]], [[]])


def _press(
    client: Client,
    kind: str,
    changed: str,
    inputs: list[Any],
    state: list[Any],
    more: list[Any],
) -> str:
    outputs = [
        {"id": "case-said", "property": "data"},
        {"id": "results-version", "property": "data"},
        *more,
    ]
    answer = client.call(
        {
            "output": _output(client, kind),
            "outputs": outputs,
            "inputs": inputs,
            "state": state,
            "changedPropIds": [changed],
        }
    )
    if answer.status != 200:
        return f"status {answer.status}: {answer.body[:200]}"
    said = json.loads(answer.body).get("response", {}).get("case-said")
    return str(said["data"]["sentence"]) if said else answer.body[:300]


def _output(client: Client, kind: str) -> str:
    """Output of the callback that a kind of button calls, as the dashboard names it."""
    if kind not in _OUTPUTS:
        for known in json.loads(client.ask("GET", "/_dash-dependencies").body):
            if kind in known["inputs"][0]["id"] and "case-said" in known["output"]:
                _OUTPUTS[kind] = known["output"]
    return _OUTPUTS[kind]


_OUTPUTS: dict[str, str] = {}


def _words(button: dict[str, Any]) -> tuple[str, ...]:
    return ("case", button["action"], button["case"], "--by", "Dora")
