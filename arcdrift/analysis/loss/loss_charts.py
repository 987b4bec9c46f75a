"""All charts of loss together, under one budget of false alarms."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.loss.day_level import LossCharts, Units
from arcdrift.analysis.loss.proportion_charts import COUNTED, rising_days
from arcdrift.analysis.loss.rollup import (
    SUBJECT,
    SUBJECTS,
    hand_cells,
    of_streams,
    rolled_days,
    rolled_spread,
    rows_a_day,
    spread_cells,
    spread_days,
    subjects_of,
)
from arcdrift.analysis.loss.sequential_ewma import chart_together
from arcdrift.settings import Shares

ROLLED_EXCESS = 1.8
"""How many times as often as their limits say rolled-up charts alarm in healthy simulated crews:
people move between streams whose expectation was learned from others. Their limits allow for it;
without that they gave 1.5 (50 streams) to 2.2 times (300) their share of the budget."""
SPREAD_EXCESS = 4.0
"""The same of all charts of spread: a squared spread has a longer tail than its cube root allows
for, and people of uneven hands move. At limits without it they gave 2.0 (20 crews of 50 streams)
to 3.2 times (3 of 300) their share of the budget, with it 1.0 and 1.6."""
ALARM_COLUMNS = ["measure", *SUBJECT, "day", "side", "statistic", "limit"]
SUBJECT_DAY_COLUMNS = [
    "measure", *SUBJECT, "day", "n", "value", "expected", "statistic", "limit", "alarm",
]  # fmt: skip


@dataclass(frozen=True)
class AllLossCharts:
    """Every chart of loss.

    Attributes
    ----------
    streams : LossCharts
        Level of each stream's days.
    rolled, spread, rolled_spread : DataFrame
        Charted days of `arcdrift.analysis.loss.rollup.rolled_days`, `spread_days` (of streams) and
        `rolled_spread` (columns of `arcdrift.analysis.loss.sequential_ewma.chart_losses`).
    rates : dict of DataFrame
        Days of `arcdrift.analysis.loss.proportion_charts.rising_days` for ``dirty`` and ``redo``.
    cells : DataFrame
        Cells by stream, technician and day (`arcdrift.analysis.loss.rollup.hand_cells`).
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

        ``measure`` is ``level``, ``spread``, ``dirty`` or ``redo``, ``side`` ``up`` or ``down``.
        """
        levels = of_streams(self.streams.days).assign(measure="level")
        parts = [alarmed(days) for days in (levels, *self._rolled)]
        for measure, days in self.rates.items():
            hit = days["alarm"].astype(bool)
            parts.append(days[hit].assign(measure=measure, side="up"))
        filled = [part[ALARM_COLUMNS] for part in parts if len(part)]
        if not filled:
            return pd.DataFrame(columns=ALARM_COLUMNS)
        return pd.concat(filled).sort_values(["day", *ALARM_COLUMNS[:3]], ignore_index=True)

    @property
    def _rolled(self) -> list[pd.DataFrame]:
        """Charted days of means but those of the streams' levels, with their ``measure``."""
        return [
            self.rolled.assign(measure="level"),
            of_streams(self.spread).assign(measure="spread"),
            self.rolled_spread.assign(measure="spread"),
        ]

    @property
    def subject_days(self) -> pd.DataFrame:
        """Days of every chart but the streams' levels: `SUBJECT_DAY_COLUMNS`.

        ``value`` and ``expected`` are relative losses (1 is as expected of the streams) for a
        level, relative spreads for ``spread`` (of streams; of others a multiple of what was
        expected of their streams), shares for ``dirty`` and ``redo``.
        """
        parts = []
        for days in self._rolled:
            root = days["measure"] == "spread"
            mean, expected = days["capped_mean_db"], days["expected_db"]
            parts.append(
                days.assign(
                    value=mean.where(~root, np.sqrt(mean)),
                    expected=expected.where(~root, np.sqrt(expected)),
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
    told: pd.DataFrame = days.assign(
        side=days["alarm"],
        statistic=days["ewma_up"].where(up, days["ewma_down"]),
        limit=days["limit_up"].where(up, days["limit_down"]),
    )
    return told


def chart_all(
    days: pd.DataFrame, hands: pd.DataFrame, false_alarms_per_month: float, shares: Shares
) -> AllLossCharts:
    """Chart everything that is known of loss.

    Parameters
    ----------
    days : DataFrame
        `arcdrift.analysis.loss.stream_days.loss_days`, all splicers together; may have columns
        ``excluded`` and ``frozen`` (`arcdrift.analysis.loss.sequential_ewma.chart_losses`).
    hands : DataFrame
        `arcdrift.analysis.loss.technician_days.hand_days`, all splicers together.
    false_alarms_per_month : float
        The crew's budget for all charts, those of the arc too.
    shares : Shares
        How the budget is shared out.
    """
    cells = hand_cells(hands)
    if "excluded" in days.columns and len(cells):
        keys = ["splicer", "program", "day"]
        cells = cells.merge(days.loc[days["excluded"], keys], on=keys, how="left", indicator=True)
        cells = cells[cells["_merge"] == "left_only"].drop(columns="_merge")
        cells = cells.reset_index(drop=True)
    return chart_cells(days, cells, false_alarms_per_month, shares)


def chart_cells(
    days: pd.DataFrame, cells: pd.DataFrame, false_alarms_per_month: float, shares: Shares
) -> AllLossCharts:
    """Chart stream days and cells that were made before.

    Parameters
    ----------
    days, false_alarms_per_month, shares
        As in `chart_all`.
    cells : DataFrame
        From `arcdrift.analysis.loss.rollup.hand_cells`, without the days left out.
    """
    budget = false_alarms_per_month
    spread, scattering = spread_days(days), spread_cells(cells)
    pace = rows_a_day(spread["day"]).add(
        rows_a_day(scattering["day"], subjects_of(scattering)), fill_value=0
    )
    scattered = budget * shares.scattered / SPREAD_EXCESS
    streams, scatter = chart_together(
        [
            Units(days, budget * shares.loss_raised, budget * shares.loss_lowered, shared=True),
            Units(spread, scattered, None, pace=pace),
        ]
    )
    raised = rolled_days(cells, streams.days)
    levels = _kinds(raised, budget * shares.rolled_up / ROLLED_EXCESS, rows_a_day(raised["day"]))
    spreads = _kinds(rolled_spread(scattering, scatter.days), scattered, pace)
    rolled = [one.days for one in chart_together([*levels, *spreads])]
    return AllLossCharts(
        streams=streams,
        rolled=pd.concat(rolled[: len(levels)], ignore_index=True),
        spread=scatter.days,
        rolled_spread=pd.concat(rolled[len(levels) :], ignore_index=True),
        rates={
            measure: rising_days(cells, measure, budget * share)
            for measure, share in zip(COUNTED, (shares.dirty, shares.redo), strict=True)
        },
        cells=cells,
    )


def _kinds(days: pd.DataFrame, budget: float, pace: pd.Series) -> list[Units]:
    """Each type of subject by itself: splicers scatter otherwise than a crew does."""
    kinds = [days[days["subject_type"] == kind] for kind in SUBJECTS]
    found = [Units(mine, budget, None, SUBJECT, pace=pace) for mine in kinds if len(mine)]
    return found or [Units(days, budget, None, SUBJECT)]
