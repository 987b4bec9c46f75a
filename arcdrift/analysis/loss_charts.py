"""All charts of loss together, under one budget of false alarms."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.loss import LossCharts, Units
from arcdrift.analysis.loss_clock import chart_together
from arcdrift.analysis.rising import COUNTED, rising_days
from arcdrift.analysis.rollup import (
    SUBJECT,
    SUBJECTS,
    hand_cells,
    of_streams,
    rolled_days,
    spread_days,
)
from arcdrift.settings import Shares

ROLLED_EXCESS = 1.8
"""How many times as often as their limits say rolled-up charts alarm in healthy simulated crews:
people move between streams whose expectation was learned from others. Their limits allow for it;
without that they gave 1.5 (50 streams) to 2.2 times (300) their share of the budget."""
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
    rolled, spread : DataFrame
        Charted days of `arcdrift.analysis.rollup.rolled_days` and `spread_days`
        (columns of `arcdrift.analysis.loss_clock.chart_losses`).
    rates : dict of DataFrame
        Days of `arcdrift.analysis.rising.rising_days` for ``dirty`` and ``redo``.
    cells : DataFrame
        Cells by stream, technician and day (`arcdrift.analysis.rollup.hand_cells`).
    """

    streams: LossCharts
    rolled: pd.DataFrame
    spread: pd.DataFrame
    rates: dict[str, pd.DataFrame]
    cells: pd.DataFrame

    @property
    def alarms(self) -> pd.DataFrame:
        """Every alarm: `ALARM_COLUMNS`.

        ``measure`` is ``level``, ``spread``, ``dirty`` or ``redo``, ``side`` ``up`` or ``down``.
        """
        levels = of_streams(self.streams.days).assign(measure="level")
        spread = of_streams(self.spread).assign(measure="spread")
        rolled = self.rolled.assign(measure="level")
        parts = [alarmed(days) for days in (levels, rolled, spread)]
        for measure, days in self.rates.items():
            hit = days["alarm"].astype(bool)
            parts.append(days[hit].assign(measure=measure, side="up"))
        filled = [part[ALARM_COLUMNS] for part in parts if len(part)]
        if not filled:
            return pd.DataFrame(columns=ALARM_COLUMNS)
        return pd.concat(filled).sort_values(["day", *ALARM_COLUMNS[:3]], ignore_index=True)

    @property
    def subject_days(self) -> pd.DataFrame:
        """Days of every chart but the streams' levels: `SUBJECT_DAY_COLUMNS`.

        ``value`` and ``expected`` are relative losses (1 is as expected of the streams) for a
        level, relative spreads for ``spread``, shares for ``dirty`` and ``redo``.
        """
        spread = of_streams(self.spread).assign(measure="spread")
        parts = []
        for days in (self.rolled.assign(measure="level"), spread):
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
        `arcdrift.analysis.loss_days.loss_days`, all splicers together; may have columns
        ``excluded`` and ``frozen`` (`arcdrift.analysis.loss_clock.chart_losses`).
    hands : DataFrame
        `arcdrift.analysis.hands.hand_days`, all splicers together.
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
        From `arcdrift.analysis.rollup.hand_cells`, without the days left out.
    """
    budget = false_alarms_per_month
    streams, spread = chart_together(
        [
            Units(days, budget * shares.loss_raised, budget * shares.loss_lowered, shared=True),
            Units(spread_days(days), budget * shares.scattered, None),
        ]
    )
    return AllLossCharts(
        streams=streams,
        rolled=_rolled(rolled_days(cells, streams.days), budget * shares.rolled_up),
        spread=spread.days,
        rates={
            measure: rising_days(cells, measure, budget * share)
            for measure, share in zip(COUNTED, (shares.dirty, shares.redo), strict=True)
        },
        cells=cells,
    )


def _rolled(days: pd.DataFrame, budget: float) -> pd.DataFrame:
    """Charts of each type of subject by itself: splicers scatter otherwise than a crew does."""
    kinds = [days[days["subject_type"] == kind] for kind in SUBJECTS]
    told = chart_together(
        [
            Units(mine, budget / ROLLED_EXCESS * len(mine) / len(days), None, SUBJECT)
            for mine in kinds
            if len(mine)
        ]
        or [Units(days, 1.0, None, SUBJECT)]
    )
    return pd.concat([one.days for one in told], ignore_index=True)
