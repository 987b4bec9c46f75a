"""What a pattern of errors points to: a splicer, a person, a blade, a site. Hints, never proof.

Errors of one class are compared within the same hands (for a machine or a site) or on the same
machines (for a person), and a hint needs evidence from at least two of these. Where hands and
machine were never apart, that is said instead.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.attempt_cells import (
    KEYS,
    NO_POSITION,
    NO_SITE,
    NOT_SAID,
)
from arcdrift.analysis.attempts.error_dispersion import Dispersion, expected_errors
from arcdrift.analysis.common.grouping import group_index, match_rows
from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NOBODY
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.beta_binomial import upper_tail
from arcdrift.charts.stratified_contrast import stratified_contrast

WINDOW_DAYS = 91
"""Days looked at: a quarter."""
RECENT_DAYS = 28
"""Days in which it must still show: what was mended before is no hint any more."""
MARGIN = 1.5
"""A hint needs clearly more than this many times the errors of the others, as people and machines
differ without any fault (common practice, no source)."""
FALSE_HINTS = 0.05
"""False hints in a quarter of a healthy crew, at most; shared by all comparisons (Bonferroni)."""
FEWEST_ERRORS = 5
"""Errors of a class from which a pattern is told."""
SEPARATED = 0.01
"""Largest p-value within the same hands (on the same machines) of what is pointed to."""
CONFIRMED = 0.05
"""Largest p-value without the person or machine that tells most."""
POINTS_TO, NOT_SEPARABLE = "points to", "not separable"
GROUPS = {
    "position": ("fiber_position",),
    "cleave": ("cleave_angle", "cleave_shape"),
    "dirt": ("fiber_not_seen",),
    "alignment": ("alignment",),
    "arc": ("arc",),
}
"""Classes of reasons that have the same causes (common practice, no source)."""
UNNAMED = (NOBODY, NO_CLEAVER, NO_POSITION, NO_SITE)
COLUMNS = [
    "kind", "subject_type", "subject", "detail", "verdict", "errors", "attempts", "expected",
    "ratio", "low", "high", "evidence", "apart_type", "apart_from", "since", "until",
]  # fmt: skip


@dataclass(frozen=True)
class Comparison:
    """A kind of subject compared with others of its kind in one group of classes.

    Attributes
    ----------
    kind : str
        A key of `GROUPS`.
    subject_type : str
    subject : tuple of str
        Columns that name a subject.
    within : tuple of str
        Columns that are the same where subjects are compared, so that they explain nothing.
    roughly : tuple of str
        The same for a first comparison, which may still be explained by hands or machines.
    evidence : str
        Column of which a hint needs at least two.
    """

    kind: str
    subject_type: str
    subject: tuple[str, ...]
    within: tuple[str, ...]
    roughly: tuple[str, ...]
    evidence: str


_ON_SPLICER = (("technician", "program"), ("program",), "technician")
COMPARISONS = (
    Comparison("position", "splicer", ("splicer",), *_ON_SPLICER),
    Comparison(
        "position", "technician", ("technician",), ("splicer", "program", "holding"),
        ("program",), "splicer",
    ),
    Comparison(
        "cleave", "blade", ("cleaver", "blade_position"), ("cleaver", "technician"),
        ("cleaver",), "technician",
    ),
    Comparison("cleave", "cleaver", ("cleaver",), ("technician",), (), "technician"),
    Comparison("cleave", "technician", ("technician",), ("cutter",), (), "cutter"),
    Comparison("dirt", "site", ("site",), ("technician",), (), "technician"),
    Comparison("alignment", "splicer", ("splicer",), *_ON_SPLICER),
    Comparison("arc", "splicer", ("splicer",), *_ON_SPLICER),
)  # fmt: skip
SITE_DAY = "site-day"
TYPE_OF_COLUMN = {"technician": "technician", "splicer": "splicer", "cutter": "cleaver",
                  "holding": "holding"}  # fmt: skip


def window_of(rows: pd.DataFrame, now: pd.Timestamp, days: int = WINDOW_DAYS) -> pd.DataFrame:
    """Rows of the last days, by their column ``day``."""
    if rows.empty:
        return rows
    since = now.tz_localize(None).normalize() - pd.Timedelta(days=days)
    return rows[rows["day"] > since].reset_index(drop=True)


def error_counts(cells: pd.DataFrame, errors: pd.DataFrame) -> dict[str, Floats]:
    """Errors of each group of classes in each cell, shape (cells,)."""
    row = match_rows(errors, cells, KEYS) if len(errors) else np.zeros(0, np.int64)
    classes = errors["class"].to_numpy() if len(errors) else np.zeros(0, object)
    return {
        kind: np.bincount(row[np.isin(classes, names)], minlength=len(cells)).astype(np.float64)
        for kind, names in GROUPS.items()
    }


def error_hints(cells: pd.DataFrame, errors: pd.DataFrame, now: pd.Timestamp) -> pd.DataFrame:
    """Find what errors point to.

    Parameters
    ----------
    cells, errors : DataFrame
        From `arcdrift.analysis.attempts.attempt_cells.attempt_cells`, every splicer.
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
    allows for good and bad days and weeks (`arcdrift.analysis.attempts.error_dispersion`).

    A subject must first have more than `MARGIN` times the errors of the others, at the level of
    `FALSE_HINTS` divided by the number of comparisons; then it is compared within the same hands
    (on the same machines), where it needs a p-value of `SEPARATED` and evidence from two people
    (machines), which holds without the one that tells most.
    """
    cells, errors = window_of(cells, now), window_of(errors, now)
    if cells.empty or errors.empty:
        return pd.DataFrame(columns=COLUMNS)
    no_cleaver = (cells["cleaver"] == NO_CLEAVER).to_numpy()
    cutter = np.where(no_cleaver, cells["splicer"], cells["cleaver"])
    cells = cells.assign(cutter=cutter.astype(str))
    counts = error_counts(cells, errors)
    recent = (cells["day"] > now.tz_localize(None).normalize() - pd.Timedelta(days=RECENT_DAYS)
              ).to_numpy()  # fmt: skip
    expected = {kind: expected_errors(cells, count) for kind, count in counts.items()}
    prepared = [
        _Compared(comparison, cells, counts[comparison.kind], expected[comparison.kind], recent)
        for comparison in COMPARISONS
        if counts[comparison.kind].sum() >= FEWEST_ERRORS
    ]
    site_days = _SiteDays(cells, counts["dirt"], expected["dirt"], recent)
    tests = sum(compared.subjects for compared in prepared) + site_days.days
    level = FALSE_HINTS / max(tests, 1)
    rows = [row for compared in prepared for row in compared.hints(level, errors)]
    rows += site_days.hints(level, errors)
    return pd.DataFrame(_without_twins(rows), columns=COLUMNS)


def _without_twins(rows: Sequence[dict[str, object]]) -> list[dict[str, object]]:
    """Leave out people who cannot be told apart from a machine that is listed itself."""
    machines = {
        (row["kind"], row["subject"]) for row in rows if row["subject_type"] != "technician"
    }
    return [
        row
        for row in rows
        if row["subject_type"] != "technician"
        or row["verdict"] != NOT_SEPARABLE
        or (row["kind"], row["apart_from"]) not in machines
    ]


class _Compared:
    """The subjects of one comparison, with what was counted of each."""

    def __init__(
        self, comparison: Comparison, cells: pd.DataFrame, x: Floats, m: Floats, recent: Bools
    ) -> None:
        named = ~cells[list(comparison.subject)].isin(UNNAMED).any(axis=1).to_numpy()
        self.cells = cells[named].reset_index(drop=True)
        self.comparison, self.x, self.m = comparison, x[named], m[named]
        self.recent, self.n = recent[named], self.cells["attempts"].to_numpy(dtype=np.float64)
        self.subjects = 0
        if len(self.cells):
            keys = (self.cells[name] for name in comparison.subject)
            self.subject, self.first = group_index(*keys)
            # only what is still in use can still be at fault
            in_use = np.bincount(self.subject, self.recent) > 0
            self.tested = np.flatnonzero(in_use)
            self.subjects = int(in_use.sum())

    def hints(self, level: float, errors: pd.DataFrame) -> list[dict[str, object]]:
        """Rows of what the subjects' errors point to, each tested at a level."""
        if not self.subjects or len(self.first) < 2:
            return []
        comparison = self.comparison
        observed = np.bincount(self.subject, self.x)
        spread = Dispersion(self.subject, self.cells["day"], self.x, self.m)
        anonymous = self.cells[comparison.evidence].isin(UNNAMED).to_numpy()
        fair = _Shares(self, comparison.within, ~anonymous)
        rough = _Shares(self, comparison.roughly, np.ones(len(self.x), dtype=bool))
        rows = []
        for number in self.tested[observed[self.tested] >= FEWEST_ERRORS]:
            phi = spread.of_subject(int(number))
            if rough.p_value(int(number), MARGIN, phi) > level or not rough.still_shows(number):
                continue
            if fair.p_value(int(number), 1.0, phi) <= SEPARATED:
                row = self._pointed_to(int(number), fair, phi)
            else:
                row = self._not_separable(int(number), fair, rough)
            if row is not None:
                rows.append(self._named(int(number), errors) | row)
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

    def _pointed_to(self, number: int, fair: "_Shares", phi: float) -> dict[str, object] | None:
        """Hint at a subject, if several people (machines) show it and it is not over yet."""
        seen = fair.evidence(number)
        if seen.confirming < 2:
            return self._one_only(number, seen)
        rest = upper_tail(
            float(np.rint(seen.rest[0])), float(np.rint(seen.rest[1])), seen.rest[2], phi
        )
        if rest > CONFIRMED or not fair.still_shows(number):
            return None
        return {
            "verdict": POINTS_TO, **fair.ratio(number), "evidence": seen.confirming,
            "apart_type": "", "apart_from": "",
        }  # fmt: skip

    def _one_only(self, number: int, seen: "_Evidence") -> dict[str, object]:
        """Nobody else's work shows it: told as not separable from the one who shows it."""
        column = self.comparison.evidence
        return {
            "verdict": NOT_SEPARABLE, "expected": np.nan, "ratio": np.nan, "low": np.nan,
            "high": np.nan, "evidence": seen.confirming, "apart_type": TYPE_OF_COLUMN[column],
            "apart_from": seen.strongest,
        }  # fmt: skip

    def _not_separable(
        self, number: int, fair: "_Shares", rough: "_Shares"
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
            if shares.max() >= 0.9 and shares.idxmax() != NOT_SAID:
                column, apart = "holding", str(shares.idxmax())
        return {
            "verdict": NOT_SEPARABLE, **crude, "evidence": len(attempts),
            "apart_type": TYPE_OF_COLUMN[column], "apart_from": apart,
        }  # fmt: skip


@dataclass(frozen=True)
class _Evidence:
    """In whose work a subject's errors show.

    Attributes
    ----------
    confirming : int
        People (machines) with more errors than expected.
    strongest : str
        The one with the largest excess.
    rest : (float, float, float)
        Errors of the subject without that one, errors of the same strata, and expected share.
    """

    confirming: int
    strongest: str
    rest: tuple[float, float, float]


class _Shares:
    """Each subject's errors among those of its strata."""

    def __init__(self, compared: _Compared, within: Sequence[str], used: Bools) -> None:
        self._compared, self._used = compared, used
        cells = compared.cells[used]
        self._subject = compared.subject[used]
        size = len(cells)
        columns = [cells[name] for name in within] or [np.zeros(size, np.int64)]
        self._stratum, _ = group_index(*columns) if size else (np.zeros(0, np.int64), None)
        pair, first = group_index(self._subject, self._stratum) if size else (self._stratum,) * 2
        n, x = compared.n[used], compared.x[used]
        self._of_cell = pair
        own_n, own_x = np.bincount(pair, n), np.bincount(pair, x)
        at = self._stratum[first] if size else first
        self._who = self._subject[first] if size else first
        self._trials = np.bincount(self._stratum, x)[at] if size else own_x
        self._n, self._x = own_n, own_x
        self._others_n = (np.bincount(self._stratum, n)[at] if size else own_n) - own_n
        # strata without others say nothing
        self._informative = (self._others_n > 0) & (self._trials > 0)

    def _share(self, margin: float) -> Floats:
        weighted = margin * self._n
        return np.asarray(weighted / np.maximum(weighted + self._others_n, 1e-12))

    def p_value(self, number: int, margin: float, dispersion: float) -> float:
        """Probability of as many errors if the subject had `margin` times the others' rate."""
        pairs = np.flatnonzero((self._who == number) & self._informative)
        if not len(pairs):
            return 1.0
        trials, share = self._trials[pairs], self._share(margin)[pairs]
        total, expected = trials.sum(), (trials * share).sum()
        variance = (trials * share * (1.0 - share)).sum()
        mean = float(expected / total)
        widened = dispersion * variance / max(total * mean * (1.0 - mean), 1e-12)
        return upper_tail(float(self._x[pairs].sum()), float(total), mean, max(widened, 1.0))

    def ratio(self, number: int) -> dict[str, object]:
        """Errors expected of the subject, and its rate as a multiple of the others'."""
        strata = np.isin(self._stratum, self._stratum[self._subject == number])
        compared = self._compared
        n, x = compared.n[self._used][strata], compared.x[self._used][strata]
        day, _ = (
            group_index(compared.cells["day"][self._used][strata]) if len(n) else (self._stratum, 0)
        )
        contrast = stratified_contrast(
            self._subject[strata] == number, x, n, self._stratum[strata], day, "ratio"
        )
        pairs = (self._who == number) & (self._others_n > 0)
        rate = (self._trials - self._x)[pairs] / self._others_n[pairs]
        return {
            "expected": float((self._n[pairs] * rate).sum()) if pairs.any() else np.nan,
            "ratio": contrast.estimate, "low": contrast.low, "high": contrast.high,
        }  # fmt: skip

    def still_shows(self, number: int) -> bool:
        """Whether errors are still above those of the others in the last `RECENT_DAYS`."""
        compared = self._compared
        recent = compared.recent[self._used] & (self._subject == number)
        if not recent.any():
            return False
        pair = self._of_cell[recent]
        known = self._others_n[pair] > 0
        rate = (self._trials - self._x)[pair] / np.maximum(self._others_n[pair], 1.0)
        expected = float((compared.n[self._used][recent] * rate)[known].sum())
        return float(compared.x[self._used][recent][known].sum()) > expected

    def evidence(self, number: int) -> _Evidence:
        """In whose work the subject's errors show, by person (or machine, for a person)."""
        compared = self._compared
        where = self._subject == number
        names = compared.cells[compared.comparison.evidence][self._used][where]
        partner, first = group_index(names)
        pairs, at = np.unique(self._of_cell[where], return_index=True)
        told = self._informative[pairs]
        pairs, owner = pairs[told], partner[at][told]  # a stratum belongs to one of them
        share = self._share(1.0)[pairs]
        size = len(first)
        observed, trials, expected = (
            np.bincount(owner, values, minlength=size)
            for values in (self._x[pairs], self._trials[pairs], self._trials[pairs] * share)
        )
        excess = observed - expected
        confirming = int(((excess > 0) & (observed >= 2)).sum())
        top = int(np.argmax(excess))
        total = float(trials.sum() - trials[top])
        return _Evidence(
            confirming,
            str(names.iloc[first[top]]),
            (
                float(observed.sum() - observed[top]),
                total,
                float((expected.sum() - expected[top]) / total) if total > 0 else 1.0,
            ),
        )


class _SiteDays:
    """Dirt by site and day of the last weeks."""

    def __init__(self, cells: pd.DataFrame, x: Floats, m: Floats, recent: Bools) -> None:
        used = recent & (cells["site"] != NO_SITE).to_numpy()
        self._cells, self._x, self._m = cells[used].reset_index(drop=True), x[used], m[used]
        self.days = 0
        if len(self._cells):
            self._code, self._first = group_index(self._cells["site"], self._cells["day"])
            self.days = len(self._first)

    def hints(self, level: float, errors: pd.DataFrame) -> list[dict[str, object]]:
        """Days at a site with many more errors from dirt than expected of the people there."""
        if not self.days or self._x.sum() < FEWEST_ERRORS:
            return []
        count = np.bincount(self._code, self._x)
        spread = Dispersion(self._code, self._cells["day"], self._x, self._m)
        rows = []
        for number in np.flatnonzero(count >= FEWEST_ERRORS):
            mean = float(self._m[self._code == number].sum())
            if spread.day_tail(int(number), float(count[number]), MARGIN * mean) > level:
                continue
            rows.append(self._row(int(number), mean, errors))
        return rows

    def _row(self, number: int, mean: float, errors: pd.DataFrame) -> dict[str, object]:
        where = self._code == number
        site, day = (self._cells[name].iloc[self._first[number]] for name in ("site", "day"))
        hands = pd.Series(self._x[where]).groupby(
            self._cells.loc[where, "technician"].to_numpy()
        )
        people = hands.sum()
        showing = people[(people > 0) & ~people.index.isin(UNNAMED)]
        at = errors.loc[
            errors["class"].isin(GROUPS["dirt"]) & (errors["site"] == site) & (errors["day"] == day),
            "spliced_at",
        ]  # fmt: skip
        seen = float(self._x[where].sum())
        return {
            "kind": "dirt", "subject_type": SITE_DAY, "subject": str(site),
            "detail": f"{day:%Y-%m-%d}",
            "verdict": POINTS_TO if len(showing) > 1 else NOT_SEPARABLE,
            "errors": int(seen), "attempts": int(self._cells.loc[where, "attempts"].sum()),
            "expected": mean, "ratio": seen / mean, "low": np.nan, "high": np.nan,
            "evidence": len(showing), "apart_type": "technician" if len(showing) == 1 else "",
            "apart_from": str(showing.index[0]) if len(showing) == 1 else "",
            "since": at.min(), "until": at.max(),
        }  # fmt: skip


def hinted_errors(errors: pd.DataFrame, kind: str, subject_type: str, subject: str,
                  detail: str = "") -> pd.DataFrame:  # fmt: skip
    """Errors behind a hint, the newest first.

    Parameters
    ----------
    errors : DataFrame
        Rows of ``result_error_splices``, with the names that the hint has.
    """
    chosen = errors["class"].isin(GROUPS[kind])
    column = {"blade": "cleaver", SITE_DAY: "site"}.get(subject_type, subject_type)
    chosen &= errors[column] == subject
    if detail:
        chosen &= errors["blade_position" if subject_type == "blade" else "day"] == detail
    return errors[chosen].sort_values("spliced_at", ascending=False, ignore_index=True)

