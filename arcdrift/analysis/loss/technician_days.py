"""Sums of production splices by technician, splicer and day: input of the analyses of preparation.

A cell is one technician's day on one splicer with one cleaver, program, pair of fibers and way of
holding them. Practice splices are left out.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import record_sites
from arcdrift.analysis.common.event_lookup import first_and_last, to_microseconds
from arcdrift.analysis.common.grouping import (
    category_to_text,
    fill_missing_text,
    group_index,
    group_sums,
    match_rows,
    rows_with,
    text_codes,
    time_order,
)
from arcdrift.analysis.common.places import Places
from arcdrift.analysis.loss.stream_days import NO_PROGRAM
from arcdrift.arrays import Floats, Ints
from arcdrift.settings import Crew

NOBODY = "(technician not logged)"
NO_CLEAVER = "(cleaver not logged)"
NO_HOLDING = "(holding not logged)"
"""Of splices whose log does not say how the fibers were held, in clamps or in holders."""
NO_SITE = "(no site)"
ANGLE_FLOOR_DEG = 0.05
"""Lowest angle in logarithms: half a step of the usual 0.1 degree, for cleaves read as 0.0."""
FIRST = 5
"""Number of splices at the start of a technician's day that count as its first."""
DIRTY_DB = 0.10
DIRTY_MULTIPLE = 6.0
"""A splice is dirty above the larger of 0.10 dB and 6 x the stream's mean (loss study)."""
CAP_DB = 0.15
"""Cap of a splice on days whose stream has no cap yet."""
CAP_TO_MEAN = 3.5

CELL = ["technician", "cleaver", "program", "fibers", "holding", "site", "day"]
SUMS = [
    "made", "errors", "places", "again", "n", "capped", "below", "squares", "angles", "angle",
    "angle_squares", "uneven", "uneven_squares", "bad", "seen", "dirty", "good", "dirty_good",
    "first_n", "first_capped", "first_angles", "first_angle", "hour", "hour_squares",
    "hour_capped", "hour_angles_n", "hour_of_angles", "hour_squares_of_angles", "hour_angle",
    "density_n", "density", "vapor",
]  # fmt: skip


def aggregate_technician_days(
    splices: pd.DataFrame,
    air: pd.DataFrame,
    day: pd.Series,
    days: pd.DataFrame,
    places: Places,
    crew: Crew,
) -> pd.DataFrame:
    """Sum production splices into `CELL`.

    Parameters
    ----------
    splices : DataFrame
        Production splices, including those without a loss figure.
    air : DataFrame
        ``air_density`` (kg/m3) and ``vapor_pressure`` (hPa) of the same rows.
    day : Series
        Their local workdays.
    days : DataFrame
        Stream days of the same splices, for their caps (`arcdrift.analysis.loss.stream_days`).
    places : Places
        Places of the same splices (`arcdrift.analysis.common.places.find_places`).

    Returns
    -------
    DataFrame
        ``splicer``, `CELL`, ``first_at``, ``last_at`` (UTC), ``cap`` (dB), and `SUMS`: counts
        ``made`` (all attempts), ``errors`` among them, ``places`` begun here of which it is known
        whether they were right first time, ``again`` (those that were not), ``n`` (with a loss),
        ``angles`` (with both angles), ``bad``
        (an angle over the limit in crew.toml) of ``seen`` (any angle), ``dirty``, ``good``
        (with a loss and both angles under the limit) and ``dirty_good`` among them; sums of the
        capped loss, of the losses below the cap, and of the squared capped loss (dB), of the mean
        log angle of both sides and its square, of right minus left log angle and its square; the
        same of the day's first splices; sums of products with the hours since the technician's
        first splice of the day; sums of air density and vapor pressure where known.
    """
    if splices.empty:
        return pd.DataFrame(columns=["splicer", *CELL, "first_at", "last_at", "cap", *SUMS])
    code, coded_keys = _cell_keys(splices, day, crew)
    cell_cap = caps_of_cells(coded_keys, days)
    cap = cell_cap[code]
    loss = splices["loss_db"].to_numpy(dtype=np.float64)
    left, right = cleave_angles(splices)
    known, both = np.isfinite(loss), np.isfinite(left) & np.isfinite(right)
    capped = np.where(known, np.minimum(loss, cap), 0.0)
    with np.errstate(invalid="ignore"):
        log_left, log_right = log_angle(left), log_angle(right)
        angle = np.where(both, (log_left + log_right) / 2.0, 0.0)
        uneven = np.where(both, log_right - log_left, 0.0)
        worse = np.fmax(left, right)
        bad = worse > crew.prep.bad_cleave_deg
        dirty = known & (loss > dirty_above(cap))
    at = to_microseconds(splices["spliced_at"])
    person_days = (coded_keys[name] for name in ("splicer", "technician", "day"))
    person_day = group_index(*person_days)[0][code]
    hour, nth = within_day(at, person_day)
    first = nth < FIRST
    good = known & both & ~bad
    density, vapor = (
        air[name].to_numpy(dtype=np.float64) for name in ("air_density", "vapor_pressure")
    )
    aired = np.isfinite(density) & np.isfinite(vapor)
    values = {
        "made": 1.0, "errors": rows_with(splices["outcome"], "error"),
        "places": places.assessed, "again": places.again, "n": known,
        "capped": capped, "below": np.where(loss < cap, capped, 0.0), "squares": capped**2,
        "angles": both, "angle": angle,
        "angle_squares": angle**2, "uneven": uneven, "uneven_squares": uneven**2, "bad": bad,
        "seen": np.isfinite(worse), "dirty": dirty, "good": good, "dirty_good": dirty & good,
        "first_n": first & known, "first_capped": np.where(first, capped, 0.0),
        "first_angles": first & both, "first_angle": np.where(first, angle, 0.0),
        "hour": hour * known, "hour_squares": hour**2 * known, "hour_capped": hour * capped,
        "hour_angles_n": both, "hour_of_angles": hour * both,
        "hour_squares_of_angles": hour**2 * both, "hour_angle": hour * angle,
        "density_n": aired, "density": np.where(aired, density, 0.0),
        "vapor": np.where(aired, vapor, 0.0),
    }  # fmt: skip
    keys = category_to_text(coded_keys).assign(cap=cell_cap)
    first_at, last_at = first_and_last(code, at, len(keys))
    sums = group_sums(code, values)
    return pd.concat([keys, sums], axis=1).assign(first_at=first_at, last_at=last_at)


