"""Sign-off of a newcomer for production by sequential tests on practice splices.

Three tests run side by side, on loss, on cleave angle and on redone splices. "Ready" needs all
three; one poor result is enough for "not yet".
"""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from arcdrift.charts.sequential import (
    Answer,
    SequentialTest,
    outcome_curve,
    outcome_probabilities,
)
from arcdrift.settings import SignOff

Verdict = Literal["ready", "not yet", "keep practicing", "trainer decides"]
MEASURES = ("loss", "angle", "redo")
CURVE = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)
"""Points of the operating characteristic: 0 is the good share, 1 the poor one."""


@dataclass(frozen=True)
class MeasureResult:
    """Answer of one measure's test so far, and the splices it is based on."""

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
        1 for the first; a new one begins on the day after a "not yet".
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
    """Return the three tests; they share the probability of turning a ready person away."""
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
    """Evaluate every attempt of every technician who made practice splices.

    Parameters
    ----------
    practice : DataFrame
        From `arcdrift.analysis.people.cleave_runs.practice_splices`, all splicers together.
    """
    attempts: list[Attempt] = []
    for name, own_splices in practice.groupby("technician"):
        remaining = own_splices.sort_values("at", kind="stable", ignore_index=True)
        number = 0
        while len(remaining):
            number += 1
            attempt, used = _attempt(str(name), number, remaining, settings)
            attempts.append(attempt)
            if attempt.verdict != "not yet":
                break
            # later splices of the day of a "not yet" belong to that attempt
            day = remaining["at"].dt.floor("D")
            remaining = remaining[day > day.iloc[used - 1]].reset_index(drop=True)
    return attempts


def _attempt(
    name: str, number: int, practice: pd.DataFrame, settings: SignOff
) -> tuple[Attempt, int]:
    """Evaluate the attempt that begins with the first splice; return it and the splices used."""
    tests = measure_tests(settings)
    series = _bad(practice, settings)
    answers = {m: (*tests[m].answer(series[m][1]), series[m]) for m in MEASURES}
    # position in the log at which each measure was decided
    ends = {m: int(rows[decided_after - 1]) + 1 if answer != "open" and decided_after else None
            for m, (answer, decided_after, (rows, _)) in answers.items()}  # fmt: skip
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
    more = max((result.more or 0 for result in measures), default=0)
    return (
        Attempt(
            name, number, verdict, practice["at"].iloc[0], practice["at"].iloc[used - 1], used,
            more if verdict == "keep practicing" else 0, measures,
        ),
        used,
    )  # fmt: skip


def _bad(practice: pd.DataFrame, settings: SignOff) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Return, for each measure, the rows that have a value and whether each is bad.

    A failed splice counts as a bad loss.
    """
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
    """Work out the chance of passing and the expected splices by the true share of bad ones.

    Returns
    -------
    list of dict
        ``measure``, ``share``, ``pass``, ``fail``, ``undecided``, ``splices``: exact.
    """
    rows = []
    for measure, test in measure_tests(settings).items():
        shares = [min(test.good + part * (test.poor - test.good), 0.999) for part in CURVE]
        for share, outcome in zip(shares, outcome_curve(test, shares), strict=True):
            rows.append(
                {
                    "measure": measure, "share": share, "pass": outcome.good, "fail": outcome.poor,
                    "undecided": outcome.open, "splices": outcome.items,
                }
            )  # fmt: skip
    return rows
