"""Days of splicers, technicians, sites and the crew, rolled up from stream days.

A rolled-up day is relative to the expected loss of its streams that day, so that a splicer used
more with a program of high loss does not appear to get worse.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import (
    as_text,
    group_index,
    group_sums,
    match_rows,
    text_codes,
    text_to_category,
)
from arcdrift.analysis.loss.day_level import without_effect
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.analysis.loss.technician_days import NO_HOLDING, NOBODY
from arcdrift.arrays import Bools, Floats

STREAM_DAY = ("splicer", "program", "segment", "day", "site")
SUBJECTS = ("splicer", "technician", "site", "crew")
SUBJECT = ("subject_type", "subject_id")
WHOLE_CREW = "crew"
SUMS = [
    "n", "capped", "capped_squares", "total", "made", "errors", "places", "again", "dirty",
]  # fmt: skip
SUMMED = {"capped_squares": "squares", "total": "capped"}
"""Names that sums have in technician days, where they differ."""
CELL_KEYS = ["splicer", "program", "technician", "holding", "site", "day"]
FEWEST_IN_SPREAD = 5
"""Splices a day needs for its spread to be used."""
SPREAD_SCATTER = 2.0
"""Variance of the squared relative spread of n capped splices, in units of its square / n.

Measured on gamma losses of shapes 0.7 to 2, capped and rounded as in the loss study. Any further
scatter of the crew's days is learned by the chart as variance between days."""


def as_stream_subjects(days: pd.DataFrame) -> pd.DataFrame:
    """Stream days with ``subject_type`` (stream) and ``subject_id``."""
    return days.assign(subject_type="stream", subject_id=as_text(stream_subjects(days)))


def stream_subjects(days: pd.DataFrame) -> pd.Series:
    """Subject id of the stream of each row, in categories."""
    code, first = group_index(days["splicer"], days["program"])
    pairs = (days[name].array[first].tolist() for name in ("splicer", "program"))
    names = np.array([f"{splicer} / {program}" for splicer, program in zip(*pairs, strict=True)])
    categories, rank = np.unique(names.astype(object), return_inverse=True)
    values = pd.Categorical.from_codes(rank.astype(np.int64)[code], pd.Index(categories, dtype=str))
    return pd.Series(values, index=days.index)


def stream_technician_cells(technician_days: pd.DataFrame) -> pd.DataFrame:
    """Cells by stream, technician, way of holding the fibers, and day.

    Parameters
    ----------
    technician_days : DataFrame
        From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`, all splicers
        together.

    Returns
    -------
    DataFrame
        `CELL_KEYS`, text in categories; ``n``, ``capped`` (dB) and ``capped_squares`` (dB2) of
        splices with a loss, ``total`` (the same as ``capped``), and counts: ``made``, ``errors``,
        ``places``, ``again`` and ``dirty``.
    """
    sums = {name: technician_days[SUMMED.get(name, name)] for name in SUMS}
    return _sums(text_to_category(technician_days[CELL_KEYS]), sums)


def _sums(keys: pd.DataFrame, sums: Mapping[str, pd.Series] | pd.DataFrame) -> pd.DataFrame:
    """Sums by combination of keys, in their order."""
    code, first = group_index(*(keys[name] for name in keys.columns))
    cells = keys.take(first).reset_index(drop=True)
    return pd.concat([cells, group_sums(code, sums)], axis=1)


