"""Records near an onset: service, arc alarms, missed checks, arc mismatch, wear, blade use.

Everything is sorted once; values of a splicer are computed on demand.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.arc.arc_regressors import center_air
from arcdrift.analysis.arc.pooled_regression import SLOPES
from arcdrift.analysis.common.days import DAY
from arcdrift.analysis.common.grouping import group_rows
from arcdrift.analysis.maintenance.usage_hours import (
    CLEAVES_PER_SPLICE,
    NO_TURNS,
    BladeTurns,
    hours_by_asset,
    turns_by_cleaver,
)
from arcdrift.analysis.setting_cost.mismatch_model import mean_square_mismatch
from arcdrift.arrays import Bools, Floats, Ints
from arcdrift.settings import Crew, Splicer

LEVEL_CHECKS = 3
"""Checks that an electrode pair needs for a level, and so for a mismatch."""
NO_CHECK = ("missed", "failed-only")
"""Statuses of a workday without a passed check."""
NO_ROWS = np.zeros(0, dtype=np.int64)
Rows = dict[str, Ints]
"""Rows of a frame by splicer, cleaver or asset."""


@dataclass(frozen=True)
class Mismatches:
    """Mismatch of the arc setting in the cells of one splicer.

    Attributes
    ----------
    at : array of int64
        Midnight (taken as UTC) of the local day, microseconds.
    n : array
        Splices.
    square : array
        Mean squared mismatch in repeatabilities of a check.
    """

    at: Ints
    n: Floats
    square: Floats


@dataclass(frozen=True)
class RecordsNearOnset:
    """Records of a whole crew that may explain a shift in loss.

    Attributes
    ----------
    service : DataFrame
        ``asset``, ``serviced_at``, ``action``.
    points : DataFrame
        Charted arc checks (``result_arc_points``).
    cells : DataFrame
        `arcdrift.analysis.setting_cost.mismatch_groups.mismatch_cells` of every splicer.
    checks : DataFrame
        Daily check statuses (``result_check_days``).
    use : DataFrame
        `arcdrift.analysis.maintenance.service_findings.usage_by_hour` of every splicer.
    models : tuple of ArcModel or Refusal
    crew : Crew
    """

    service: pd.DataFrame
    points: pd.DataFrame
    cells: pd.DataFrame
    checks: pd.DataFrame
    use: pd.DataFrame
    models: tuple[ArcModel | Refusal, ...]
    crew: Crew

    @cached_property
    def _service(self) -> tuple[list[str], Ints, Rows]:
        """Actions and times of all service in order of time, and the rows of each asset."""
        ordered = self.service.sort_values("serviced_at", kind="stable")
        actions = ordered["action"].astype(str).tolist()
        return actions, _micros(ordered["serviced_at"]), _rows_of(ordered["asset"])

    @cached_property
    def _rates(self) -> dict[str, float]:
        if self.service.empty:
            return {}
        at = self.service["serviced_at"]
        days = max((at.max() - at.min()) / DAY, 1.0)
        by_action = self.service.groupby("action")["asset"]
        return {
            str(action): float(count / assets / days)
            for action, count, assets in zip(
                by_action.size().index, by_action.size(), by_action.nunique(), strict=True
            )
        }

    @cached_property
    def _alarms(self) -> dict[str, list[pd.Timestamp]]:
        if self.points.empty:
            return {}
        alarmed = self.points[self.points["alarm"].astype(bool)].sort_values("checked_at")
        return {str(name): list(times) for name, times in alarmed.groupby("splicer")["checked_at"]}

    @cached_property
    def _arcs(self) -> tuple[Ints, Floats, Rows]:
        """Times of all checks in order and arcs on the electrodes, and the rows of each splicer."""
        counted = self.points.dropna(subset=["arcs"]).sort_values("checked_at", kind="stable")
        arcs = counted["arcs"].to_numpy(dtype=np.float64)
        return _micros(counted["checked_at"]), arcs, _rows_of(counted["splicer"])

    @cached_property
    def _points(self) -> tuple[pd.DataFrame, Rows]:
        """Checks that models use, and the rows of each splicer."""
        used = self.points[self.points["excluded"].isna()]
        return used, _rows_of(used["splicer"])

    @cached_property
    def _cells(self) -> dict[str, dict[Hashable, npt.NDArray[Any]]]:
        """Numbers and days of `cells` by splicer."""
        # an array of instants would hold objects, and neither names nor instants are needed
        columns = self.cells.select_dtypes(["number", "datetime"])
        arrays = {name: columns[name].to_numpy() for name in columns}
        return {
            str(name): {column: values[rows] for column, values in arrays.items()}
            for name, rows in self.cells.groupby("splicer").indices.items()
        }

    @cached_property
    def _checks(self) -> tuple[Ints, Bools, Rows]:
        """Times of the first splice of all workdays in order, whether without a passed check.

        And the rows of each splicer.
        """
        worked = self.checks.dropna(subset=["first_splice_at"])
        worked = worked.sort_values("first_splice_at", kind="stable")
        unchecked = worked["status"].isin(NO_CHECK).to_numpy()
        return _micros(worked["first_splice_at"]), unchecked, _rows_of(worked["splicer"])

    @cached_property
    def _models(self) -> dict[str, ArcModel]:
        return {model.splicer: model for model in self.models if isinstance(model, ArcModel)}

    @cached_property
    def _mismatches(self) -> dict[str, Mismatches | None]:
        return {}

    @cached_property
    def _turned(self) -> dict[str, BladeTurns]:
        return turns_by_cleaver(self.service)

    @cached_property
    def _hours(self) -> Rows:
        """Rows of `use` of each cleaver."""
        return _rows_of(self.use["cleaver"])

    @cached_property
    def _uses(self) -> dict[str, tuple[Ints, Floats, Ints] | None]:
        return {}

    def _use(self, cleaver: str) -> tuple[Ints, Floats, Ints] | None:
        """First splice of each hour of use, cleaves before it, and turns of the blade."""
        if cleaver not in self._uses:
            rows = self._hours.get(cleaver)
            self._uses[cleaver] = None if rows is None else self._found_use(cleaver, rows)
        return self._uses[cleaver]

    def _found_use(self, cleaver: str, rows: Ints) -> tuple[Ints, Floats, Ints]:
        hours = hours_by_asset(self.use.take(rows), "cleaver")[cleaver]
        known = np.flatnonzero(hours.position >= 0)
        moved = known[1:][np.diff(hours.position[known]) != 0]
        at = hours.first.astype(np.int64)
        logged = self._turned.get(cleaver, NO_TURNS).when.astype(np.int64)
        count = CLEAVES_PER_SPLICE * np.r_[0.0, hours.splices.cumsum()]
        return at, count, np.sort(np.r_[logged, at[moved]])

    def service_between(
        self, asset: str, begin: pd.Timestamp, end: pd.Timestamp
    ) -> list[tuple[str, pd.Timestamp]]:
        """Service on an asset between two times: actions with their times."""
        actions, at, rows_of = self._service
        rows = rows_of.get(asset, NO_ROWS)
        first, last = np.searchsorted(at[rows], [_micro(begin), _micro(end) + 1])
        return [
            (actions[row], pd.Timestamp(int(at[row]), unit="us", tz="UTC"))
            for row in rows[first:last].tolist()
        ]

    def rate_per_day(self, action: str) -> float:
        """Mean rate of an action per asset and day, over the assets that have had it."""
        return self._rates.get(action, 0.0)

    def arc_alarm_between(
        self, splicer: str, begin: pd.Timestamp, end: pd.Timestamp
    ) -> pd.Timestamp | None:
        """Time of the first alarm of a splicer's arc drift chart between two times."""
        return next((at for at in self._alarms.get(splicer, []) if begin <= at <= end), None)

    def unchecked_workdays(
        self, splicer: str, begin: pd.Timestamp, end: pd.Timestamp
    ) -> tuple[int, int]:
        """Number of workdays without a passed check, and of all workdays, between two times."""
        at, unchecked, rows_of = self._checks
        rows = rows_of.get(splicer, NO_ROWS)
        first, last = np.searchsorted(at[rows], [_micro(begin), _micro(end)])
        return int(unchecked[rows[first:last]].sum()), int(last - first)

    def electrode_arcs(self, splicer: str, at: pd.Timestamp) -> tuple[float, int] | None:
        """Arcs on a splicer's electrodes at its last check up to a day, and their life."""
        life = self.crew.splicers.get(splicer, Splicer()).electrode_life_arcs
        if life is None or self.points.empty:
            return None
        checked, arcs, rows_of = self._arcs
        rows = rows_of.get(splicer, NO_ROWS)
        last = int(np.searchsorted(checked[rows], _micro(at + DAY))) - 1
        return None if last < 0 else (float(arcs[rows[last]]), life)

    def cleaves_on_position(self, cleaver: str, at: pd.Timestamp) -> float | None:
        """Cleaves on the blade's present position; None where no earlier turn is known."""
        use = self._use(cleaver)
        if use is None:
            return None
        hours, count, turns = use
        moment = _micro(at)
        turn = int(np.searchsorted(turns, moment, side="right")) - 1
        if turn < 0:
            return None
        now, turned = np.searchsorted(hours, [moment, turns[turn]])
        return float(count[now] - count[turned])

    def mismatches(self, splicer: str) -> Mismatches | None:
        """Mismatch of one splicer's arc setting; None where no splice has a check before it."""
        if splicer not in self._mismatches:
            cells = self._cells.get(splicer)
            self._mismatches[splicer] = None if cells is None else self._mismatch(splicer, cells)
        return self._mismatches[splicer]

    def _mismatch(self, splicer: str, cells: dict[Hashable, npt.NDArray[Any]]) -> Mismatches | None:
        model = self._models.get(splicer)
        if model is None or self.points.empty:
            return None
        used, rows_of = self._points
        if splicer not in rows_of:
            return None
        points = used.take(rows_of[splicer])
        slopes = np.asarray(model.mean[:SLOPES], dtype=np.float64)
        adjusted = points["arc_setting"].to_numpy(dtype=np.float64)
        adjusted = adjusted - center_air(points).to_numpy(dtype=np.float64) @ slopes
        epoch = points["epoch"].to_numpy()
        level = np.full(len(cells["n"]), np.nan)
        for number in np.unique(epoch):
            settings = adjusted[epoch == number]
            if len(settings) >= LEVEL_CHECKS:
                level[cells["epoch"] == number] = np.median(settings)
        known = ~np.isnan(level)
        square = mean_square_mismatch(cells | {"level": level}, slopes[None, :]) / model.sigma**2
        return Mismatches(
            cells["day"][known].astype("datetime64[us]").astype(np.int64),
            cells["n"][known].astype(np.float64),
            square[known],
        )


def _rows_of(names: pd.Series) -> Rows:
    """Rows of each name, in order."""
    code, texts = pd.factorize(names, sort=True)
    return dict(zip(map(str, texts), group_rows(code, len(texts)), strict=True))


def _micro(at: pd.Timestamp) -> int:
    return at.value // 1000


def _micros(at: pd.Series) -> Ints:
    return at.to_numpy(dtype="datetime64[us]").astype(np.int64)
