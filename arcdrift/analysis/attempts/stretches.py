"""How fast a person works: stretches of places in a row, with their pace and what came of them.

The pace is measured only from gaps between two places that were right first time. A gap that holds
attempts made again is longer because of them, and one that ends in an error is shorter, because the
splicer stops and logs it sooner: either would show an effect of haste where there is none.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.analysis.common.grouping import (
    category_to_text,
    fill_missing_text,
    group_index,
    group_sums,
    rows_with,
    time_order,
)
from arcdrift.analysis.common.places import Places
from arcdrift.analysis.loss.stream_days import NO_PROGRAM
from arcdrift.analysis.loss.technician_days import (
    NOBODY,
    caps_of_cells,
    cleave_angles,
    log_angle,
)
from arcdrift.arrays import Floats, Ints

BREAK_MIN = 30.0
"""Minutes between splices from which a gap is a break (common practice, no source)."""
SHORTEST_MIN = 0.5
"""Shortest gap in minutes: half a step of logs that have no seconds."""
STRETCH = 8
"""Places of a stretch. It is counted in places, not in hours: an hour with an attempt made again
holds fewer gaps, and fewer the slower it is."""
KEYS = ["splicer", "technician", "day", "stretch", "program"]
SUMS = ["gaps", "log_gap", "places", "right", "n", "capped", "angles", "angle", "hour"]


def work_stretches(
    splices: pd.DataFrame, day: pd.Series, places: Places, days: pd.DataFrame
) -> pd.DataFrame:
    """Sum first attempts into stretches of `STRETCH` places in a row.

    Parameters
    ----------
    splices : DataFrame
        Production splices of every outcome; text as categories.
    day : Series
        Their local workdays.
    places : Places
        `arcdrift.analysis.common.places.find_places` of them.
    days : DataFrame
        Stream days, for their caps.

    Returns
    -------
    DataFrame
        `KEYS` and `SUMS`, one row for each program of a stretch: counts ``gaps`` (measured),
        ``places`` (of which it is known whether they were right first time), ``right``, ``n`` (with
        a loss, no error), ``angles`` (with both); sums of the log minutes of gaps, the capped loss
        (dB), the mean log angle of both sides, and the hours since the person's first place of the
        day on the splicer. Without people whose name was not logged.
    """
    technician = fill_missing_text(splices["technician"], NOBODY)
    used = places.first & ~rows_with(technician, NOBODY)
    rows = np.flatnonzero(used)
    if not len(rows):
        return pd.DataFrame(columns=[*KEYS, *SUMS])
    keys = {
        "splicer": splices["splicer"],
        "technician": technician,
        "day": day,
    }
    sequence, _ = group_index(*(values.iloc[rows] for values in keys.values()))
    at = to_microseconds(splices["spliced_at"])
    order = time_order(sequence, at[rows])
    rows, sequence = rows[order], sequence[order]
    begin, end = at[rows] / 6e7, _last_attempts(places, at)[places.place[rows]] / 6e7
    same = np.diff(sequence, prepend=-1) == 0
    idle = np.r_[0.0, begin[1:] - end[:-1]]
    goes_on = same & (idle <= BREAK_MIN)
    gap = np.r_[0.0, np.diff(begin)]
    right = places.right[rows]
    measured = goes_on & right & np.r_[False, right[:-1]]
    position = np.arange(len(rows))
    run = np.maximum.accumulate(np.where(goes_on, 0, position))
    stretch_start = (position - run) % STRETCH == 0
    number = np.cumsum(stretch_start)
    number -= number[np.maximum.accumulate(np.where(same, 0, position))]
    day_start = begin[np.maximum.accumulate(np.where(same, 0, position))]
    columns = {name: values.iloc[rows] for name, values in keys.items()}
    columns["stretch"] = pd.Series(number, index=columns["day"].index)
    columns["program"] = fill_missing_text(splices["program"].iloc[rows], NO_PROGRAM)
    code, first = group_index(*(columns[name] for name in KEYS))
    cells = pd.DataFrame({name: columns[name].array[first] for name in KEYS})
    cap = caps_of_cells(cells, days)
    loss = splices["loss_db"].to_numpy(dtype=np.float64)[rows]
    left_angle, right_angle = (angles[rows] for angles in cleave_angles(splices))
    known = np.isfinite(loss) & ~rows_with(splices["outcome"].iloc[rows], "error")
    both = np.isfinite(left_angle) & np.isfinite(right_angle)
    with np.errstate(invalid="ignore"):
        mean_angle = (log_angle(left_angle) + log_angle(right_angle)) / 2.0
        log_gap = np.log(np.maximum(gap, SHORTEST_MIN))
    values = {
        "gaps": measured, "log_gap": np.where(measured, log_gap, 0.0),
        "places": places.assessed[rows], "right": right, "n": known,
        "capped": np.where(known, np.minimum(loss, cap[code]), 0.0), "angles": both,
        "angle": np.where(both, mean_angle, 0.0),
        "hour": (begin - day_start) / 60.0,
    }  # fmt: skip
    return pd.concat([category_to_text(cells), group_sums(code, values)], axis=1)


def _last_attempts(places: Places, at: Ints) -> Floats:
    """Time of the last attempt at each place, in microseconds, shape (places,)."""
    last = np.zeros(int(places.place.max()) + 1)
    final = places.nth == places.attempts
    last[places.place[final]] = at[final]
    return last
