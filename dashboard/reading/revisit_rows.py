"""Splices over the accepted limit, sorted by whether somebody has to go back to them."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

Row = Mapping[str, Any]


class RevisitRows(NamedTuple):
    """Splices of one choice of site and splicer.

    Attributes
    ----------
    rows : list of dict
        All of them, newest first.
    waiting : list of dict
        Those that nobody has dealt with, newest first.
    dealt_with : list of dict
        The others, the last dealt with first.
    sites, splicers : list of str
        Names among them, in order.
    """

    rows: Sequence[Row]
    waiting: Sequence[Row]
    dealt_with: Sequence[Row]
    sites: Sequence[str]
    splicers: Sequence[str]


def sorted_rows(rows: Sequence[Row], site: str | None, splicer: str | None) -> RevisitRows:
    """Sort the splices of a site and a splicer; None is any."""
    chosen = [
        row
        for row in rows
        if site in (None, row["site"]) and splicer in (None, row["splicer"])
    ]  # fmt: skip
    done = [row for row in chosen if row["state"] != "open"]
    return RevisitRows(
        chosen,
        [row for row in chosen if row["state"] == "open"],
        sorted(done, key=_dealt_at, reverse=True),
        *(sorted({row[key] for row in chosen if row[key]}) for key in ("site", "splicer")),
    )


def _dealt_at(row: Row) -> float:
    at = row["ticked_off_at"] or row["made_again_at"] or row["spliced_at"]
    return float(at.timestamp())
