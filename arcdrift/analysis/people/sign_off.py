"""Ready for production? A sequential test on a newcomer's practice splices.

Three tests run side by side, on loss, on cleave angle and on being redone. "Ready" needs all
three; one that turns out poor is enough for "not yet".
"""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from arcdrift.charts.sequential import Answer, SequentialTest, outcome_probabilities
from arcdrift.settings import SignOff

Verdict = Literal["ready", "not yet", "keep practicing", "trainer decides"]
MEASURES = ("loss", "angle", "redo")
CURVE = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)
"""Points of the operating characteristic: from good to poor, 0 to 1, and beyond."""


@dataclass(frozen=True)
class MeasureResult:
    """One measure of a sign-off: its answer so far, and what it rests on."""

    measure: str
    answer: Answer
    splices: int
    bad: int
    good_share: float
    poor_share: float
    limit: float | None
    more: int | None
    """Splices still expected until an answer, for someone who is ready; None once there is one."""


@dataclass(frozen=True)
class Attempt:
    """One attempt at a sign-off.

    Attributes
    ----------
    verdict : str
        ``ready``, ``not yet``, ``keep practicing`` or ``trainer decides`` (the most splices were
        made without an answer).
    attempt : int
        1 for the first; a new one begins with the day after a "not yet".
    more : int
        Splices still expected, 0 once there is an answer.
    """

    technician: str
    attempt: int
    verdict: Verdict
    began: pd.Timestamp
    ended: pd.Timestamp
    splices: int
    more: int
    measures: tuple[MeasureResult, ...]


def measure_tests(settings: SignOff) -> dict[str, SequentialTest]:
    """The three tests; the chance of turning a ready person away is shared among them."""
    return {
        measure: SequentialTest(
            getattr(settings, f"{measure}_good"),
            getattr(settings, f"{measure}_poor"),
            settings.turned_away / len(MEASURES),
            settings.passed_wrongly,
            settings.most_splices,
        )
        for measure in MEASURES
    }


def sign_offs(practice: pd.DataFrame, settings: SignOff) -> list[Attempt]:
    """Every attempt of every technician who practiced.

    Parameters
    ----------
    practice : DataFrame
        From `arcdrift.analysis.people.cleave_runs.practice_splices`, all splicers together.
    """
    found: list[Attempt] = []
    for name, mine in practice.groupby("technician"):
        left = mine.sort_values("at", kind="stable", ignore_index=True)
        number = 0
        while len(left):
            number += 1
            attempt, used = _attempt(str(name), number, left, settings)
            found.append(attempt)
            if attempt.verdict != "not yet":
                break
            # what is made later on the day of a "not yet" belongs to it
            day = left["at"].dt.floor("D")
            left = left[day > day.iloc[used - 1]].reset_index(drop=True)
    return found


def _attempt(
    name: str, number: int, practice: pd.DataFrame, settings: SignOff
) -> tuple[Attempt, int]:
    """The attempt that begins with the first splice, and the splices it used."""
    tests = measure_tests(settings)
    series = _bad(practice, settings)
    answers = {m: (*tests[m].answer(series[m][1]), series[m]) for m in MEASURES}
    # position in the log at which each measure was decided
    ends = {m: int(rows[at - 1]) + 1 if answer != "open" and at else None
            for m, (answer, at, (rows, _)) in answers.items()}  # fmt: skip
    poor = [end for m, end in ends.items() if answers[m][0] == "poor" and end is not None]
    used = min(poor) if poor else len(practice)
    verdict: Verdict
    if poor:
        verdict = "not yet"
    elif all(answers[m][0] == "good" for m in MEASURES):
        verdict, used = "ready", max(end for end in ends.values() if end is not None)
    elif len(practice) >= settings.most_splices:
        verdict = "trainer decides"
    else:
        verdict = "keep practicing"
    measures = tuple(
        _result(m, answers[m][0], answers[m][2], tests[m], settings, used) for m in MEASURES
    )
    more = max((one.more or 0 for one in measures), default=0)
    return (
        Attempt(
            name, number, verdict, practice["at"].iloc[0], practice["at"].iloc[used - 1], used,
            more if verdict == "keep practicing" else 0, measures,
        ),
        used,
    )  # fmt: skip


def _bad(practice: pd.DataFrame, settings: SignOff) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Rows with a figure, and whether each is bad, by measure; a failed splice has a bad loss."""
    loss, angle = practice["loss_db"].to_numpy(float), practice["angle_deg"].to_numpy(float)
    failed = (practice["outcome"] == "error").to_numpy()
    redone = (practice["outcome"] == "redo").to_numpy()
    rows = {
        "loss": np.flatnonzero(np.isfinite(loss) | failed),
        "angle": np.flatnonzero(np.isfinite(angle)),
        "redo": np.arange(len(practice)),
    }
    with np.errstate(invalid="ignore"):
        bad = {
            "loss": (loss > settings.loss_db) | failed,
            "angle": angle > settings.angle_deg,
            "redo": redone | failed,
        }
    return {m: (rows[m], bad[m][rows[m]]) for m in MEASURES}


def _result(
    measure: str, answer: Answer, series: tuple[np.ndarray, np.ndarray], test: SequentialTest,
    settings: SignOff, used: int,
) -> MeasureResult:  # fmt: skip
    rows, bad = series
    seen = int((rows < used).sum())
    count = int(bad[:seen].sum())
    more = None
    if answer == "open":
        more = round(outcome_probabilities(test, test.good, count, seen).items)
    limit = {"loss": settings.loss_db, "angle": settings.angle_deg}.get(measure)
    return MeasureResult(measure, answer, seen, count, test.good, test.poor, limit, more)


def promises(settings: SignOff) -> list[dict[str, Any]]:
    """What each test promises: chance of passing and expected splices by true share of bad ones.

    Returns
    -------
    list of dict
        ``measure``, ``share``, ``pass``, ``fail``, ``undecided``, ``splices``: exact.
    """
    rows = []
    for measure, test in measure_tests(settings).items():
        for part in CURVE:
            share = min(test.good + part * (test.poor - test.good), 0.999)
            told = outcome_probabilities(test, share)
            rows.append(
                {
                    "measure": measure, "share": share, "pass": told.good, "fail": told.poor,
                    "undecided": told.open, "splices": told.items,
                }
            )  # fmt: skip
    return rows
