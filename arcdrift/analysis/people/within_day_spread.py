"""Spread of people's cleave angles and losses within days, against others on the same machines."""

import numpy as np
import pandas as pd
from scipy.special import ndtr

from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.charts.intervals import Z95

MIN_DEGREES_OF_FREEDOM = 50.0
"""Degrees of freedom needed for a figure."""
MIN_DAYS = 5
"""Days of work needed for a figure."""
COLUMNS = [
    "technician", "measure", "days", "splices", "freedom", "sd", "crew_sd", "ratio", "low", "high",
    "sure", "note",
]  # fmt: skip


def within_day_spread(cells: pd.DataFrame, margin: float = 0.10) -> pd.DataFrame:
    """Compare the spread of each person's cleave angles and losses within days with others'.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.technician_days.aggregate_technician_days`, all splicers
        together.
    margin : float
        A spread larger than the others' by more than this share stands out.

    Returns
    -------
    DataFrame
        `COLUMNS`: one row a technician and measure (``angle``: sd of the log angle; ``loss``: sd
        of a capped splice over its mean); ``ratio`` is the spread over that of all others on the
        same machines and programs, with a 95 % interval, ``sure`` the probability that it lies
        above the margin. NaN with a note where there is too little work.

    Notes
    -----
    ratio^2 = sum SS / sum E, where E is the degrees of freedom times the variance of the others
    on that splicer and program. Splices of one day share a hand and a blade and tails are heavy,
    so chi-square limits would be too narrow: the variance is taken from that of the days'
    SS - ratio^2 E about 0 (a ratio estimator's, Cochran 1977, Sampling Techniques, section 6.4,
    from memory), on the log scale.
    """
    work = cells[cells["technician"] != NOBODY]
    tables = [
        _spread_ratios(_sums_of_squares(work, name), name, margin) for name in ("angle", "loss")
    ]
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=COLUMNS)


def _sums_of_squares(work: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Return the sum of squares of each cell about its mean, and its degrees of freedom."""
    n, total, squares = {
        "angle": ("angles", "angle", "angle_squares"), "loss": ("n", "capped", "squares"),
    }[measure]  # fmt: skip
    rows = work.loc[work[n] > 1, ["technician", "splicer", "program", "fibers", "day"]].copy()
    size = work.loc[work[n] > 1, n].to_numpy(dtype=np.float64)
    mean = work.loc[work[n] > 1, total].to_numpy(dtype=np.float64) / size
    sum_of_squares = work.loc[work[n] > 1, squares].to_numpy(dtype=np.float64) - size * mean**2
    rows["freedom"], rows["splices"] = size - 1.0, size
    if measure == "loss":
        # losses scatter in proportion to their mean; divide it out, since level is not spread
        keys = ["technician", "splicer", "program", "fibers"]
        sums = rows[keys].assign(n=size, total=mean * size).groupby(keys)[["n", "total"]]
        both = sums.transform("sum")
        level = (both["total"] / both["n"]).to_numpy(dtype=np.float64)
        sum_of_squares = sum_of_squares / np.maximum(level, 1e-4) ** 2
    rows["ss"] = np.maximum(sum_of_squares, 0.0)
    return rows


def _spread_ratios(rows: pd.DataFrame, measure: str, margin: float) -> pd.DataFrame:
    if rows.empty:
        return pd.DataFrame(columns=COLUMNS)
    crew = float(rows["ss"].sum() / rows["freedom"].sum())
    place = ["splicer", "program", "fibers"]
    sums = rows.groupby([*place, "technician"])[["ss", "freedom"]].transform("sum")
    everyone = rows.groupby(place)[["ss", "freedom"]].transform("sum")
    others = everyone - sums
    # where others worked little on a machine, their variance is drawn toward the crew's
    prior_degrees_of_freedom = 20.0
    variance = (others["ss"] + prior_degrees_of_freedom * crew) / (
        others["freedom"] + prior_degrees_of_freedom
    )
    rows = rows.assign(expected=rows["freedom"] * variance)
    days = rows.groupby(["technician", "day"], as_index=False)[
        ["ss", "expected", "freedom", "splices"]
    ].sum()
    rows_found = []
    for name, subset in days.groupby("technician"):
        ss, expected = (
            subset["ss"].to_numpy(dtype=np.float64),
            subset["expected"].to_numpy(float),
        )
        degrees_of_freedom, count = float(subset["freedom"].sum()), len(subset)
        row = {
            "technician": str(name), "measure": measure, "days": count,
            "splices": int(subset["splices"].sum()), "freedom": degrees_of_freedom,
            "sd": float(np.sqrt(ss.sum() / degrees_of_freedom)),
            "crew_sd": float(np.sqrt(expected.sum() / degrees_of_freedom)), "note": None,
        }  # fmt: skip
        if count < MIN_DAYS or degrees_of_freedom < MIN_DEGREES_OF_FREEDOM:
            note = f"only {row['splices']} splices on {count} days"
            rows_found.append(row | dict.fromkeys(["ratio", "low", "high", "sure"], np.nan)
                         | {"note": note})  # fmt: skip
            continue
        square = ss.sum() / expected.sum()
        residual = ss - square * expected
        relative = np.sqrt((residual @ residual) * count / (count - 1)) / ss.sum()
        half_width = Z95 * relative / 2.0
        ratio = float(np.sqrt(square))
        rows_found.append(row | {
            "ratio": ratio,
            "low": ratio * float(np.exp(-half_width)), "high": ratio * float(np.exp(half_width)),
            "sure": float(ndtr((np.log(ratio) - np.log1p(margin)) / (relative / 2.0))),
        })  # fmt: skip
    return pd.DataFrame(rows_found)[COLUMNS]


def person_days(cells: pd.DataFrame) -> pd.DataFrame:
    """Summarize each technician's days: level, typical angle and spread, one row a day.

    Returns
    -------
    DataFrame
        ``technician``, ``day``, ``splices``, ``loss_db`` (capped mean), ``angle_deg`` (typical:
        geometric mean of both sides), ``angle_spread`` (sd of the log angle within cells),
        ``freedom`` (degrees of freedom of that), number of ``bad`` cleaves and of ``redo``.
    """
    work = cells[cells["technician"] != NOBODY]
    angle = work["angle"] / work["angles"].where(work["angles"] > 0)
    frame = work.assign(
        ss=(work["angle_squares"] - work["angles"] * angle**2).clip(lower=0),
        freedom=(work["angles"] - 1).clip(lower=0),
    )
    names = ["made", "n", "capped", "angles", "angle", "ss", "freedom", "bad", "redo"]
    sums = frame.groupby(["technician", "day"], as_index=False)[names].sum()
    degrees_of_freedom = sums["freedom"].where(sums["freedom"] > 0)
    return pd.DataFrame(
        {
            "technician": sums["technician"],
            "day": sums["day"],
            "splices": sums["made"].astype(int),
            "loss_db": sums["capped"] / sums["n"].where(sums["n"] > 0),
            "angle_deg": np.exp(sums["angle"] / sums["angles"].where(sums["angles"] > 0)),
            "angle_spread": np.sqrt(sums["ss"] / degrees_of_freedom),
            "freedom": sums["freedom"],
            "bad": sums["bad"].astype(int),
            "redo": sums["redo"].astype(int),
        }
    )
