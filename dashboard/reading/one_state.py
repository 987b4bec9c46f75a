"""A page is made of one state of the results, also while an analysis replaces them.

A page reads many tables, each for itself. Whoever makes a page pins the state that it begins with;
what was read is kept only if the results still were in that state afterwards, and if they were
not, the page is made anew.
"""

from collections.abc import Callable
from contextvars import ContextVar
from typing import NamedTuple, TypeVar

from sqlalchemy import Engine

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.connect import reading
from arcdrift.store.results.result_rows import analysis_mark
from arcdrift.store.results.store_versions import version_within

TRIES = 5
"""How often something is made anew before it is given up."""
Made = TypeVar("Made")


class State(NamedTuple):
    """A state of the store.

    Attributes
    ----------
    version : str
        Changes whenever anything is stored that a page may show.
    results : str
        Changes with every analysis.
    """

    version: str
    results: str


class ResultsChanged(Exception):
    """An analysis was stored since somebody began to read."""


_pinned: ContextVar[tuple[object, State] | None] = ContextVar("pinned", default=None)


def read_state(engine: Engine) -> State:
    """Return the state of a store, as it is now."""
    with reading(engine) as connection:
        return State(version_within(connection), analysis_mark(connection))


def pinned_state(owner: object) -> State | None:
    """Return the state that was pinned for an owner; None where none is."""
    pinned = _pinned.get()
    return pinned[1] if pinned is not None and pinned[0] is owner else None


def make_in_one_state(
    owner: object,
    state: Callable[[], State],
    forget: Callable[[], None],
    make: Callable[[], Made],
) -> Made:
    """Make something while the state of an owner is pinned; anew if the results change meanwhile.

    Parameters
    ----------
    state, forget : callable
        Return the owner's state, and have it ask the store for it again.

    Raises
    ------
    StoreTrouble
        When the results changed every time.
    """
    if pinned_state(owner) is not None:
        return make()
    for _ in range(TRIES):
        token = _pinned.set((owner, state()))
        try:
            return make()
        except ResultsChanged:
            forget()
        finally:
            _pinned.reset(token)
    raise StoreTrouble(
        "Analyses follow each other too fast to show one of them; try again in a minute."
    )
