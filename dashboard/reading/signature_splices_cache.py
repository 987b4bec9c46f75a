"""The splices behind people's signatures, read once for each version of the store."""

import pandas as pd
from sqlalchemy import Engine

from arcdrift.analysis.people.signature_splices import READ, SignatureSplices, signature_splices
from arcdrift.store.records.record_rows import read_records
from dashboard.reading.store_cache import cached_by_version
from dashboard.reading.stored_results import StoredResults


class SignatureSplicesCache:
    """Splices behind signatures, by technicians' names as stored."""

    def __init__(self, results: StoredResults, engine: Engine) -> None:
        self._results, self.engine = results, engine

    @cached_by_version(64)
    def get(self, name: str, kind: str) -> SignatureSplices | None:
        """Return the splices behind a technician's signature of a kind; None without one."""
        rows = self._signatures(name)
        rows = rows[rows["kind"] == kind]
        if rows.empty:
            return None
        signature, splices = rows.iloc[0], self._splices_of(name)
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

    @cached_by_version(4)
    def _splices_of(self, name: str) -> pd.DataFrame:
        """Read a person's splices in the time that their signatures span."""
        signatures = self._signatures(name)
        shared_work = self._results.result("result_shared_work", technician=name)
        return read_records(
            self.engine,
            "splices",
            splicers=shared_work["splicer"],  # the store finds splices by splicer and time
            technician=name,
            since=signatures["since"].min(),
            until=signatures["until"].max() + pd.Timedelta(microseconds=1),
            columns=READ,
            exclude_wrong_clock=True,
        )
