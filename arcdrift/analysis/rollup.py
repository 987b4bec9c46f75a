"""Stream days summed up for the splicer, the person, the site and the crew behind them.

A rolled-up day is relative to what its streams were expected to lose that day, so that a splicer
that worked more with a lossy program has not got worse by it.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.hands import NOBODY
from arcdrift.analysis.loss import without_effect

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
        From `arcdrift.analysis.hands.hand_days`, all splicers together.

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
    programs = cells.groupby("splicer")["program"].transform("nunique")
    machines = cells.groupby("site")["splicer"].transform("nunique")
    several = len(cells["site"].unique()) > 1
    whole = WHOLE_CREW if len(cells["splicer"].unique()) > 1 else None
    return {
        "splicer": cells["splicer"].where(programs > 1),
        "technician": cells["technician"].where(cells["technician"] != NOBODY),
        "site": cells["site"].where((machines > 1) & several),
        "crew": pd.Series(whole, index=cells.index, dtype=object),
    }


def rolled_days(cells: pd.DataFrame, stream_days: pd.DataFrame) -> pd.DataFrame:
    """Days of every subject, relative to what was expected of the same streams.

    Parameters
    ----------
    cells : DataFrame
        From `hand_cells`.
    stream_days : DataFrame
        Charted days (`arcdrift.analysis.loss_clock.chart_losses` with ``shared``); those without an
        expectation are left out.

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
        told = pd.DataFrame(
            {
                "subject_id": subject, "day": rows["day"], "n": rows["n"],
                "capped": rows["capped"] / expected,
                "capped_squares": rows["capped_squares"] / expected**2,
            }
        )  # fmt: skip
        told = told.dropna(subset=["subject_id"])
        sums = told.groupby(["subject_id", "day"], as_index=False).sum()
        parts.append(sums.assign(subject_type=kind, total=sums["capped"]))
    return pd.concat(parts, ignore_index=True)[columns]


def spread_days(stream_days: pd.DataFrame) -> pd.DataFrame:
    """Squared relative spread of each stream day's capped losses, as a chart of means reads it.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``segment``, ``day``, ``site``, ``n``; ``capped``,
        ``capped_squares`` and ``total`` stand for n values of mean (s/m)^2 and relative variance
        `SPREAD_SCATTER`. The cube root that the chart takes is Wilson and Hilferty's for a
        variance. Days of fewer than `FEWEST_IN_SPREAD` splices, or without a scatter, are left
        out.
    """
    n = stream_days["n"].to_numpy(dtype=np.float64)
    mean = stream_days["capped"].to_numpy(dtype=np.float64) / n
    squares = stream_days["capped_squares"].to_numpy(dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = np.maximum(squares - n * mean**2, 0.0) / (n - 1.0) / mean**2
    usable = (n >= FEWEST_IN_SPREAD) & np.isfinite(spread) & (spread > 0)
    kept = stream_days.loc[usable, ["splicer", "program", "segment", "day", "site", "n"]]
    kept = kept.reset_index(drop=True)
    n, spread = n[usable], spread[usable]
    rows: pd.DataFrame = kept.assign(
        capped=n * spread,
        capped_squares=(n + (n - 1.0) * SPREAD_SCATTER) * spread**2,
        total=n * spread,
    )
    return rows
