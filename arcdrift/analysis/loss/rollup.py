"""Stream days summed up for the splicer, the person, the site and the crew behind them.

A rolled-up day is relative to what its streams were expected to lose that day, so that a splicer
that worked more with a lossy program has not got worse by it.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import group_index, group_sums
from arcdrift.analysis.loss.day_level import without_effect
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Bools, Floats

SUBJECTS = ("splicer", "technician", "site", "crew")
SUBJECT = ("subject_type", "subject_id")
WHOLE_CREW = "crew"
SUMS = ["n", "capped", "capped_squares", "total", "made", "redo", "dirty"]
FEWEST_IN_SPREAD = 5
"""Splices below which a day says too little of its spread."""
SPREAD_SCATTER = 2.0
"""Variance of the squared relative spread of n capped splices, in units of its square / n.

Measured on gamma losses of shapes 0.7 to 2, capped and rounded as in the loss study; what the
crew's own days scatter beyond it, the chart learns as variance between days."""


def of_streams(days: pd.DataFrame) -> pd.DataFrame:
    """Stream days with their subject's type and id."""
    name = days["splicer"].astype(str) + " / " + days["program"].astype(str)
    return days.assign(subject_type="stream", subject_id=name)


def hand_cells(hands: pd.DataFrame) -> pd.DataFrame:
    """Cells by stream, technician and day.

    Parameters
    ----------
    hands : DataFrame
        From `arcdrift.analysis.loss.technician_days.hand_days`, all splicers together.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``technician``, ``site``, ``day``; ``n``, ``capped`` (dB) and
        ``capped_squares`` (dB2) of splices with a loss, ``total`` (the same as ``capped``),
        ``made``, ``redo`` and ``dirty`` counts.
    """
    keys = ["splicer", "program", "technician", "site", "day"]
    cells = hands.rename(columns={"squares": "capped_squares"}).assign(total=hands["capped"])
    return cells.groupby(keys, as_index=False, sort=True)[SUMS].sum()


def subjects_of(cells: pd.DataFrame) -> dict[str, pd.Series]:
    """Subject of each cell by subject type; missing where a type says nothing of its own.

    A splicer of one program, and the only splicer of a site, are left to their stream and their
    splicer; a crew at one site is the crew.
    """
    several = len(cells["site"].unique()) > 1
    whole = WHOLE_CREW if len(cells["splicer"].unique()) > 1 else None
    return {
        "splicer": cells["splicer"].where(_has_several(cells["splicer"], cells["program"])),
        "technician": cells["technician"].where(cells["technician"] != NOBODY),
        "site": cells["site"].where(_has_several(cells["site"], cells["splicer"]) & several),
        "crew": pd.Series(whole, index=cells.index, dtype=object),
    }