def sum_over_holdings(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells by stream, technician and day, for charts of losses."""
    if len(cells["holding"].unique()) <= 1:
        return cells.drop(columns="holding")
    return _sums(cells[[name for name in CELL_KEYS if name != "holding"]], cells[SUMS])


def subjects_of(cells: pd.DataFrame) -> dict[str, pd.Series]:
    """Subject of each cell by subject type; missing where it would repeat a narrower subject.

    A splicer with one program would repeat its stream, a site with one splicer that splicer, and
    a single site the crew.
    """
    several = len(cells["site"].unique()) > 1
    crew = np.full(len(cells), 0 if len(cells["splicer"].unique()) > 1 else -1)
    return {
        "splicer": cells["splicer"].where(_has_several(cells["splicer"], cells["program"])),
        "technician": cells["technician"].where(cells["technician"] != NOBODY),
        "site": cells["site"].where(_has_several(cells["site"], cells["splicer"]) & several),
        "crew": pd.Series(
            pd.Categorical.from_codes(crew, pd.Index([WHOLE_CREW])), index=cells.index
        ),
    }


def shared_by_splicers(cells: pd.DataFrame) -> dict[str, pd.Series]:
    """Program and way of holding of each cell, of several splicers; missing as in `subjects_of`.

    One program, or one way of holding, of all the crew's splices would repeat the crew.
    """
    subjects = {}
    for name in ("program", "holding"):
        values, several = cells[name], len(cells[name].unique()) > 1
        shared = _has_several(values, cells["splicer"]) & (values != NO_HOLDING).to_numpy()
        subjects[name] = values.where(shared & several)
    return subjects


def _has_several(values: pd.Series, other_values: pd.Series) -> Bools:
    """Whether each row's value occurs with more than one value of another column."""
    (code, names), (other, others) = text_codes(values), text_codes(other_values)
    present = np.zeros((len(names), len(others)), dtype=bool)
    present[code, other] = True
    return np.asarray((present.sum(axis=1) > 1)[code], dtype=bool)


def rows_per_day(days: pd.Series, subjects: dict[str, pd.Series] | None = None) -> pd.Series:
    """Number of charted points on each day, in order of day.

    Parameters
    ----------
    days : Series
        Day of each row.
    subjects : dict of Series, optional
        `subjects_of` the same rows; rows of one subject and day then count once.
    """
    day, worked = pd.factorize(days, sort=True)
    if subjects is None:
        return pd.Series(np.bincount(day, minlength=len(worked)), index=worked)
    rows = np.zeros(len(worked), dtype=np.int64)
    for subject in subjects.values():
        code, names = text_codes(subject)
        present = np.zeros((len(worked), len(names) + 1), dtype=bool)
        present[day, code] = True  # the last column is that of no subject
        rows += present[:, :-1].sum(axis=1)
    return pd.Series(rows, index=worked)[rows > 0]


def roll_up_days(cells: pd.DataFrame, stream_days: pd.DataFrame) -> pd.DataFrame:
    """Days of every subject, relative to the expected loss of the same streams.

    Parameters
    ----------
    cells : DataFrame
        From `stream_technician_cells`.
    stream_days : DataFrame
        Charted stream days with the common effect of each day
        (`arcdrift.analysis.loss.sequential_ewma.chart_groups`); those without an expectation are
        left out.

    Returns
    -------
    DataFrame
        ``subject_type``, ``subject_id``, ``day``, ``n``, ``capped``, ``capped_squares``,
        ``total``: of losses over the expected capped mean, so that 1 is as expected. The day's
        common effect is part of the expectation, except for the crew; for a site only the effect
        on the whole crew is. The usual effects of people are, except for a technician.
    """
    columns = [*SUBJECT, "day", *SUMS[:4]]
    known = stream_days.dropna(subset=["expected_db"])
    effects = ["person_effect", "crew_effect", "shared_effect"]
    known = known[["splicer", "program", "day", "expected_db", *effects]]
    rows = _with_columns(cells[cells["n"] > 0], known)
    if rows.empty:
        return pd.DataFrame(columns=columns)
    # center: cube root of the expected loss without any effect; effects are then added back
    person, crew, shared = (rows[name].to_numpy(np.float64) for name in effects)
    expected_db = rows["expected_db"].to_numpy(dtype=np.float64)
    center = np.cbrt(without_effect(expected_db, person + shared))
    parts = []
    for subject_type, subject in subjects_of(rows).items():
        effect = {
            "technician": shared, "site": person + crew, "crew": person
        }.get(subject_type, person + shared)  # fmt: skip
        expected = np.maximum(center * (1.0 + effect / 3.0), 1e-3) ** 3
        capped = rows["capped"].to_numpy(dtype=np.float64) / expected
        squares = rows["capped_squares"].to_numpy(dtype=np.float64) / expected**2
        sums = {"capped": capped, "capped_squares": squares, "total": capped}
        parts.append(_sums_by_day(subject_type, subject, rows, sums))
    return pd.concat(parts, ignore_index=True)[columns]


def _with_columns(cells: pd.DataFrame, known: pd.DataFrame) -> pd.DataFrame:
    """Cells of known stream days, with the columns that these have beside their keys."""
    keys = ["splicer", "program", "day"]
    row = match_rows(cells, known, keys)
    rows = cells[row >= 0]
    added = known.drop(columns=keys).take(row[row >= 0]).set_index(rows.index)
    return pd.concat([rows, added], axis=1)


def _sums_by_day(
    subject_type: str, subject: pd.Series, rows: pd.DataFrame, values: dict[str, Floats]
) -> pd.DataFrame:
    """Sums of rows by subject and day; rows without a subject are left out."""
    known = subject.notna().to_numpy()
    name, day = subject[known], rows.loc[known, "day"]
    cell, first = group_index(name, day)
    values = {"n": rows["n"].to_numpy(dtype=np.float64), **values}
    sums = group_sums(cell, {key: column[known] for key, column in values.items()}, counts=("n",))
    return sums.assign(
        subject_type=subject_type, subject_id=as_text(name.iloc[first]).array, day=day.array[first]
    )


def stream_spread_days(stream_days: pd.DataFrame) -> pd.DataFrame:
    """Squared relative spread of each stream day's capped losses, in the form of a day of losses.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``segment``, ``day``, ``site``, ``n``; ``capped``,
        ``capped_squares`` and ``total`` are those of n values of mean (s/m)^2 and relative variance
        `SPREAD_SCATTER`, so that the charts of means apply. Their cube root is Wilson and
        Hilferty's for a variance. Days of fewer than `FEWEST_IN_SPREAD` splices, or without
        scatter, are left out; columns ``excluded`` and ``frozen`` are copied if present.
    """
    spread = relative_variance(stream_days)
    usable = np.isfinite(spread)
    names = [*STREAM_DAY, *EVENT_COLUMNS, "n", "excluded", "frozen"]
    days = stream_days.loc[usable, [name for name in names if name in stream_days.columns]]
    days = days.reset_index(drop=True)
    return days.assign(**_equivalent_sums(days["n"], spread[usable]))


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


def _equivalent_sums(n: pd.Series, spread: Floats) -> dict[str, Floats]:
    """Sums of n values with this squared spread as mean and the relative variance of a spread."""
    count = n.to_numpy(dtype=np.float64)
    total = count * spread
    squares = (count + (count - 1.0) * SPREAD_SCATTER) * spread**2
    return {"capped": total, "capped_squares": squares, "total": total}


def cell_spread(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells with enough splices for a spread, and their relative ``variance``."""
    rows = cells[["splicer", "program", "technician", "site", "day", "n"]]
    variance = relative_variance(cells)
    return rows.assign(variance=variance)[np.isfinite(variance)].reset_index(drop=True)


def roll_up_spread(cells: pd.DataFrame, spread: pd.DataFrame) -> pd.DataFrame:
    """Squared spread of every subject's days, relative to the expected one of the same streams.

    Parameters
    ----------
    cells : DataFrame
        From `cell_spread`.
    spread : DataFrame
        Charted days of `stream_spread_days`.

    Returns
    -------
    DataFrame
        As from `roll_up_days`: a day's mean is the mean of its cells' squared relative spreads,
        each over its stream's expectation, weighted by their splices.
    """
    columns = [*SUBJECT, "day", *SUMS[:4]]
    known = spread.dropna(subset=["expected_db"])[["splicer", "program", "day", "expected_db"]]
    rows = _with_columns(cells, known)
    if rows.empty:
        return pd.DataFrame(columns=columns)
    ratio = rows["variance"].to_numpy(np.float64) / rows["expected_db"].to_numpy(np.float64)
    sums = _equivalent_sums(rows["n"], ratio)
    parts = [
        _sums_by_day(subject_type, subject, rows, sums)
        for subject_type, subject in subjects_of(rows).items()
    ]
    return pd.concat(parts, ignore_index=True)[columns]
