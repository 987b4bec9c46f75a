"""Invented stream days and cells of hands whose truth is known, for the charts of loss."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.crew_cells import SUMMED, CrewCells
from arcdrift.analysis.causes.shift_cells import ShiftCells
from arcdrift.analysis.common.chart_states import KeptResults
from arcdrift.analysis.loss.day_level import ChartGroup, LossCharts
from arcdrift.analysis.loss.loss_charts import AllLossCharts
from arcdrift.analysis.loss.sequential_ewma import chart_groups
from arcdrift.analysis.loss.service_shift import EVENT_COLUMNS
from arcdrift.analysis.loss.technician_days import NO_HOLDING

START = pd.Timestamp("2026-01-05")
CAP = 0.15


def chart_losses(
    days: pd.DataFrame,
    budget_up: float,
    budget_down: float | None,
    *,
    common_effect: bool = False,
) -> LossCharts:
    """Charts of one group of streams."""
    group = ChartGroup(days, budget_up, budget_down, common_effect=common_effect)
    return chart_groups([group])[0]


def shift_cells(
    hands: pd.DataFrame, charts: AllLossCharts, kept: KeptResults | None = None
) -> ShiftCells:
    """Cells of invented hands, each splicer with a cleaver of its own; days excluded stay out."""
    at = pd.to_datetime(hands["day"], utc=True).dt.as_unit("us") + pd.Timedelta(hours=15)
    filled = hands.assign(cleaver="C" + hands["splicer"], fibers="f", first_at=at)
    missing = [name for name in SUMMED if name not in filled.columns]
    filled = filled.assign(**dict.fromkeys(missing, 0.0))
    days = charts.streams.days
    excluded = days[days["excluded"]] if "excluded" in days.columns else None
    return ShiftCells(CrewCells.from_technician_days(filled, excluded), charts, kept)


@dataclass(frozen=True)
class Made:
    """Crew of invented losses; every factor is a function of the rows and the day number.

    Attributes
    ----------
    raised, dirtier, scattered, again, failing : tuple
        ``(column, value, first day, factor)``: losses, the share of dirty splices, the shape of
        the gamma law of losses, the share of places not right first time, or of attempts that end
        with an error, of the rows whose column has the value, from that day on. The column
        ``crew`` is everybody.
    holdings : bool
        Whether every other pair of splicers has clamps and the rest holders, or nothing is logged.
    stay : int
        Days after which people move on to the next splicer.
    hot : dict
        Factor on every loss by day number.
    """

    seed: int
    days: int = 90
    splicers: int = 10
    a_day: int = 24
    stay: int = 7
    raised: tuple[tuple[str, str, int, float], ...] = ()
    dirtier: tuple[tuple[str, str, int, float], ...] = ()
    scattered: tuple[tuple[str, str, int, float], ...] = ()
    again: tuple[tuple[str, str, int, float], ...] = ()
    failing: tuple[tuple[str, str, int, float], ...] = ()
    holdings: bool = False
    hot: dict[int, float] = field(default_factory=dict)

    def frames(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Stream days and technician days, as `arcdrift.analysis.loss` sums them."""
        rng = np.random.default_rng(self.seed)
        n = self.days * self.splicers * 2 * self.a_day
        day, rest = np.divmod(np.arange(n), self.splicers * 2 * self.a_day)
        machine, rest = np.divmod(rest, 2 * self.a_day)
        # each program is one half of a day
        person = (machine + day // self.stay) % self.splicers
        names = np.array([f"S{i}" for i in range(self.splicers)])
        rows = pd.DataFrame(
            {
                "splicer": names[machine], "program": np.array(["a", "b"])[rest // self.a_day],
                "technician": np.array([f"T{i}" for i in range(self.splicers)])[person],
                "site": np.array(["Harbor", "Moor"])[machine % 2], "crew": "crew", "day": day,
                "holding": np.array(["clamp", "holder"])[machine // 2 % 2],
            }
        )  # fmt: skip
        rows = rows if self.holdings else rows.assign(holding=NO_HOLDING)
        mean, shape = 0.03 * np.ones(n), np.ones(n)
        share, again, failing = (usual * np.ones(n) for usual in (0.012, 0.03, 0.01))
        for faults, value in (
            (self.raised, mean), (self.dirtier, share), (self.scattered, shape),
            (self.again, again), (self.failing, failing),
        ):  # fmt: skip
            for column, name, first, factor in faults:
                value[(rows[column] == name) & (day >= first)] *= factor
        for number, factor in self.hot.items():
            mean[day == number] *= factor
        loss = rng.gamma(shape, mean / shape)
        dirty = rng.random(n) < share
        loss = np.round(np.where(dirty, np.exp(rng.uniform(np.log(0.2), 0.0, n)), loss), 2)
        capped = np.minimum(loss, CAP)
        rows = rows.assign(
            day=START + pd.to_timedelta(day, "D"), n=1, made=1, total=loss, capped=capped,
            capped_squares=capped**2, squares=capped**2, dirty=loss > 0.18,
            errors=rng.random(n) < failing, places=1, again=rng.random(n) < again,
        )  # fmt: skip
        stream = ["splicer", "program", "day", "site"]
        days = rows.groupby(stream, as_index=False)[["n", "total", "capped", "capped_squares"]]
        hand = ["splicer", "program", "technician", "holding", "site", "day"]
        hands = rows.groupby(hand, as_index=False)[
            ["n", "made", "capped", "squares", "dirty", "errors", "places", "again"]
        ]
        events = dict.fromkeys(EVENT_COLUMNS, 0)
        return days.sum().assign(segment=0, cap=CAP, **events), hands.sum()