def _has_several(of: pd.Series, what: pd.Series) -> Bools:
    """Whether each row's value goes with more than one of another column's."""
    (code, names), (other, others) = pd.factorize(of), pd.factorize(what)
    pairs = np.unique(code * len(others) + other)
    count = np.bincount(pairs // max(len(others), 1), minlength=len(names))
    return np.asarray(count[code] > 1, dtype=bool)


def rows_a_day(days: pd.Series, subjects: dict[str, pd.Series] | None = None) -> pd.Series:
    """Rows that charts get on each day, in order of day.

    Parameters
    ----------
    days : Series
        Day of each row.
    subjects : dict of Series, optional
        From `subjects_of` the same rows: those of one subject and day then are one row.
    """
    told = [days]
    if subjects is not None:
        told = [
            pd.DataFrame({"day": days, "subject": subject}).dropna().drop_duplicates()["day"]
            for subject in subjects.values()
        ]
    counted: pd.Series = pd.concat(told).value_counts().sort_index()
    return counted


def rolled_days(cells: pd.DataFrame, stream_days: pd.DataFrame) -> pd.DataFrame:
    """Days of every subject, relative to what was expected of the same streams.

    Parameters
    ----------
    cells : DataFrame
        From `hand_cells`.
    stream_days : DataFrame
        Charted days (`arcdrift.analysis.loss.sequential_ewma.chart_losses` with ``shared``); those
        without an expectation are left out.

    Returns
    -------
    DataFrame
        ``subject_type``, ``subject_id``, ``day``, ``n``, ``capped``, ``capped_squares``,
        ``total``: of losses over the expected capped mean, so that 1 is as expected. What the
        day did to everybody is part of the expectation, but for the crew, and for the site only
        as far as the whole crew shared it.
    """
    columns = [*SUBJECT, "day", *SUMS[:4]]
    known = stream_days.dropna(subset=["expected_db"])
    known = known[["splicer", "program", "day", "expected_db", "crew_effect", "shared_effect"]]
    rows = cells[cells["n"] > 0].merge(known, on=["splicer", "program", "day"])
    if rows.empty:
        return pd.DataFrame(columns=columns)
    # the expectation with everybody's day in it, then taken out again where it is the question
    shared, crew = (rows[f"{name}_effect"].to_numpy(np.float64) for name in ("shared", "crew"))
    center = np.cbrt(without_effect(rows["expected_db"].to_numpy(dtype=np.float64), shared))
    parts = []
    for kind, subject in subjects_of(rows).items():
        effect = {"crew": 0.0, "site": crew}.get(kind, shared)
        expected = np.maximum(center * (1.0 + np.asarray(effect) / 3.0), 1e-3) ** 3
        capped = rows["capped"].to_numpy(dtype=np.float64) / expected
        squares = rows["capped_squares"].to_numpy(dtype=np.float64) / expected**2
        sums = {"capped": capped, "capped_squares": squares, "total": capped}
        parts.append(_by_day(kind, subject, rows, sums))
    return pd.concat(parts, ignore_index=True)[columns]


def _by_day(
    kind: str, subject: pd.Series, rows: pd.DataFrame, values: dict[str, Floats]
) -> pd.DataFrame:
    """Sums of rows by subject and day, for those that have one."""
    known = subject.notna().to_numpy()
    name, day = subject[known], rows.loc[known, "day"]
    cell, first = group_index(name, day)
    values = {"n": rows["n"].to_numpy(dtype=np.float64), **values}
    sums = group_sums(cell, {key: one[known] for key, one in values.items()}, counts=("n",))
    return sums.assign(subject_type=kind, subject_id=name.array[first], day=day.array[first])


def spread_days(stream_days: pd.DataFrame) -> pd.DataFrame:
    """Squared relative spread of each stream day's capped losses, as a chart of means reads it.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``segment``, ``day``, ``site``, ``n``; ``capped``,
        ``capped_squares`` and ``total`` stand for n values of mean (s/m)^2 and relative variance
        `SPREAD_SCATTER`. The cube root that the chart takes is Wilson and Hilferty's for a
        variance. Days of fewer than `FEWEST_IN_SPREAD` splices, or without a scatter, are left
        out; ``excluded`` and ``frozen`` are kept where there are such columns.
    """
    spread = relative_variance(stream_days)
    usable = np.isfinite(spread)
    names = ["splicer", "program", "segment", "day", "site", "n", "excluded", "frozen"]
    kept = stream_days.loc[usable, [name for name in names if name in stream_days.columns]]
    kept = kept.reset_index(drop=True)
    return kept.assign(**_as_values(kept["n"], spread[usable]))


def relative_variance(days: pd.DataFrame) -> Floats:
    """Variance of the capped losses of each row over their squared mean.

    NaN where there are fewer than `FEWEST_IN_SPREAD`, and where they do not scatter.
    """
    n, capped, squares = (
        days[name].to_numpy(dtype=np.float64) for name in ("n", "capped", "capped_squares")
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = capped / n
        spread = np.maximum(squares - n * mean**2, 0.0) / (n - 1.0) / mean**2
    usable = (n >= FEWEST_IN_SPREAD) & np.isfinite(spread) & (spread > 0)
    return np.where(usable, spread, np.nan)


def _as_values(n: pd.Series, spread: Floats) -> dict[str, Floats]:
    """Sums of n values whose mean is a squared spread, and which scatter as it does."""
    count = n.to_numpy(dtype=np.float64)
    total = count * spread
    squares = (count + (count - 1.0) * SPREAD_SCATTER) * spread**2
    return {"capped": total, "capped_squares": squares, "total": total}


def spread_cells(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells that tell something of their spread, with their relative ``variance``."""
    told = cells[["splicer", "program", "technician", "site", "day", "n"]]
    variance = relative_variance(cells)
    return told.assign(variance=variance)[np.isfinite(variance)].reset_index(drop=True)


def rolled_spread(cells: pd.DataFrame, spread: pd.DataFrame) -> pd.DataFrame:
    """Squared spread of every subject's days, relative to what was expected of the same streams.

    Parameters
    ----------
    cells : DataFrame
        From `spread_cells`.
    spread : DataFrame
        Charted days of `spread_days`.

    Returns
    -------
    DataFrame
        As from `rolled_days`: a day's mean is the mean of its cells' squared relative spreads,
        each over its stream's expectation, weighted by their splices.
    """
    columns = [*SUBJECT, "day", *SUMS[:4]]
    known = spread.dropna(subset=["expected_db"])[["splicer", "program", "day", "expected_db"]]
    rows = cells.merge(known, on=["splicer", "program", "day"])
    if rows.empty:
        return pd.DataFrame(columns=columns)
    ratio = rows["variance"].to_numpy(np.float64) / rows["expected_db"].to_numpy(np.float64)
    sums = _as_values(rows["n"], ratio)
    parts = [_by_day(kind, subject, rows, sums) for kind, subject in subjects_of(rows).items()]
    return pd.concat(parts, ignore_index=True)[columns]
