"""The splices behind people's signatures, read once for each version of the store."""

from collections.abc import Callable
from functools import lru_cache

import pandas as pd
from sqlalchemy import Engine

from arcdrift.analysis.people.signature_splices import READ, SignatureSplices, signature_splices
from arcdrift.settings import Crew
from arcdrift.store import read


class SplicesBehind:
    """Splices behind signatures, by technicians' own names.

    Parameters
    ----------
    result : callable
        Reads a result table where columns equal the given values.
    """

    def __init__(self, engine: Engine, crew: Crew, result: Callable[..., pd.DataFrame]) -> None:
        self._engine, self._crew, self._result = engine, crew, result
        self._made_by = lru_cache(maxsize=4)(self._read_made_by)
        self.of = lru_cache(maxsize=64)(self._look_behind)

    def _look_behind(self, version: str, name: str, kind: str) -> SignatureSplices | None:
        found = self._signatures(name)
        found = found[found["kind"] == kind]
        if found.empty:
            return None
        one, made = found.iloc[0], self._made_by(version, name)
        people = self._result("result_people")
        return signature_splices(
            kind,
            str(one["unit"]),
            made[made["spliced_at"].between(one["since"], one["until"])],
            self._result("result_stream_days"),
            people[people["who"] != "technician"],
            self._crew,
        )

    def _signatures(self, name: str) -> pd.DataFrame:
        return self._result("result_signatures", subject_type="technician", subject=name)

    def _read_made_by(self, version: str, name: str) -> pd.DataFrame:
        """A person's splices from the first to the last evidence of any signature of theirs."""
        found = self._signatures(name)
        return read.records(
            self._engine,
            "splices",
            # the store finds splices by splicer and time
            splicers=self._result("result_shared_work", technician=name)["splicer"],
            technician=name,
            since=found["since"].min(),
            until=found["until"].max() + pd.Timedelta(microseconds=1),
            columns=READ,
            believed=True,
        )
