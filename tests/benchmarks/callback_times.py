"""The callbacks of pages, asked again as a browser asked them."""

import http.client
import json
import time
from collections.abc import Sequence
from typing import NamedTuple
from urllib.parse import urlsplit

import numpy as np

from tests.benchmarks.page_visits import CALLBACK

AS_A_BROWSER = {"Accept-Encoding": "gzip, deflate, br, zstd"}
"""Chromium asks for the same of this computer's own addresses."""


class Asked(NamedTuple):
    """One callback of a page: the address of the page, its body, and what it fills."""

    page: str
    body: str

    @property
    def output(self) -> str:
        """What the callback fills, in short."""
        parsed = json.loads(self.body)["output"]
        return str(parsed).strip(".").split("...")[0][:60]


class Answered(NamedTuple):
    """How long an answer took, and its size."""

    seconds: float
    bytes: int


def ask(address: str, asked: Sequence[Asked]) -> list[Answered]:
    """Ask callbacks one after the other.

    Raises
    ------
    RuntimeError
        When one of them is not answered with its content.
    """
    connection = http.client.HTTPConnection(urlsplit(address).netloc, timeout=120)
    headers = {"Content-Type": "application/json", "Origin": address, **AS_A_BROWSER}
    answers = []
    for one in asked:
        began = time.perf_counter()
        connection.request("POST", CALLBACK, one.body.encode(), headers)
        answer = connection.getresponse()
        content = answer.read()
        answers.append(Answered(time.perf_counter() - began, len(content)))
        if answer.status not in (200, 204):
            raise RuntimeError(f"{one.page} {one.output}: {answer.status} {content[:200]!r}")
    connection.close()
    return answers


class Times(NamedTuple):
    """Seconds of the callbacks of all pages in one state of the server: round, callback."""

    seconds: np.ndarray

    @classmethod
    def of(cls, rounds: Sequence[Sequence[Answered]]) -> "Times":
        """Return the times of some rounds of the same callbacks."""
        return cls(np.array([[one.seconds for one in each] for each in rounds]))

    def slowest_p95(self, which: np.ndarray) -> float:
        """Return the 95th percentile of the slowest of some callbacks."""
        return float(np.percentile(self.seconds[:, which], 95, axis=0).max())
