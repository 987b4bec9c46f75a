"""Rows of the record tables as frames, with the clock shifts that people set added."""

from collections.abc import Container, Iterable
from datetime import datetime

import pandas as pd
from sqlalchemy import Engine, not_, or_, select

from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import (
    SPLICER_TIMED,
    bounds_condition,
    clock_shifts,
    suspected_bounds,
    true_time,
)
from arcdrift.store.database.fetch import fetch

_SUBJECT_COLUMN = {
    "arc-checks": "splicer",
    "splices": "splicer",
    "readings": "splicer",
    "service": "asset",
}


def read_records(
    engine: Engine,
    kind: str,
    *,
    splicers: Iterable[str] | None = None,
    sites: Iterable[str] | None = None,
    stations: Iterable[str] | None = None,
    technician: str | None = None,
    ids: Iterable[int] | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    newest_id: int | None = None,
    columns: Iterable[str] | None = None,
    exclude_wrong_clock: bool = False,
    order: tuple[str, ...] = ("id",),
    categorical: Container[str] = (),
) -> pd.DataFrame:
    """Read records of one kind in the order they were stored, with the set clock shifts added.

    Parameters
    ----------
    kind : str
        ``arc-checks``, ``splices``, ``readings`` or ``service``.
    splicers : iterable of str, optional
        Only records of these splicers (for service: of these assets).
    sites : iterable of str, optional
        Only records of these sites; given with `splicers`, records of any of both.
    stations : iterable of str, optional
        Only readings of these weather stations; given with others, records of any of them.
    technician : str, optional
        Only checks or splices this person made.
    ids : iterable of int, optional
        Only records with these ids.
    since, until : aware datetime, optional
        Half-open range of the record's time.
    newest_id : int, optional
        Records with higher ids, which were stored later, are left out.
    columns : iterable of str, optional
        Only these columns, in this order.
    exclude_wrong_clock : bool
        Whether to leave out records that the last analysis did not use because the splicer's
        clock was wrong.
    order : tuple of str
        Columns to sort by instead of the order of storing.
    categorical : container of str
        Columns of text to return as categories, in alphabetical order.

    Returns
    -------
    DataFrame
        Times are ``datetime64[us, UTC]``, missing numbers NaN, missing text NA.
    """
    table = schema.RECORDS[kind]
    wanted = list(table.columns.keys() if columns is None else columns)
    splicer_timed = kind in SPLICER_TIMED
    time = (
        true_time(table, clock_shifts(engine, splicers=splicers))
        if splicer_timed
        else table.columns[schema.TIME_COLUMN[kind]]
    )
    query = select(
        *(
            time if name == time.name else table.columns[name]
            for name in dict.fromkeys(["id", *wanted])
        )
    )
    any_of = []
    if splicers is not None:
        any_of.append(table.columns[_SUBJECT_COLUMN[kind]].in_(sorted(set(splicers))))
    if sites is not None:
        any_of.append(table.columns["site"].in_(sorted(set(sites))))
    if stations is not None:
        any_of.append(table.columns["station"].in_(sorted(set(stations))))
    if any_of:
        query = query.where(or_(*any_of))
    if technician is not None:
        query = query.where(table.columns["technician"] == technician)
    if ids is not None:
        query = query.where(table.columns["id"].in_(sorted(map(int, ids))))
    if splicer_timed and exclude_wrong_clock:
        for bounds in suspected_bounds(engine, splicers):
            query = query.where(not_(bounds_condition(bounds, table)))
    if newest_id is not None:
        query = query.where(table.columns["id"] <= newest_id)
    if since is not None:
        query = query.where(time >= microseconds(since))
    if until is not None:
        query = query.where(time < microseconds(until))
    return fetch(engine, query, order=list(order), categorical=categorical)[wanted]


def read_imported_readings(engine: Engine, import_id: int) -> pd.DataFrame:
    """Readings that an import added, as `read_records` returns them."""
    t = schema.readings.columns
    return fetch(engine, select(schema.readings).where(t.import_id == import_id), order=["id"])
