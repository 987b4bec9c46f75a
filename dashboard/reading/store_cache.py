"""A decorator that caches what a method returns until the store changes."""

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import Any, Concatenate, ParamSpec, Protocol, TypeVar


class Versioned(Protocol):
    """An object that knows which version of the store it reads."""

    def version(self) -> str:
        """Return a text that changes whenever the store does."""
        ...


Owner = TypeVar("Owner", bound=Versioned)
Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")
Method = Callable[Concatenate[Owner, Arguments], Result]


def cached_by_version(
    maxsize: int,
) -> Callable[[Method[Owner, Arguments, Result]], Method[Owner, Arguments, Result]]:
    """Cache a method's latest results by its arguments and the version of the store.

    Each instance has a cache of its own. Results are shared between callers, who must not change
    them; arguments must be hashable.

    Parameters
    ----------
    maxsize : int
        Number of results kept; the one unused for longest is dropped first.
    """

    def decorate(method: Method[Owner, Arguments, Result]) -> Method[Owner, Arguments, Result]:
        attribute = f"_cache_of_{method.__name__}"

        @wraps(method)
        def cached(owner: Owner, /, *args: Arguments.args, **kwargs: Arguments.kwargs) -> Result:
            cache: Any = vars(owner).get(attribute)
            if cache is None:

                def compute(version: str, *args: Any, **kwargs: Any) -> Result:
                    return method(owner, *args, **kwargs)

                cache = vars(owner).setdefault(attribute, lru_cache(maxsize)(compute))
            result: Result = cache(owner.version(), *args, **kwargs)
            return result

        return cached

    return decorate
