"""Sums of splices from which the cost of a wrong arc setting is estimated later.

The mismatch of a splice depends on its air and wear, on the setting in force, and on the slopes of
the arc model, which are not known yet when a splicer is summarized. Therefore the sums of the
regressors and of their products are stored, from which mismatches follow for any slopes.
"""

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_points import count_service_until, passed_checks
from arcdrift.analysis.arc.arc_regressors import center_air
from arcdrift.analysis.arc.pooled_regression import SLOPES
from arcdrift.analysis.common.days import WORKDAY, workdays
from arcdrift.analysis.common.event_lookup import latest_event, splicer_index, to_microseconds
from arcdrift.analysis.common.grouping import (
    category_to_text,
    fill_missing_text,
    group_index,
    group_sums,
    match_rows,
    text_codes,
)
from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.analysis.loss.stream_days import NO_PROGRAM, in_loss_charts
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.arrays import Floats, Ints
from arcdrift.settings import Crew

PAIRS = [(i, j) for i in range(SLOPES) for j in range(i, SLOPES)]
MOMENTS = [*(f"x{i}" for i in range(SLOPES)), *(f"x{i}{j}" for i, j in PAIRS)]
CELL = ["program", "segment", "technician", "day", "checked_at", "epoch", "arc_setting"]
NEEDED = ("splicer", "program", "technician", "site", "spliced_at", WORKDAY)
CELL_COLUMNS = ["splicer", *CELL, "n", "capped", "squares", "below", *MOMENTS]


def mismatch_cells(
    splices: pd.DataFrame,
    air: pd.DataFrame,
    checks: pd.DataFrame,
    service: pd.DataFrame,
    days: pd.DataFrame,
    crew: Crew,
    *,
    passed: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Group splices by their last passed check and sum what mismatches are computed from.

    Parameters
    ----------
    splices, air, checks, service : DataFrame
        Records, and the air of the splices (`arcdrift.air.air_join.join_air`).
    days : DataFrame
        Stream days (`arcdrift.analysis.loss.stream_days.sum_stream_days`) of these splices,
        for segments and caps.
    passed : DataFrame, optional
        `arcdrift.analysis.arc.arc_points.passed_checks` of these checks, where known already.

    Returns
    -------
    DataFrame
        One row per splicer, program, technician, local day and last passed check: ``n``,
        ``capped`` and ``squares`` (sums of capped dB and their squares), ``below`` (splices under
        the cap), and sums of the regressors of `center_air` and of their products, from which the
        mean squared mismatch follows exactly for any slopes. Excluded are splices without
        complete air, before any passed check, and those with a replacement of electrodes or
        other restarting service since their last check.
    """
    usable = in_loss_charts(splices)
    passed = passed_checks(checks, service) if passed is None else passed
    passed = passed.assign(arc_count=checks["arc_count"]).dropna(subset=["arc_setting"])
    if passed.empty or not usable.any():
        return pd.DataFrame(columns=CELL_COLUMNS)
    names = pd.Index(passed["splicer"].unique())
    splicer, time = splicer_index(splices["splicer"], names), to_microseconds(splices["spliced_at"])
    check_splicer = splicer_index(passed["splicer"], names)
    usable = usable & (splicer >= 0)
    check = latest_event(splicer, time, check_splicer, to_microseconds(passed["checked_at"]))
    epoch_now = count_service_until(splicer, time, service, names, RESTART_ACTIONS)
    arcs_since = splices["arc_count"].to_numpy(np.float64) - _take_or_nan(
        passed["arc_count"], check
    )
    x = center_air(
        pd.DataFrame(
            {
                "air_density": air["air_density"].to_numpy(),
                "vapor_pressure": air["vapor_pressure"].to_numpy(),
                "arcs": _take_or_nan(passed["arcs"], check)
                + np.nan_to_num(np.maximum(arcs_since, 0.0)),
            }
        )
    ).to_numpy(dtype=float)
    usable &= (
        (check >= 0) & ~np.isnan(x).any(axis=1) & (passed["epoch"].to_numpy()[check] == epoch_now)
    )
    x, check = x[usable], check[usable]
    work = splices.loc[usable, [name for name in NEEDED if name in splices.columns]]
    keys = {
        "splicer": work["splicer"],
        "program": fill_missing_text(work["program"], NO_PROGRAM),
        "technician": fill_missing_text(work["technician"], NOBODY),
        "day": workdays(work, crew, "spliced_at"),
    }
    group, first = group_index(*keys.values(), check)
    cells = pd.DataFrame({name: values.array[first] for name, values in keys.items()})
    row = match_rows(cells, days, ("splicer", "program", "day"))
    cells["segment"] = days["segment"].to_numpy()[row]
    for name in ("checked_at", "epoch", "arc_setting"):
        cells[name] = passed[name].array[check[first]]
    loss = splices["loss_db"].to_numpy(np.float64)[usable]
    cap = days["cap"].to_numpy()[row][group]
    capped = np.minimum(loss, cap)
    sums = {"n": 1, "capped": capped, "squares": capped**2, "below": loss < cap}
    sums |= {f"x{i}": x[:, i] for i in range(SLOPES)}
    sums |= {f"x{i}{j}": x[:, i] * x[:, j] for i, j in PAIRS}
    cells = cells.join(group_sums(group, sums, counts=("n", "below")))
    # in the order of `CELL`: segments come before technicians, days and checks follow by themselves
    splicer, program, technician = (
        text_codes(cells[name])[0] for name in ("splicer", "program", "technician")
    )
    order = np.lexsort((technician, cells["segment"], program, splicer))
    return category_to_text(cells.iloc[order].reset_index(drop=True))[CELL_COLUMNS]


def _take_or_nan(values: pd.Series, index: Ints) -> Floats:
    """Values at the given indices; NaN for index -1."""
    return np.append(values.to_numpy(np.float64), np.nan)[index]
