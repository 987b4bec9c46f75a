"""Reading and writing the query of a URL, which is the only state of a screen."""

from collections.abc import Mapping
from urllib.parse import parse_qsl, urlencode

Query = Mapping[str, str]
MAX_QUERY = 2000


def parse(search: str | None) -> dict[str, str]:
    """Parse the query of a URL; the last of repeated keys wins, empty values are dropped."""
    return dict(parse_qsl((search or "").removeprefix("?")[:MAX_QUERY]))


def search(query: Mapping[str, object]) -> str:
    """Return the query as a URL's search part, without keys that have no value."""
    values = {key: value for key, value in query.items() if value not in (None, "")}
    return f"?{urlencode(values)}" if values else ""


def href(path: str, query: Mapping[str, object] | None = None, **values: object) -> str:
    """Return a link to a page with a query."""
    return path + search({**(query or {}), **values})


def number(query: Query, key: str) -> float | None:
    """Parse a number from the query; None when it is absent or not a finite number."""
    try:
        value = float(query.get(key, ""))
    except ValueError:
        return None
    return value if abs(value) < 1e9 else None
