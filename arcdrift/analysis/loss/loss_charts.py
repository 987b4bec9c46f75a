"""All loss charts together, under one false-alarm budget."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.chart_states import ChartStates
from arcdrift.analysis.common.grouping import category_to_text, match_rows
from arcdrift.analysis.loss.day_level import ChartGroup, LossCharts
from arcdrift.analysis.loss.proportion_charts import COUNTED, chart_proportions
from arcdrift.analysis.loss.rollup import (
    SUBJECT,
    SUBJECTS,
    as_stream_subjects,
    cell_spread,
    roll_up_days,
    roll_up_spread,
    rows_per_day,
    stream_spread_days,
    stream_technician_cells,
    subjects_of,
    sum_over_holdings,
)
from arcdrift.analysis.loss.sequential_ewma import chart_groups
from arcdrift.shares import Shares

ROLLED_EXCESS = 1.8
"""Factor on the run length of rolled-up charts. They alarm more often than their limits say,
because people move between streams whose expectation was learned from others: without the factor
they used 1.5 (50 streams) to 2.2 times (300) their share of the budget in healthy simulated crews.
"""
SPREAD_EXCESS = 4.0
"""The same factor for all charts of spread: a squared spread has a longer tail than its cube root
allows for, and people of different consistency move between streams. Without the factor they used
2.0 (20 crews of 50 streams) to 3.2 times (3 of 300) their share of the budget, with it 1.0 and
1.6."""
ALARM_COLUMNS = ["measure", *SUBJECT, "day", "side", "statistic", "limit"]
SUBJECT_DAY_COLUMNS = [
    "measure", *SUBJECT, "day", "n", "value", "expected", "statistic", "limit", "alarm",
]  # fmt: skip


@dataclass(frozen=True)
class AllLossCharts:
    """Charts of level, spread and shares, of streams and of what they roll up to.

    Attributes
    ----------
    streams : LossCharts
        Level of each stream's days.
    rolled, spread, rolled_spread : DataFrame
        Charted days of `arcdrift.analysis.loss.rollup.roll_up_days`, `stream_spread_days` (of
        streams) and `roll_up_spread`, with the columns of
        `arcdrift.analysis.loss.day_level.LossCharts.days`.
    rates : dict of DataFrame
        Results of `arcdrift.analysis.loss.proportion_charts.chart_proportions`, by measure.
    cells : DataFrame
        Cells by stream, technician, way of holding and day
        (`arcdrift.analysis.loss.rollup.stream_technician_cells`).
    """

    streams: LossCharts
    rolled: pd.DataFrame
    spread: pd.DataFrame
    rolled_spread: pd.DataFrame
    rates: dict[str, pd.DataFrame]
    cells: pd.DataFrame

    @property
    def alarms(self) -> pd.DataFrame:
        """Every alarm: `ALARM_COLUMNS`.

        ``measure`` is ``level``, ``spread`` or one of `COUNTED`, ``side`` ``up`` or ``down``.
        """
        levels = as_stream_subjects(self.streams.days).assign(measure="level")
        parts = [alarmed(days) for days in (levels, *self._rolled)]
        for measure, days in self.rates.items():
            alarm = days["alarm"].astype(bool)
            parts.append(days[alarm].assign(measure=measure, side="up"))
        filled = [part[ALARM_COLUMNS] for part in parts if len(part)]
        if not filled:
            return pd.DataFrame(columns=ALARM_COLUMNS)
        return pd.concat(filled).sort_values(["day", *ALARM_COLUMNS[:3]], ignore_index=True)

    @property
    def _rolled(self) -> list[pd.DataFrame]:
        """Charted days of all level and spread charts except stream levels, with ``measure``."""
        return [
            self.rolled.assign(measure="level"),
            as_stream_subjects(self.spread).assign(measure="spread"),
            self.rolled_spread.assign(measure="spread"),
        ]

    @property
    def subject_days(self) -> pd.DataFrame:
        """Days of every chart except stream levels: `SUBJECT_DAY_COLUMNS`.

        ``value`` and ``expected`` are relative losses (1 is as expected from the streams) for
        ``level``, relative spreads for ``spread`` (of streams; for other subjects multiples of the
        spread expected from their streams), and shares for the measures of
        `COUNTED`.
        """
        parts = []
        for days in self._rolled:
            is_spread = days["measure"] == "spread"
            mean, expected = days["capped_mean_db"], days["expected_db"]
            parts.append(
                days.assign(
                    value=mean.where(~is_spread, np.sqrt(mean)),
                    expected=expected.where(~is_spread, np.sqrt(expected)),
                    statistic=days["ewma_up"],
                    limit=days["limit_up"],
                    alarm=days["alarm"] != "",
                )
            )
        for measure, days in self.rates.items():
            if days.empty:
                continue
            limit = days["limit"].where(np.isfinite(days["limit"]))
            parts.append(
                days.assign(
                    measure=measure, value=days["bad"] / days["n"], limit=limit,
                    expected=days["expected_share"],
                )
            )  # fmt: skip
        filled = [part[SUBJECT_DAY_COLUMNS] for part in parts if len(part)]
        if not filled:
            return pd.DataFrame(columns=SUBJECT_DAY_COLUMNS)
        return pd.concat(filled, ignore_index=True)


def alarmed(days: pd.DataFrame) -> pd.DataFrame:
    """Charted days with an alarm, with its ``side``, ``statistic`` and ``limit``."""
    days = days[days["alarm"] != ""]
    up = days["alarm"] == "up"
    rows: pd.DataFrame = days.assign(
        side=days["alarm"],
        statistic=days["ewma_up"].where(up, days["ewma_down"]),
        limit=days["limit_up"].where(up, days["limit_down"]),
    )
    return rows


def chart_all(
    days: pd.DataFrame,
    technician_days: pd.DataFrame,
    false_alarms_per_month: float,
    shares: Shares,
    states: ChartStates | None = None,
) -> AllLossCharts:
    """Compute all loss charts.

    Parameters
    ----------
    days : DataFrame
        `arcdrift.analysis.loss.stream_days.sum_stream_days`, all splicers together; may have
        columns ``excluded`` and ``frozen`` (`arcdrift.analysis.loss.day_level.ChartGroup`).
    technician_days : DataFrame
        `arcdrift.analysis.loss.technician_days.aggregate_technician_days`, all splicers together.
    false_alarms_per_month : float
        The crew's budget for all charts, arc charts included.
    shares : Shares
        Share of the budget of each kind of chart.
    states : ChartStates, optional
        States from which the charts may go on.
    """
    cells = stream_technician_cells(technician_days)
    if "excluded" in days.columns and len(cells):
        keys = ["splicer", "program", "day"]
        excluded = match_rows(cells, days.loc[days["excluded"], keys], keys) >= 0
        cells = cells[~excluded].reset_index(drop=True)
    return chart_cells(days, cells, false_alarms_per_month, shares, states)


def chart_cells(
    days: pd.DataFrame,
    cells: pd.DataFrame,
    false_alarms_per_month: float,
    shares: Shares,
    states: ChartStates | None = None,
) -> AllLossCharts:
    """Compute all loss charts from stream days and cells.

    Parameters
    ----------
    days, false_alarms_per_month, shares, states
        As in `chart_all`.
    cells : DataFrame
        From `arcdrift.analysis.loss.rollup.stream_technician_cells`, without excluded days.
    """
    budget = false_alarms_per_month
    of_hands = sum_over_holdings(cells)
    spread, spread_of_cells = stream_spread_days(days), cell_spread(of_hands)
    pace = rows_per_day(spread["day"]).add(
        rows_per_day(spread_of_cells["day"], subjects_of(spread_of_cells)), fill_value=0
    )
    scattered = budget * shares.scattered / SPREAD_EXCESS
    streams, scatter = chart_groups(
        [
            ChartGroup(
                days,
                budget * shares.loss_raised,
                budget * shares.loss_lowered,
                common_effect=True,
                cells=of_hands[["splicer", "program", "technician", "day", "n", "capped"]],
            ),
            ChartGroup(spread, scattered, None, pace=pace),
        ],
        states,
        "losses of streams",
    )
    raised = roll_up_days(of_hands, streams.days)
    levels = _by_subject_type(
        raised, budget * shares.rolled_up / ROLLED_EXCESS, rows_per_day(raised["day"])
    )
    spreads = _by_subject_type(roll_up_spread(spread_of_cells, scatter.days), scattered, pace)
    charted = chart_groups([*levels, *spreads], states, "losses of others")
    rolled = [charts.days for charts in charted]
    return AllLossCharts(
        streams=streams,
        rolled=pd.concat(rolled[: len(levels)], ignore_index=True),
        spread=scatter.days,
        rolled_spread=pd.concat(rolled[len(levels) :], ignore_index=True),
        rates={
            measure: chart_proportions(cells, measure, budget * getattr(shares, measure))
            for measure in COUNTED
        },
        cells=category_to_text(cells),
    )


def _by_subject_type(days: pd.DataFrame, budget: float, pace: pd.Series) -> list[ChartGroup]:
    """One chart group per subject type, because splicers and crews scatter differently."""
    parts = [days[days["subject_type"] == subject_type] for subject_type in SUBJECTS]
    groups = [ChartGroup(part, budget, None, SUBJECT, pace=pace) for part in parts if len(part)]
    return groups or [ChartGroup(days, budget, None, SUBJECT)]
