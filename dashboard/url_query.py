"""Reading and writing the query of a URL, which is the only state of a screen."""

from collections.abc import Mapping
from datetime import date
from urllib.parse import parse_qsl, urlencode

Query = Mapping[str, str]
MAX_QUERY = 2000
MAX_SHOWN = 80
"""Most characters of an address that a page repeats."""
FIRST_YEAR, LAST_YEAR = 1970, 2200
"""Years of days that an address may name."""


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


def day(query: Query, key: str) -> str:
    """Return the ISO day in the query; empty when it is absent or no such day."""
    text = query.get(key, "")
    try:
        value = date.fromisoformat(text)
    except ValueError:
        return ""
    in_range = FIRST_YEAR <= value.year <= LAST_YEAR
    return text if in_range and value.isoformat() == text else ""


def shown(text: str) -> str:
    """Return what an address says, cut where it is long, to be repeated on a page."""
    return text if len(text) <= MAX_SHOWN else text[: MAX_SHOWN - 1] + "…"