def cleave_angles(splices: pd.DataFrame) -> tuple[Floats, Floats]:
    """Left and right cleave angles of splices, in degrees; NaN where one is not logged."""
    left, right = (
        splices[f"cleave_{side}_deg"].to_numpy(dtype=np.float64) for side in ("left", "right")
    )
    return left, right


def log_angle(degrees: Floats) -> Floats:
    """Natural log of cleave angles, of those below `ANGLE_FLOOR_DEG` that of the floor."""
    return np.asarray(np.log(np.maximum(degrees, ANGLE_FLOOR_DEG)), dtype=np.float64)


def caps_of_cells(keys: pd.DataFrame, days: pd.DataFrame) -> Floats:
    """Cap of each cell's stream day (dB); `CAP_DB` where there is none.

    Parameters
    ----------
    keys : DataFrame
        From `_cell_keys`.
    days : DataFrame
        Stream days.
    """
    row = match_rows(keys, days, ("splicer", "program", "day"))
    caps = np.append(days["cap"].to_numpy(dtype=np.float64), np.nan)[row]
    return np.where(np.isnan(caps), CAP_DB, caps)


def _cell_keys(splices: pd.DataFrame, day: pd.Series, crew: Crew) -> tuple[Ints, pd.DataFrame]:
    """Cell number of each splice, and the keys of the cells in order, text in categories."""
    columns = {
        "splicer": splices["splicer"],
        "technician": fill_missing_text(splices["technician"], NOBODY),
        "cleaver": fill_missing_text(splices["cleaver"], NO_CLEAVER),
        "program": fill_missing_text(splices["program"], NO_PROGRAM),
        "fibers": _fibers(splices),
        "holding": _holding(splices),
        "site": fill_missing_text(record_sites(splices, crew), NO_SITE),
        "day": day,
    }
    cell, first = group_index(*columns.values())
    keys = pd.DataFrame({name: values.array[first] for name, values in columns.items()})
    return cell, keys


def _fibers(splices: pd.DataFrame) -> pd.Series:
    """Pair of fibers of each splice, sorted, so that the side of a fiber does not matter."""
    if "fiber_a" not in splices.columns:
        return pd.Series("(fibers not logged)", index=splices.index)
    codes, names = zip(
        *(text_codes(fill_missing_text(splices[f"fiber_{side}"], "?")) for side in "ab"),
        strict=True,
    )
    pairs = [" + ".join(sorted((str(a), str(b)))) for a in names[0] for b in names[1]]
    categories, category = np.unique(pairs, return_inverse=True)
    pair = codes[0] * len(names[1]) + codes[1]
    return pd.Series(pd.Categorical.from_codes(category[pair], categories.tolist()), splices.index)


def _holding(splices: pd.DataFrame) -> pd.Series:
    """How the fibers of each splice were held."""
    if "holding" not in splices.columns:
        return pd.Series(NO_HOLDING, index=splices.index)
    return fill_missing_text(splices["holding"], NO_HOLDING)


def dirty_above(cap: Floats) -> Floats:
    """Loss (dB) above which a splice counts as dirty, from the cap (dB) of its stream day."""
    return np.maximum(DIRTY_DB, DIRTY_MULTIPLE * cap / CAP_TO_MEAN)


def within_day(at: Ints, person_day: Ints) -> tuple[Floats, Ints]:
    """Hours since the technician's first splice of the day on this splicer, and splices since then.

    Parameters
    ----------
    at : array of shape (n,)
        Microseconds.
    person_day : array of shape (n,)
        Group number of each splice: its technician's day on its splicer.
    """
    order = time_order(person_day, at)
    new = np.diff(person_day[order], prepend=-1) != 0
    place = np.arange(len(at))
    start = np.maximum.accumulate(np.where(new, place, 0))
    hour, nth = np.empty(len(at)), np.empty(len(at), dtype=np.int64)
    hour[order] = (at[order] - at[order][start]) / 3.6e9
    nth[order] = place - start
    return hour, nth
