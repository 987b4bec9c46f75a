"""Records of one splicer as arrays, and what they say about the time since its last arc check."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from arcdrift.analysis.advice.splicer_state import LastCheck, UncheckedSplices
from arcdrift.analysis.common.event_lookup import to_microseconds
from arcdrift.analysis.common.grouping import group_rows, rows_with, text_codes
from arcdrift.analysis.common.service_actions import REPLACED, RESTART_ACTIONS
from arcdrift.arrays import Bools, Floats, Ints, Microseconds

Texts = npt.NDArray[np.object_]


@dataclass(frozen=True)
class SplicerRecords:
    """Checks, splices and service events of one splicer, as they are stored.

    Attributes
    ----------
    checked_at, check_failed, check_arcs : array of shape (checks,)
        Microseconds UTC, whether the check failed, and the arc count logged with it.
    spliced_at, splice_arcs : array of shape (splices,)
        Practice and failed splices included.
    serviced_at, actions : array of shape (events,)
    """

    checked_at: Microseconds
    check_failed: Bools
    check_arcs: Floats
    spliced_at: Microseconds
    splice_arcs: Floats
    serviced_at: Microseconds
    actions: Texts

    @property
    def latest_splice(self) -> pd.Timestamp | None:
        """When the newest splice was made (UTC)."""
        return _timestamp(self.spliced_at.max()) if len(self.spliced_at) else None

    def until(self, moment: pd.Timestamp) -> "SplicerRecords":
        """All checks, and the splices and service events up to an instant."""
        spliced, serviced = (at <= _us(moment) for at in (self.spliced_at, self.serviced_at))
        return SplicerRecords(
            self.checked_at, self.check_failed, self.check_arcs,
            self.spliced_at[spliced], self.splice_arcs[spliced],
            self.serviced_at[serviced], self.actions[serviced],
        )  # fmt: skip

    def failures_since(self, last: LastCheck | None) -> Microseconds:
        """Times of the failed checks after a check; of all where there is none."""
        failed = self.checked_at[self.check_failed]
        return failed if last is None else failed[failed > _us(last.checked_at)]

    def service_since(self, last: LastCheck | None) -> tuple[Microseconds, Texts]:
        """Times and actions of the service events after a check, in order of time."""
        order = np.argsort(self.serviced_at, kind="stable")
        at, actions = self.serviced_at[order], self.actions[order]
        if last is None:
            return at, actions
        later = at > _us(last.checked_at)
        return at[later], actions[later]

    def unchecked(
        self, last: LastCheck | None, day_started: pd.Timestamp
    ) -> UncheckedSplices | None:
        """Splices of this workday made on an arc that nobody had checked.

        They count from the start of the workday, or, if a check has passed since, from the first
        failed check or restarting service after it. All splices count, practice and failed ones
        too, as in `arcdrift.analysis.checks.daily_checks`.
        """
        due = _us(day_started)
        if last is not None and last.checked_at >= day_started:
            at, actions = self.service_since(last)
            moments = np.r_[self.failures_since(last), at[np.isin(actions, RESTART_ACTIONS)]]
            if not len(moments):
                return None
            due = int(moments.min())
        made = self.spliced_at[self.spliced_at >= due]
        return UncheckedSplices(len(made), _timestamp(made.min())) if len(made) else None

    def arcs_now(self, last: LastCheck | None) -> float | None:
        """Arcs on the present electrodes: those at the last check plus those fired since.

        On electrodes replaced since that check, only those fired on them. A counter that fell was
        reset with the replacement; where splices carry no count, each counts as one arc.
        """
        if last is None or last.arcs is None:
            return None
        checked_at = _us(last.checked_at)
        at_check = _largest(self.check_arcs[self.checked_at == checked_at])
        since_check = self.spliced_at > checked_at
        replaced = self.serviced_at[self.actions == REPLACED]
        if not len(replaced) or replaced.max() <= checked_at:
            count = _largest(self.splice_arcs[since_check])
            return last.arcs if np.isnan(count) else last.arcs + max(count - at_check, 0.0)
        on_new = since_check & (self.spliced_at > replaced.max())
        at, counts = self.spliced_at[on_new], self.splice_arcs[on_new]
        counts = counts[np.argsort(at, kind="stable")]
        counts = counts[~np.isnan(counts)]
        if not len(counts):
            return float(len(at))
        before = _largest(self.splice_arcs[since_check & ~on_new])
        start = at_check if np.isnan(before) else max(before, at_check)
        return float(counts.max()) - (start if counts[0] >= start else 0.0)


def records_by_splicer(
    names: Sequence[str], checks: pd.DataFrame, splices: pd.DataFrame, service: pd.DataFrame
) -> list[SplicerRecords]:
    """Records of each of some splicers, from those of all."""
    checked_at, failed = to_microseconds(checks["checked_at"]), rows_with(checks["outcome"], "fail")
    check_arcs, splice_arcs = (
        records["arc_count"].to_numpy(np.float64, na_value=np.nan) for records in (checks, splices)
    )
    spliced_at, serviced_at = (
        to_microseconds(splices["spliced_at"]), to_microseconds(service["serviced_at"]),
    )  # fmt: skip
    actions = service["action"].to_numpy(dtype=object)
    own_rows = (
        _rows_by_name(names, records[column])
        for records, column in ((checks, "splicer"), (splices, "splicer"), (service, "asset"))
    )
    return [
        SplicerRecords(
            checked_at[check], failed[check], check_arcs[check],
            spliced_at[splice], splice_arcs[splice], serviced_at[event], actions[event],
        )
        for check, splice, event in zip(*own_rows, strict=True)
    ]  # fmt: skip


def _rows_by_name(names: Sequence[str], texts: pd.Series) -> list[Ints]:
    """Rows that hold each of some names, in their order."""
    code, known = text_codes(texts)
    rows = dict(zip(known, group_rows(code, len(known)), strict=True))
    nothing = np.zeros(0, dtype=np.int64)
    return [rows.get(name, nothing) for name in names]


def _us(moment: pd.Timestamp) -> int:
    return int(moment.as_unit("us").asm8.astype(np.int64))


def _timestamp(microseconds: int) -> pd.Timestamp:
    return pd.Timestamp(int(microseconds), unit="us", tz="UTC")


def _largest(counts: Floats) -> float:
    """Largest known count; NaN where none is known."""
    return float(np.fmax.reduce(counts, initial=np.nan))
