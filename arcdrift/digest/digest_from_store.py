"""Digests of a crew from its store: read once, then made for each reader."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import Engine

from arcdrift.analysis.cases.cases_from_store import read_cases
from arcdrift.digest.digest import Digest, DigestRows, make_digest
from arcdrift.digest.told import Told
from arcdrift.people import LOCAL, People, Viewer
from arcdrift.settings import Crew
from arcdrift.store.cases.kept_cases import read_first_found
from arcdrift.store.cases.revisit_rows import read_revisit
from arcdrift.store.records.record_overview import newest_records
from arcdrift.store.results.result_rows import (
    read_case_documents,
    read_check_days,
    read_technicians,
)
from arcdrift.store.results.store_versions import is_outdated


@dataclass(frozen=True)
class CrewNews:
    """What a crew's digests are made of, before it is known who reads them.

    Attributes
    ----------
    now : datetime
        The instant the digests speak of (UTC).
    zone : str
        The crew's time zone.
    """

    crew: Crew
    rows: DigestRows
    technicians: tuple[str, ...]
    now: datetime
    zone: str

    def digest(
        self,
        since: datetime,
        *,
        told: Told | None = None,
        viewer: Viewer = LOCAL,
        subjects: Iterable[str] = (),
    ) -> Digest:
        """Return what is new for a reader, as far as they may see it.

        Parameters
        ----------
        since, told, subjects
            As in `arcdrift.digest.digest.make_digest`.
        viewer : Viewer
            Who reads it.
        """
        people = People(self.crew, viewer)
        seen = (_visible(case, people, self.technicians) for case in self.rows.cases)
        return make_digest(
            replace(self.rows, cases=[case for case in seen if case is not None]),
            since=since,
            now=self.now,
            zone=self.zone,
            crew=self.crew.name,
            invented=self.crew.invented,
            day_offset=self.crew.day_offset,
            told=told,
            subjects=subjects,
        )


def _visible(
    case: Mapping[str, Any], people: People, technicians: Iterable[str]
) -> dict[str, Any] | None:
    """A case as somebody may see it, also in what was written about it."""
    shown = people.case(dict(case), technicians)
    if shown is None:
        return None
    own = [str(case["subject"]["id"])] if case["subject"]["type"] == "technician" else []
    names = {*technicians, *own}
    closed = shown["closed"]
    return shown | {
        "closed": None if closed is None else closed | {"why": people.text(closed["why"], names)},
        "actions": [row | {"what": people.text(row["what"], names)} for row in shown["actions"]],
        "history": [row | {"text": people.text(row["text"], names)} for row in shown["history"]],
    }


def crew_news(engine: Engine, crew: Crew, now: datetime, zone: str) -> CrewNews:
    """Read what a crew's digests are made of.

    Parameters
    ----------
    now : datetime
        The instant they speak of (UTC).
    zone : str
        The crew's time zone.
    """
    newest = [at for at in newest_records(engine).values() if at <= now]
    rows = DigestRows(
        cases=read_cases(engine),
        # an archive's present is long past, and so is when its cases were found
        first_found=read_first_found(engine) if crew.clock == "wall" else {},
        workdays={found["id"]: found["workdays"] for found in read_case_documents(engine)},
        check_days=read_check_days(engine),
        revisit=read_revisit(engine),
        verdicts=cache(lambda: _verdicts(engine, crew, now)),
        newest_record=max(newest, default=None),
        outdated=is_outdated(engine, crew),
    )
    return CrewNews(crew, rows, tuple(read_technicians(engine)), now, zone)


def _verdicts(engine: Engine, crew: Crew, now: datetime) -> dict[str, str]:
    import pandas as pd

    from arcdrift.analysis.advice.advice_from_store import advice_of_splicers
    from arcdrift.store.records.record_overview import read_splicers

    at = pd.Timestamp(now).as_unit("us")
    found = advice_of_splicers(engine, crew, read_splicers(engine), at=at)
    return {splicer: advice.verdict for splicer, advice in found.items()}
