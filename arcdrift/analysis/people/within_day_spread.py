"""Spread of people's cleave angles and losses within days, against others on the same machines."""

import numpy as np
import pandas as pd
from scipy.special import ndtr

from arcdrift.analysis.common.grouping import as_text, group_index, group_sums, text_to_category
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
    work = text_to_category(cells[cells["technician"] != NOBODY])
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
    several = (work[n] > 1).to_numpy()
    keys = ["technician", "splicer", "program", "fibers"]
    rows = work.loc[several, [*keys, "day"]]
    size, total_of_cell, squares_of_cell = (
        work[name].to_numpy(dtype=np.float64)[several] for name in (n, total, squares)
    )
    sum_of_squares = squares_of_cell - size * (total_of_cell / size) ** 2
    if measure == "loss":
        # losses scatter in proportion to their mean; divide it out, since level is not spread
        group, _ = group_index(*(rows[key] for key in keys))
        level = (np.bincount(group, total_of_cell) / np.bincount(group, size))[group]
        sum_of_squares = sum_of_squares / np.maximum(level, 1e-4) ** 2
    return rows.assign(freedom=size - 1.0, splices=size, ss=np.maximum(sum_of_squares, 0.0))


def _spread_ratios(rows: pd.DataFrame, measure: str, margin: float) -> pd.DataFrame:
    if rows.empty:
        return pd.DataFrame(columns=COLUMNS)
    ss, freedom = (rows[name].to_numpy(dtype=np.float64) for name in ("ss", "freedom"))
    crew = float(ss.sum() / freedom.sum())
    place, _ = group_index(rows["splicer"], rows["program"], rows["fibers"])
    own, _ = group_index(place, rows["technician"])
    others_ss, others_freedom = (
        np.bincount(place, values)[place] - np.bincount(own, values)[own]
        for values in (ss, freedom)
    )
    # where others worked little on a machine, their variance is drawn toward the crew's
    prior_degrees_of_freedom = 20.0
    variance = (others_ss + prior_degrees_of_freedom * crew) / (
        others_freedom + prior_degrees_of_freedom
    )
    day, first = group_index(rows["technician"], rows["day"])
    person, first_of_person = group_index(rows["technician"].iloc[first])
    names = as_text(rows["technician"].iloc[first].iloc[first_of_person]).to_numpy()
    days = group_sums(
        day, {"ss": ss, "expected": freedom * variance, "freedom": freedom, "n": rows["splices"]}
    )
    sums, count = group_sums(person, days), np.bincount(person)
    square = sums["ss"] / sums["expected"]
    residual = days["ss"] - square.to_numpy()[person] * days["expected"]
    squared_residuals = np.bincount(person, residual**2)
    enough = (count >= MIN_DAYS) & (sums["freedom"] >= MIN_DEGREES_OF_FREEDOM).to_numpy()
    relative = np.sqrt(squared_residuals * count / np.maximum(count - 1, 1)) / sums["ss"]
    ratio, half_width = np.sqrt(square.where(enough)), Z95 * relative / 2.0
    splices = sums["n"].astype(np.int64)
    table = pd.DataFrame(
        {
            "technician": names, "measure": measure, "days": count, "splices": splices,
            "freedom": sums["freedom"], "sd": np.sqrt(sums["ss"] / sums["freedom"]),
            "crew_sd": np.sqrt(sums["expected"] / sums["freedom"]), "ratio": ratio,
            "low": ratio * np.exp(-half_width), "high": ratio * np.exp(half_width),
            "sure": ndtr((np.log(ratio) - np.log1p(margin)) / (relative / 2.0)),
        }
    )  # fmt: skip
    notes = np.full(len(table), None, dtype=object)
    notes[~enough] = [
        f"only {made} splices on {worked} days"
        for made, worked in zip(splices[~enough], count[~enough], strict=True)
    ]
    return table.assign(note=notes)[COLUMNS]


def person_days(cells: pd.DataFrame) -> pd.DataFrame:
    """Summarize each technician's days: level, typical angle and spread, one row a day.

    Returns
    -------
    DataFrame
        ``technician``, ``day``, ``splices``, ``loss_db`` (capped mean), ``angle_deg`` (typical:
        geometric mean of both sides), ``angle_spread`` (sd of the log angle within cells),
        ``freedom`` (degrees of freedom of that), number of ``bad`` cleaves, of ``places``,
        of those not right first time (``again``), and of ``errors``.
    """
    work = cells[cells["technician"] != NOBODY]
    angle = work["angle"] / work["angles"].where(work["angles"] > 0)
    group, first = group_index(work["technician"], work["day"])
    names = ["made", "n", "capped", "angles", "angle", "bad", "places", "again", "errors"]
    sums = group_sums(
        group,
        {name: work[name] for name in names}
        | {
            "ss": (work["angle_squares"] - work["angles"] * angle**2).clip(lower=0).fillna(0.0),
            "freedom": (work["angles"] - 1).clip(lower=0),
        },
    )
    of_day = work.iloc[first][["technician", "day"]].reset_index(drop=True)
    degrees_of_freedom = sums["freedom"].where(sums["freedom"] > 0)
    return pd.DataFrame(
        {
            "technician": of_day["technician"],
            "day": of_day["day"],
            "splices": sums["made"].astype(int),
            "loss_db": sums["capped"] / sums["n"].where(sums["n"] > 0),
            "angle_deg": np.exp(sums["angle"] / sums["angles"].where(sums["angles"] > 0)),
            "angle_spread": np.sqrt(sums["ss"] / degrees_of_freedom),
            "freedom": sums["freedom"],
            **{name: sums[name].astype(int) for name in ("bad", "places", "again", "errors")},
        }
    )
