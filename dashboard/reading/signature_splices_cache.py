"""The splices behind people's signatures, read again where splices of their splicers are new."""

import pandas as pd
from sqlalchemy import Engine, func, select

from arcdrift.analysis.people.signature_splices import READ, SignatureSplices, signature_splices
from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import clock_shifts
from arcdrift.store.database.connect import reading
from arcdrift.store.records.record_rows import read_records
from dashboard.reading.store_cache import cached_by_events, cached_by_version
from dashboard.reading.stored_results import StoredResults


class SignatureSplicesCache:
    """Splices behind signatures, by technicians' names as stored."""

    def __init__(self, results: StoredResults, engine: Engine) -> None:
        self._results, self.engine = results, engine

    def get(self, name: str, kind: str) -> SignatureSplices | None:
        """Return the splices behind a technician's signature of a kind; None without one."""
        return self._results.in_one_state(lambda: self._get(name, kind, self._records_of(name)))

    @cached_by_events(64)
    def _get(self, name: str, kind: str, records: tuple[int, int]) -> SignatureSplices | None:
        rows = self._signatures(name)
        rows = rows[rows["kind"] == kind]
        if rows.empty:
            return None
        signature, splices = rows.iloc[0], self._splices_of(name, records)
        effects = self._results.result("result_people")
        rises = self._results.result("result_angle_shifts")
        return signature_splices(
            kind,
            str(signature["unit"]),
            splices[splices["spliced_at"].between(signature["since"], signature["until"])],
            self._results.result("result_stream_days"),
            effects[effects["who"] != "technician"],
            rises[rises["subject_type"] != "technician"],
            self._results.crew,
        )

    def _signatures(self, name: str) -> pd.DataFrame:
        return self._results.result("result_signatures", subject_type="technician", subject=name)

    @cached_by_version(64)
    def _records_of(self, name: str) -> tuple[int, int]:
        """Count the splices of a person's splicers, and how often any splice was changed.

        Later ones than any signature do not count; with a clock that was set, all do.
        """
        t, changed = schema.splices.columns, schema.changed_days.columns
        splicers = self._splicers_of(name)
        count = select(func.count(t.splicer)).where(t.splicer.in_(sorted(splicers)))
        until = self._signatures(name)["until"].max()
        if not pd.isna(until) and not clock_shifts(self.engine, splicers=splicers):
            count = count.where(t.spliced_at <= microseconds(until))
        changes = select(func.sum(changed.version)).where(changed.kind == "splices")
        with reading(self.engine) as connection:
            counted, often = connection.execute(
                select(count.scalar_subquery(), changes.scalar_subquery())
            ).one()
        return int(counted), int(often or 0)

    def _splicers_of(self, name: str) -> set[str]:
        return set(self._results.result("result_shared_work", technician=name)["splicer"])

    @cached_by_events(4)
    def _splices_of(self, name: str, _records: tuple[int, int]) -> pd.DataFrame:
        """Read a person's splices in the time that their signatures span."""
        signatures = self._signatures(name)
        return read_records(
            self.engine,
            "splices",
            splicers=self._splicers_of(name),  # the store finds splices by splicer and time
            technician=name,
            since=signatures["since"].min(),
            until=signatures["until"].max() + pd.Timedelta(microseconds=1),
            columns=READ,
            exclude_wrong_clock=True,
        )
