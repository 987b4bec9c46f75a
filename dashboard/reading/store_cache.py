"""Decorators that cache what a method returns until the store, or its results, change."""

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, Concatenate, ParamSpec, Protocol, TypeVar

from sqlalchemy import Engine

from dashboard.reading.one_state import State, make_in_one_state


class Reader(Protocol):
    """An object that reads a store."""

    @property
    def engine(self) -> Engine:
        """The store."""
        ...


Owner = TypeVar("Owner", bound=Reader)
Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")
Method = Callable[Concatenate[Owner, Arguments], Result]


def cached_by_version(
    maxsize: int,
) -> Callable[[Method[Owner, Arguments, Result]], Method[Owner, Arguments, Result]]:
    """Cache a method's latest results by its arguments and the version of the store.

    Each instance has a cache of its own. Results are shared between callers, who must not change
    them; arguments must be hashable. Each result is of one state of the store.

    Parameters
    ----------
    maxsize : int
        Number of results kept; the one unused for longest is dropped first.
    """
    return _cached(maxsize, lambda state: state.version)


def cached_by_results(
    maxsize: int,
) -> Callable[[Method[Owner, Arguments, Result]], Method[Owner, Arguments, Result]]:
    """Cache as `cached_by_version` does what depends on result tables alone.

    An import does not change them.
    """
    return _cached(maxsize, lambda state: state.results)


def cached_by_events(
    maxsize: int,
) -> Callable[[Method[Owner, Arguments, Result]], Method[Owner, Arguments, Result]]:
    """Cache as `cached_by_version` does what depends on results, service and what people said.

    An import of other records does not change it.
    """
    return _cached(maxsize, lambda state: state.events)


def _cached(
    maxsize: int, key_of: Callable[[State], str]
) -> Callable[[Method[Owner, Arguments, Result]], Method[Owner, Arguments, Result]]:
    def decorate(method: Method[Owner, Arguments, Result]) -> Method[Owner, Arguments, Result]:
        attribute = f"_cache_of_{method.__name__}"

        @wraps(method)
        def cached(owner: Owner, /, *args: Arguments.args, **kwargs: Arguments.kwargs) -> Result:
            cache: Any = vars(owner).get(attribute)
            if cache is None:

                def compute(_key: str, *args: Any, **kwargs: Any) -> Result:
                    return method(owner, *args, **kwargs)

                cache = vars(owner).setdefault(attribute, lru_cache(maxsize)(compute))

            def look_up(state: State) -> Result:
                result: Result = cache(key_of(state), *args, **kwargs)
                return result

            return make_in_one_state(owner.engine, look_up)

        return cached

    return decorate
