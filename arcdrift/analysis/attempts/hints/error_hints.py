"""What a pattern of errors points to: a splicer, a person, a blade, a site. Hints, never proof.

Errors of one class are compared within the same hands (for a machine or a site) or on the same
machines (for a person), and a hint needs evidence from at least two of these. Where hands and
machine were never apart, that is said instead.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.attempt_cells import BLADE_KEYS, KEYS
from arcdrift.analysis.attempts.hints.comparisons import (
    COMPARISONS,
    FEWEST_ERRORS,
    GROUPS,
    NOT_SEPARABLE,
    POINTS_TO,
    SUBJECT_SD,
    TYPE_OF_COLUMN,
    UNNAMED,
    Attempts,
    Comparison,
    in_window,
)
from arcdrift.analysis.attempts.hints.error_dispersion import Dispersion
from arcdrift.analysis.attempts.hints.site_days import SiteDays
from arcdrift.analysis.attempts.hints.subject_shares import Evidence, SubjectCounts, SubjectShares
from arcdrift.analysis.loss.technician_days import NO_HOLDING
from arcdrift.charts.beta_binomial import upper_tail

LEVEL = 0.05
"""Of the first comparison, shared by all subjects and classes."""
SEPARATED = 0.01
"""Largest p-value within the same hands (on the same machines) of what is pointed to."""
CONFIRMED = 0.05
"""Largest p-value without the person or machine that tells most."""
COLUMNS = [
    "kind", "subject_type", "subject", "detail", "verdict", "errors", "attempts", "expected",
    "ratio", "low", "high", "evidence", "apart_type", "apart_from", "since", "until",
]  # fmt: skip


def error_hints(
    cells: pd.DataFrame, blades: pd.DataFrame, errors: pd.DataFrame, now: pd.Timestamp
) -> pd.DataFrame:
    """Find what errors point to.

    Parameters
    ----------
    cells : DataFrame
        Production splices by technician and day, of every splicer
        (`arcdrift.analysis.loss.technician_days.aggregate_technician_days`).
    blades, errors : DataFrame
        From `arcdrift.analysis.attempts.attempt_cells`, of every splicer.
    now : Timestamp
        UTC.

    Returns
    -------
    DataFrame
        `COLUMNS`. ``detail`` is the position of a blade, or the day of a site; ``verdict`` is
        `POINTS_TO`, or `NOT_SEPARABLE` with what could not be told apart (``apart_type``,
        ``apart_from``; of several or none, no name). ``expected`` errors are those of the same
        hands elsewhere (of others on the same machines for a person), ``ratio`` with its 95 %
        interval compares with these; ``evidence`` counts the people (machines) in whose work it
        shows. Of pairs that cannot be told apart the machine is listed.

    Notes
    -----
    With the errors of a stratum given, those of a subject are binomial with the subject's share of
    the attempts. Sums over strata are compared with a beta-binomial distribution whose variance
    allows for good and bad days and weeks (`arcdrift.analysis.attempts.hints.error_dispersion`).

    A subject must first have more errors than people and machines differ by anyway
    (`arcdrift.analysis.attempts.hints.comparisons.SUBJECT_SD`), at the level `LEVEL` divided by the
    number of all comparisons (Bonferroni). Then it is compared within the same hands
    (on the same machines), where it needs a p-value of `SEPARATED` and evidence from two people
    (machines), which holds without the one that tells most; for the position of a blade errors on
    three days are enough, since the same hands had others at other positions. Both together keep
    false hints to at most one in twenty quarters of a healthy crew
    (`tests/recovery/hint_study.py`).
    """
    cells, blades, errors = (in_window(rows, now) for rows in (cells, blades, errors))
    if cells.empty or errors.empty:
        return pd.DataFrame(columns=COLUMNS)
    attempts = Attempts.of(cells, errors, KEYS, now)
    logs = dict.fromkeys(COMPARISONS, attempts)
    if len(blades):
        by_blade = Attempts.of(blades, errors, BLADE_KEYS, now)
        logs |= {each: by_blade for each in COMPARISONS if each.subject_type == "blade"}
    in_play = [
        each
        for each, log in logs.items()
        if log.counts[each.kind].sum() >= FEWEST_ERRORS and set(each.subject) <= set(log.cells)
    ]
    site_days = SiteDays(attempts)
    tests = sum(_Compared(each, logs[each], []).subjects for each in in_play)
    level = LEVEL / max(tests + site_days.days, 1)
    rows: list[dict[str, object]] = []
    for kind in GROUPS:
        of_kind = {each: logs[each] for each in in_play if each.kind == kind}
        rows += _hints_of_kind(of_kind, level, errors)
    rows += site_days.hints(level, errors)
    return pd.DataFrame(_without_twins(rows), columns=COLUMNS)


def _hints_of_kind(
    logs: Mapping[Comparison, Attempts], level: float, errors: pd.DataFrame
) -> list[dict[str, object]]:
    """Hints of one kind, the strongest first; each is judged without the work of the former.

    Otherwise a bad splicer would seem to be the fault of who works on it most.
    """
    named: list[dict[str, object]] = []
    apart: list[dict[str, str]] = []
    while True:
        found = [
            (row, each)
            for each, log in logs.items()
            for row in _Compared(each, log, apart).hints(level, errors)
        ]
        strongest = min(
            (pair for pair in found if pair[0]["verdict"] == POINTS_TO),
            key=lambda pair: float(str(pair[0]["p"])),
            default=None,
        )
        if strongest is None:
            return [*named, *(row for row, _ in found)]
        row, comparison = strongest
        named.append(row)
        names = (str(row["subject"]), str(row["detail"]))
        apart.append(dict(zip(comparison.subject, names, strict=False)))


def _without_twins(rows: Sequence[dict[str, object]]) -> list[dict[str, object]]:
    """Leave out people who cannot be told apart from a machine that is listed itself.

    And cleavers of which one position is listed.
    """
    machines = {
        (row["kind"], row["subject"]) for row in rows if row["subject_type"] != "technician"
    }
    blades = {row["subject"] for row in rows if row["subject_type"] == "blade"}

    def is_twin(row: dict[str, object]) -> bool:
        if row["subject_type"] == "cleaver":
            return row["subject"] in blades
        apart = row["subject_type"] == "technician" and row["verdict"] == NOT_SEPARABLE
        return apart and (row["kind"], row["apart_from"]) in machines

    return [row for row in rows if not is_twin(row)]


class _Compared(SubjectCounts):
    """The subjects of one comparison, with what their errors point to."""

    def hints(self, level: float, errors: pd.DataFrame) -> list[dict[str, object]]:
        """Rows of what the subjects' errors point to, each tested at a level."""
        if not self.subjects or len(self.first) < 2:
            return []
        comparison = self.comparison
        observed = np.bincount(self.subject, self.x)
        spread = Dispersion(self.subject, self.cells["day"], self.x, self.m)
        anonymous = self.cells[comparison.evidence].isin(UNNAMED).to_numpy()
        fair = SubjectShares(self, comparison.within, ~anonymous)
        rough = SubjectShares(self, comparison.roughly, np.ones(len(self.x), dtype=bool))
        rows, dispersion = [], spread.of_subjects()
        for number in self.tested[observed[self.tested] >= FEWEST_ERRORS]:
            phi = float(dispersion[number])
            if rough.p_value(int(number), phi, SUBJECT_SD) > level:
                continue
            if not rough.still_shows(int(number)):
                continue
            if (p := fair.p_value(int(number), phi)) <= SEPARATED:
                row = self._pointed_to(int(number), fair, phi)
            else:
                row = self._not_separable(int(number), fair, rough)
            if row is not None:
                rows.append(self._named(int(number), errors) | row | {"p": p})
        return rows

    def _named(self, number: int, errors: pd.DataFrame) -> dict[str, object]:
        comparison, where = self.comparison, self.subject == number
        names = [str(self.cells[name].iloc[self.first[number]]) for name in comparison.subject]
        of_kind = errors["class"].isin(GROUPS[comparison.kind])
        for name, value in zip(comparison.subject, names, strict=True):
            of_kind &= errors[name] == value
        at = errors.loc[of_kind, "spliced_at"]
        return {
            "kind": comparison.kind, "subject_type": comparison.subject_type, "subject": names[0],
            "detail": names[1] if len(names) > 1 else "",
            "errors": int(self.x[where].sum()), "attempts": int(self.n[where].sum()),
            "since": at.min(), "until": at.max(),
        }  # fmt: skip

    def _pointed_to(self, number: int, fair: SubjectShares, phi: float) -> dict[str, object] | None:
        """Hint at a subject, if several people (machines) show it and it is not over yet."""
        seen = fair.evidence(number)
        failing = self.cells["day"][(self.subject == number) & (self.x > 0)].nunique()
        on_days = 0 < self.comparison.fewest_days <= failing
        if seen.confirming < 2 and not on_days:
            return self._one_only(number, seen)
        rest = upper_tail(
            float(np.rint(seen.rest[0])), float(np.rint(seen.rest[1])), seen.rest[2], phi
        )
        if (rest > CONFIRMED and not on_days) or not fair.still_shows(number):
            return None
        return {
            "verdict": POINTS_TO, **fair.ratio(number), "evidence": seen.confirming,
            "apart_type": "", "apart_from": "",
        }  # fmt: skip

    def _one_only(self, number: int, seen: Evidence) -> dict[str, object]:
        """Nobody else's work shows it: told as not separable from the one who shows it."""
        column = self.comparison.evidence
        return {
            "verdict": NOT_SEPARABLE, "expected": np.nan, "ratio": np.nan, "low": np.nan,
            "high": np.nan, "evidence": seen.confirming, "apart_type": TYPE_OF_COLUMN[column],
            "apart_from": seen.strongest,
        }  # fmt: skip

    def _not_separable(
        self, number: int, fair: SubjectShares, rough: SubjectShares
    ) -> dict[str, object] | None:
        """What a subject that has many errors cannot be told apart from; None if it can."""
        compared, crude = fair.ratio(number), rough.ratio(number)
        low, high = float(str(compared["low"])), float(str(compared["high"]))
        if np.isfinite(high) and not low <= float(str(crude["ratio"])) <= high:
            return None  # told apart: hands or machines explain it
        where = self.subject == number
        column, apart = self.comparison.evidence, ""
        partners = self.cells.loc[where, column]
        attempts = pd.Series(self.n[where]).groupby(partners.to_numpy()).sum()
        attempts = attempts[~attempts.index.isin(UNNAMED)]
        if len(attempts) and attempts.max() >= 0.9 * self.n[where].sum():
            apart = str(attempts.idxmax())
        elif "holding" in self.comparison.within:
            used = pd.Series(self.n[where]).groupby(self.cells.loc[where, "holding"].to_numpy())
            shares = used.sum() / self.n[where].sum()
            if shares.max() >= 0.9 and shares.idxmax() != NO_HOLDING:
                column, apart = "holding", str(shares.idxmax())
        return {
            "verdict": NOT_SEPARABLE, **crude, "evidence": len(attempts),
            "apart_type": TYPE_OF_COLUMN[column], "apart_from": apart,
        }  # fmt: skip
