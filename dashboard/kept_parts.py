"""Parts of pages that are kept until what they were made of changes.

What is kept is what one viewer may see, under one address and in one color scheme, as HTML where
that is possible. It is shared between requests, which must not change it.
"""

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, cast

from dashboard.components import View
from dashboard.reading.data import CrewData
from dashboard.static_html import with_static_parts

Part = TypeVar("Part", bound=Callable[..., Any])
"""A function of a view and, by position, of hashable arguments."""


def kept_with_results(part: Part) -> Part:
    """Keep what a function makes of a view until the next analysis.

    It reads nothing but result tables, which an import does not change. What else it depends on,
    such as the day, is given to it as a further argument.
    """
    return _kept(part, "keep_with_results")


def kept_with_events(part: Part) -> Part:
    """Keep what a function makes of a view until an analysis, a service record or a statement.

    It reads result tables, service, what was written down by hand, and what people said of cases,
    baselines and splices to revisit. An import of other records changes none of these.
    """
    return _kept(part, "keep_with_events")


def _kept(part: Part, keep: str) -> Part:
    def make(data: CrewData, query: tuple[tuple[str, str], ...], scheme: Any, *more: Any) -> Any:
        run = data.run()
        if run is None:
            raise RuntimeError("There is no view of a crew that was not analyzed.")
        return with_static_parts(part(View(data, run, dict(query), scheme), *more))

    @wraps(part)
    def kept(view: View, *more: Any) -> Any:
        query = tuple(view.query.items())
        return getattr(view.data, keep)(make, query, view.scheme, *more)

    return cast("Part", kept)
