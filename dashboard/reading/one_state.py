"""A page is made of one state of the store, also while an analysis replaces the results.

A page reads many tables, each for itself. Whoever makes a page holds a snapshot of the store, so
that all of it is of one state, and knows which, so that what was read can be kept.
"""

from collections.abc import Callable
from contextvars import ContextVar
from typing import NamedTuple, TypeVar

from sqlalchemy import Engine

from arcdrift.store.database.connect import held_snapshot, snapshot
from arcdrift.store.results.result_rows import analysis_mark
from arcdrift.store.results.store_versions import events_version_within, version_within

Made = TypeVar("Made")


class State(NamedTuple):
    """A state of the store.

    Attributes
    ----------
    version : str
        Changes whenever anything is stored that a page may show.
    results : str
        Changes with every analysis.
    events : str
        Changes with every analysis, with service records and with what people write down or say,
        but not when other records are imported (`events_version_within`).
    """

    version: str
    results: str
    events: str


_state: ContextVar[State | None] = ContextVar("state", default=None)


def read_state(engine: Engine) -> State:
    """Return the state of a store: that of the snapshot which is held, else the present one."""
    return make_in_one_state(engine, lambda state: state)


def make_in_one_state(engine: Engine, make: Callable[[State], Made]) -> Made:
    """Make something of one state of the store, which it is given.

    What is made within something else that is made in one state is of the same state.
    """
    state = _state.get()
    if state is not None and held_snapshot(engine) is not None:
        return make(state)
    with snapshot(engine) as connection:
        results = analysis_mark(connection)
        events = f"{results} {events_version_within(connection)}"
        state = State(version_within(connection), results, events)
        token = _state.set(state)
        try:
            return make(state)
        finally:
            _state.reset(token)
