"""Reads what one review needs from the store, in one place, as one frozen bundle of frames."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from types import MappingProxyType

import pandas as pd
from sqlalchemy import Engine

from arcdrift.air.air_join import AirSources
from arcdrift.analysis.clock.clock_errors import crew_start
from arcdrift.analysis.common.record_columns import RARELY_REPEATED_COLUMNS
from arcdrift.case import KeptCase
from arcdrift.settings import Crew
from arcdrift.store.annotations import coaching
from arcdrift.store.annotations.baseline_marks import marks
from arcdrift.store.annotations.clock_shifts import ClockShift, clock_shifts
from arcdrift.store.cases.case_statements import read_action_times
from arcdrift.store.cases.kept_cases import read_kept_cases
from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_overview import SpliceCounts, oldest_splices, splice_counts
from arcdrift.store.records.record_rows import read_records
from arcdrift.store.records.written_entries import written_imports


@dataclass(frozen=True)
class ReviewInputs:
    """Everything a review reads but the splices, which are read in parts.

    Attributes
    ----------
    crew : Crew
        Settings of the crew.
    now : Timestamp
        UTC instant the results speak of.
    counts : SpliceCounts
        Number of splices by splicer; a splicer with checks only has 0.
    checks, service : DataFrame
        All arc checks and all service events on record; checks that were written down by hand are
        true in ``by_hand``, a column that is there only with such checks.
    readings : AirSources
        Prepared readings of air.
    began : Timestamp or None
        First day of the crew (`arcdrift.analysis.clock.clock_errors.crew_start`).
    shifts : tuple of ClockShift
        What people said about wrong clocks.
    baseline_marks : DataFrame
        What people said about baselines (`arcdrift.store.annotations.baseline_marks`).
    coaching : DataFrame
        Notes of the coaching log.
    kept_cases : tuple of KeptCase
        What earlier reviews kept of cases.
    acted_on : dict of list of datetime
        By id of a case: when people said that something was done (UTC).
    """

    crew: Crew
    now: pd.Timestamp
    counts: SpliceCounts
    checks: pd.DataFrame
    service: pd.DataFrame
    readings: AirSources
    began: pd.Timestamp | None
    shifts: tuple[ClockShift, ...]
    baseline_marks: pd.DataFrame
    coaching: pd.DataFrame
    kept_cases: tuple[KeptCase, ...]
    acted_on: dict[str, list[datetime]]

    @property
    def splice_counts(self) -> dict[str, int]:
        """Number of splices by splicer."""
        return self.counts.by_splicer

    def for_splicers(self, names: list[str]) -> "ReviewInputs":
        """Leave out the checks, service events and clock shifts of other splicers."""
        return replace(
            self,
            checks=self.checks[self.checks["splicer"].isin(names)],
            service=self.service[self.service["asset"].isin(names)],
            shifts=tuple(shift for shift in self.shifts if shift.bounds.splicer in names),
        )


def read_inputs(
    engine: Engine,
    crew: Crew,
    now: pd.Timestamp,
    known: SpliceCounts | None = None,
    newest: Mapping[str, int] = MappingProxyType({}),
) -> ReviewInputs:
    """Read all records of the crew but its splices.

    Parameters
    ----------
    known : SpliceCounts, optional
        As for `arcdrift.store.records.record_overview.splice_counts`.
    newest : mapping of int
        Highest id by kind: what is stored while a review reads is left to the next one, or it would
        see splices of a day without their check.
    """
    checks = read_records(engine, "arc-checks", newest_id=newest.get("arc-checks"))
    if by_hand := written_imports(engine):
        checks = checks.assign(by_hand=checks["import_id"].isin(by_hand))
    oldest = oldest_splices(engine).rename(columns={"spliced_at": "checked_at"})
    return ReviewInputs(
        crew=crew,
        now=now,
        counts=splice_counts(engine, known, newest.get("splices")),
        checks=checks,
        service=read_records(engine, "service", newest_id=newest.get("service")),
        readings=AirSources.from_readings(
            read_records(engine, "readings", newest_id=newest.get("readings")), crew
        ),
        began=crew_start(pd.concat([checks[["splicer", "checked_at"]], oldest]), "checked_at"),
        shifts=tuple(clock_shifts(engine)),
        baseline_marks=marks(engine),
        coaching=coaching.notes(engine),
        kept_cases=tuple(read_kept_cases(engine)),
        acted_on=read_action_times(engine),
    )


def read_splices(
    engine: Engine,
    names: list[str],
    columns: tuple[str, ...],
    *,
    since: pd.Timestamp | None = None,
    ids: Iterable[int] | None = None,
    newest_id: int | None = None,
) -> pd.DataFrame:
    """Read the splices of some splicers, each splicer's in the order they were stored.

    Text columns come as categories, but for those whose values rarely repeat.

    Parameters
    ----------
    since : Timestamp, optional
        Only splices from this instant on (UTC).
    ids : iterable of int, optional
        Only splices with these ids.
    newest_id : int, optional
        Splices with higher ids, which were stored later, are left out.
    """
    return read_records(
        engine,
        "splices",
        splicers=names,
        since=since,
        ids=ids,
        newest_id=newest_id,
        columns=columns,
        order=("splicer", "id"),
        categorical=set(columns) - RARELY_REPEATED_COLUMNS,
    )


@dataclass(frozen=True)
class SplicesAtAddress:
    """Reads splices from the store at an address; can be sent to another process."""

    address: str = field(repr=False)  # its password is not for the log of a worker
    newest_id: int | None = None

    def __call__(
        self,
        names: list[str],
        columns: tuple[str, ...],
        *,
        since: pd.Timestamp | None = None,
        ids: Iterable[int] | None = None,
    ) -> pd.DataFrame:
        """Read splices as `read_splices` does."""
        engine = open_store(self.address)
        try:
            return read_splices(
                engine, names, columns, since=since, ids=ids, newest_id=self.newest_id
            )
        finally:
            engine.dispose()
