"""Alarms a crew would have had under another false-alarm budget, from its stored history.

Input are results of the last review: stream days, loss by technician, and the standardized
residuals of arc checks and of cleave angles.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_drift import CLIP, checks_per_month
from arcdrift.analysis.arc.arc_drift import LAMBDA as ARC_LAMBDA
from arcdrift.analysis.arc.arc_drift import SHORTEST_RUN as SHORTEST_ARC_RUN
from arcdrift.analysis.arc.arc_regressors import usable_or_charted
from arcdrift.analysis.checks.doubtful_checks import doubt_limits
from arcdrift.analysis.loss.loss_charts import AllLossCharts, alarmed, chart_cells
from arcdrift.analysis.loss.rollup import SUBJECT, as_stream_subjects
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.analysis.people.cleave_angles.angle_ewma import replay_angles
from arcdrift.charts.ewma import settled_limits
from arcdrift.charts.limits import ewma_limit, rounded_run_length
from arcdrift.shares import Shares

ALARM_COLUMNS = ["day", *SUBJECT, "measure", "side", "value", "expected", "evidence"]
_KEYS = ["measure", *SUBJECT, "day"]


@dataclass(frozen=True)
class History:
    """Stored results that a replay of alarms reads; each field is a table ``result_*``."""

    stream_days: pd.DataFrame
    subject_days: pd.DataFrame
    loss_cells: pd.DataFrame
    arc_points: pd.DataFrame
    angle_days: pd.DataFrame

    @classmethod
    def read(cls, result: Callable[[str], pd.DataFrame]) -> "History":
        """Fetch each table by its name."""
        return cls(*(result(f"result_{table.name}") for table in fields(cls)))


def replay_alarms(history: History, false_alarms_per_month: float, shares: Shares) -> pd.DataFrame:
    """Alarms the crew would have had under a budget.

    Returns
    -------
    DataFrame
        `ALARM_COLUMNS`, in order of day: ``measure`` is ``level``, ``spread``, ``dirty``,
        ``first_time``, ``errors``, ``arc``, ``doubtful`` or ``cleave``; ``value`` and ``expected``
        of the day (dB for the level of a stream, the setting's unit for ``arc`` and ``doubtful``,
        relative to the expected angle for ``cleave``, otherwise as in
        `arcdrift.analysis.loss.loss_charts.AllLossCharts.subject_days`); ``evidence`` as a share of
        the limit, 1 and more at an alarm.

    Notes
    -----
    Loss charts are recomputed. Charts of the arc and of cleave angles use the stored residuals from
    forecasts; another budget would change those a little after an alarm, because forecasts leave
    alarmed checks and risen angles out.
    """
    days = history.stream_days.rename(columns={"splices": "n"})
    days = days.assign(day=pd.to_datetime(days["day"]))[
        ["splicer", "program", "segment", *EVENT_COLUMNS, "day", "site", "n", "total", "capped",
         "capped_squares", "excluded", "frozen"]
    ]  # fmt: skip
    cells = history.loss_cells
    cells = cells.assign(day=pd.to_datetime(cells["day"]), total=cells["capped"])
    parts = []
    if len(days):
        parts.append(_loss_alarms(chart_cells(days, cells, false_alarms_per_month, shares)))
    parts.append(arc_alarms(history.arc_points, false_alarms_per_month * shares.arc))
    pace = checks_per_month(history.arc_points) / false_alarms_per_month
    limits = doubt_limits(history.arc_points, pace / shares.doubtful)
    parts.append(_doubt_rows(history.arc_points.assign(doubt_limit=limits)))
    angles, _ = replay_angles(history.angle_days, false_alarms_per_month * shares.cleave)
    parts.append(_angle_rows(angles))
    return _sorted_alarms(parts)


def recorded_alarms(history: History) -> pd.DataFrame:
    """Alarms of the last review, as `ALARM_COLUMNS`."""
    levels = alarmed(as_stream_subjects(history.stream_days))
    levels = levels.assign(
        measure="level", value=levels["capped_mean_db"], expected=levels["expected_db"],
        evidence=(levels["statistic"] / levels["limit"]).abs(),
    )  # fmt: skip
    others = history.subject_days[history.subject_days["alarm"].astype(bool)]
    others = others.assign(side="up", evidence=others["statistic"] / others["limit"])
    arc = history.arc_points[history.arc_points["alarm"].astype(bool)]
    checks = _arc_rows(arc, "arc", arc["ewma"], arc["limit"])
    doubtful = _doubt_rows(history.arc_points)
    angles = _angle_rows(history.angle_days[history.angle_days["alarm"].astype(bool)])
    parts = (levels, others, checks, doubtful, angles)
    return _sorted_alarms([part.assign(day=pd.to_datetime(part["day"])) for part in parts])


def _angle_rows(days: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "day": pd.to_datetime(days["day"]),
            "subject_type": days["subject_type"],
            "subject_id": days["subject"],
            "measure": "cleave",
            "side": "up",
            "value": days["ratio"],
            "expected": 1.0,
            "evidence": days["statistic"] / days["limit"],
        }
    )


def _sorted_alarms(parts: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [part[ALARM_COLUMNS] for part in parts if len(part)]
    if not filled:
        return pd.DataFrame(columns=ALARM_COLUMNS)
    return pd.concat(filled).sort_values(["day", *ALARM_COLUMNS[1:4]], ignore_index=True)


def _loss_alarms(charts: AllLossCharts) -> pd.DataFrame:
    levels = as_stream_subjects(charts.streams.days).assign(measure="level")
    levels = levels.rename(columns={"capped_mean_db": "value", "expected_db": "expected"})
    wanted = [*_KEYS, "value", "expected"]
    seen = [part[wanted] for part in (levels, charts.subject_days) if len(part)]
    alarms = charts.alarms
    if alarms.empty:
        return pd.DataFrame(columns=ALARM_COLUMNS)
    rows = alarms.merge(pd.concat(seen), on=_KEYS, how="left")
    return rows.assign(evidence=(rows["statistic"] / rows["limit"]).abs())


def arc_alarms(points: pd.DataFrame, budget: float) -> pd.DataFrame:
    """Alarms of the arc's drift charts under a budget of alarms a month, as `ALARM_COLUMNS`.

    The EWMA of each splicer's stored ``z`` (`arcdrift.analysis.arc.arc_drift.drift_charts`) is
    reset to 0 at an alarm and at a check without z.
    """
    used = usable_or_charted(points).sort_values(["splicer", "checked_at", "point"])
    if used.empty:
        return pd.DataFrame(columns=ALARM_COLUMNS)
    wanted = max(checks_per_month(points) / budget, SHORTEST_ARC_RUN)
    limit = ewma_limit(ARC_LAMBDA, rounded_run_length(wanted), sided="two")
    bound = settled_limits(ARC_LAMBDA, limit)[1]
    value = np.zeros(len(used))
    state = 0.0
    first_of_splicer = (used["splicer"] != used["splicer"].shift()).to_numpy()
    scores = np.clip(used["z"].to_numpy(dtype=np.float64), -CLIP, CLIP)
    for row, (first, z) in enumerate(zip(first_of_splicer.tolist(), scores.tolist(), strict=True)):
        state = 0.0 if first else state
        state = 0.0 if np.isnan(z) else (1.0 - ARC_LAMBDA) * state + ARC_LAMBDA * z
        value[row] = state
        if abs(state) > bound:
            state = 0.0
    alarm = np.abs(value) > bound
    return _arc_rows(used[alarm], "arc", pd.Series(value, used.index)[alarm], bound)


def _doubt_rows(points: pd.DataFrame) -> pd.DataFrame:
    rows = points[points["doubt_limit"].notna()]
    return _arc_rows(rows, "doubtful", rows["z"], rows["doubt_limit"])


def _arc_rows(
    rows: pd.DataFrame, measure: str, statistic: pd.Series, bound: pd.Series | float
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "day": rows["checked_at"].dt.tz_localize(None).dt.normalize(),
            "subject_type": "splicer",
            "subject_id": rows["splicer"],
            "measure": measure,
            "side": np.where(statistic > 0, "up", "down"),
            "value": rows["arc_setting"],
            "expected": rows["expected"],
            "evidence": statistic.abs() / bound,
        }
    )
