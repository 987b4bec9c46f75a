"""The report for a client: losses by site, closure and fibers against what is accepted.

It names no person: the splices are read without names, and where a name of a technician stands in
another text, such as a place, it is left out.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from arcdrift.analysis.checks.compliance import wilson
from arcdrift.analysis.loss.acceptance.agreement import SHOWN_FROM, agreement, measured_pairs
from arcdrift.analysis.loss.acceptance.period_acceptance import acceptance_by
from arcdrift.instants import day_text
from arcdrift.people import People, Viewer
from arcdrift.wording import count_text, interval_text, number_text, percent_text
from dashboard.components import View
from dashboard.reading.period_splices import splices_of_period
from dashboard.reports.periods import asked_period
from dashboard.reports.report import Asked, Contents

MOST_CLOSURES, MOST_OVER = 2000, 500
"""Rows of the lists; a report says how many more there are."""
NOBODY = Viewer("technician", None)
"""A viewer to whom no name of a person is shown."""
_DIGITS = re.compile(r"(\d+)")


class PlaceRow(NamedTuple):
    """One site, closure or pair of fibers, as its splices were left."""

    names: tuple[str, ...]
    splices: int
    mean: str
    accepted: str
    worst: str
    over: int
    again: str
    is_accepted: bool
    state: str


class MeasuredRow(NamedTuple):
    """Estimates of a site against measurements from both ends."""

    name: str
    pairs: int
    measured: str
    estimated: str
    difference: str
    single: str


def client_report(asked: Asked) -> Contents:
    """Return the contents of the report."""
    view = asked.view
    period = asked_period(view, "month")
    work = splices_of_period(view.data, period.first, period.last, period.ends)
    left = work[~work["is_redo"].astype(bool) & ~work["id"].isin(_made_again(view))]
    hidden = without_names(view)
    sites, closures, fibers = (
        place_rows(work, left, keys, hidden) for keys in (["site"], ["site", "closure"], ["fibers"])
    )
    over = _over(view, left, hidden)
    return Contents(
        "Acceptance of splices",
        f"{period.name}: {period.days}.",
        period.key,
        {
            "answers": _answers(left, work, closures, over),
            "tables": [
                ("By site", ("Site",), sites, 0),
                ("By fibers", ("Fibers joined",), fibers, 0),
                (
                    "By closure",
                    ("Site", "Closure"),
                    closures[:MOST_CLOSURES],
                    max(len(closures) - MOST_CLOSURES, 0),
                ),
            ],
            "over": over[:MOST_OVER],
            "more_over": max(len(over) - MOST_OVER, 0),
            "measured": measured_rows(work, hidden),
            "fewest_pairs": SHOWN_FROM,
        },
    )


def without_names(view: View) -> Callable[[str], str]:
    """Return a function that leaves names of technicians out of a text.

    A number by which a crew calls somebody is no name there: trays and fibers have numbers, too.
    """
    people = People(view.data.crew, NOBODY)
    technicians = [name for name in view.data.technicians() if any(map(str.isalpha, name))]
    kept: dict[str, str] = {}

    def hidden(text: str) -> str:
        if text not in kept:
            kept[text] = people.text(text, technicians)
        return kept[text]

    return hidden


def _made_again(view: View) -> list[int]:
    """Return the splices over the limit of which a later splice is at the same place."""
    rows = view.data.splices_to_revisit()
    return [int(row["splice_id"]) for row in rows if row["state"] == "made-again"]


def place_rows(
    work: pd.DataFrame, left: pd.DataFrame, keys: list[str], hidden: Callable[[str], str]
) -> list[PlaceRow]:
    """Return places or pairs of fibers, in their order.

    Parameters
    ----------
    work, left : DataFrame
        All splices of the period, and those that were not made again.
    """
    made = {
        tuple(row[key] for key in keys): (int(row["splices"]), int(row["made_again"]))
        for row in acceptance_by(work, keys).to_dict("records")
    }
    rows = []
    for row in acceptance_by(left, keys).to_dict("records"):
        name = tuple(str(row[key]) for key in keys)
        rows.append(_row(row, tuple(map(hidden, name)), *made[name]))
    return sorted(rows, key=lambda row: [_natural(name) for name in row.names])


def _row(row: Mapping[Any, Any], names: tuple[str, ...], made: int, again: int) -> PlaceRow:
    mean_over = row["mean_db"] > row["accepted_db"] + 1e-9
    reasons = ["mean over"] * mean_over + [f"{row['over']} over"] * bool(row["over"])
    low, high = wilson(again, made)
    share = interval_text(100 * again / made, 100 * low, 100 * high, "%", 1)
    return PlaceRow(
        names,
        int(row["splices"]),
        f"{row['mean_db']:.3f}",
        f"{row['accepted_db']:.3f}".removesuffix("0"),
        f"{row['worst_db']:.2f}",
        int(row["over"]),
        f"{again:,} of {made:,}, {share}" if made >= 100 else f"{again} of {made}",
        not reasons,
        " and ".join(reasons) or "within",
    )


def _natural(name: str) -> list[tuple[int, str, int]]:
    """Return a key that sorts K2 before K10."""
    return [
        (1, "", int(part)) if part.isdecimal() else (0, part, 0)
        for part in _DIGITS.split(name)
        if part
    ]


def _over(
    view: View, left: pd.DataFrame, hidden: Callable[[str], str]
) -> list[tuple[str, str, str, str]]:
    """Return the splices over the limit for a single one that were left so, by place."""
    limit = left["single_db"].to_numpy(dtype=np.float64)
    rows = left[left["loss_db"].to_numpy(dtype=np.float64) > limit + 1e-9]
    found = [
        (
            hidden(str(row["site"])),
            hidden(str(row["location"])) or "place not logged",
            f"{row['loss_db']:.2f} dB, {row['single_db']:.2f} accepted",
            day_text(row["spliced_at"].tz_convert(view.data.zone_of_splicer(str(row["splicer"])))),
        )
        for row in rows.to_dict("records")
    ]
    return sorted(found, key=lambda row: [_natural(name) for name in row[:2]])


def measured_rows(work: pd.DataFrame, hidden: Callable[[str], str]) -> list[MeasuredRow]:
    """Return estimates against measurements, of all splices measured from both ends and by site."""
    if work.empty:
        return []
    pairs = measured_pairs(work.assign(splicer=work["site"]))
    rows = [] if pairs.empty else [_measured("All sites", pairs)]
    by_site = [(str(name), part) for name, part in pairs.groupby("splicer")]
    if len(by_site) > 1:
        rows += [_measured(hidden(name), part) for name, part in by_site]
    return rows


def _measured(name: str, pairs: pd.DataFrame) -> MeasuredRow:
    estimated, measured = pairs["estimate_db"], pairs["measured_db"]
    difference = single = "too few"
    if len(pairs) >= SHOWN_FROM:
        found = agreement((estimated - measured).to_numpy())
        difference = interval_text(found.bias, found.low, found.high, "dB", 3, signed=True)
        single = (
            f"{number_text(found.lower, 3, signed=True)} to "
            f"{number_text(found.upper, 3, signed=True)} dB"
        )
    mean_measured, mean_estimated = (f"{v.mean():.3f} dB" for v in (measured, estimated))
    return MeasuredRow(name, len(pairs), mean_measured, mean_estimated, difference, single)


def _answers(
    left: pd.DataFrame, work: pd.DataFrame, closures: list[PlaceRow], over: list[Any]
) -> list[str]:
    """Return what the client wants to know first, in sentences."""
    if work.empty:
        return ["No production splice with a loss is on record for these days."]
    (whole,) = acceptance_by(left, []).to_dict("records")
    accepted = sum(row.is_accepted for row in closures)
    again = int(work["is_redo"].sum())
    low, high = wilson(again, len(work))
    share = interval_text(100 * again / len(work), 100 * low, 100 * high, "%", 1)
    return [
        f"{accepted:,} of {count_text(len(closures), 'closure')} "
        f"({percent_text(accepted / len(closures))}) are within what is accepted: their mean loss, "
        "and every single splice.",
        f"{count_text(len(left), 'splice')} as they were left, mean "
        f"{whole['mean_db']:.3f} dB where {whole['accepted_db']:.2f} dB is accepted.",
        f"{count_text(len(over), 'splice')} over the limit for a single one."
        if over
        else "No splice is over the limit for a single one.",
        f"{again:,} of {len(work):,} finished splices were made again: {share}. Attempts that "
        "ended with an error are not counted.",
    ]
