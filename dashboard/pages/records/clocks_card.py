"""Part of the page Records: splicer clocks that were wrong, why, and the shifts that were set."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
import pandas as pd
from dash import html

from arcdrift.analysis.clock.clock_evidence import ClockEvidence, calendar_text, evidence_text
from arcdrift.clock_bounds import ClockBounds
from arcdrift.errors import UsageError
from arcdrift.figures.theme import Scheme
from arcdrift.figures.wrong_clock import wrong_clock
from arcdrift.instants import instant_at, instant_text, microseconds
from arcdrift.store.annotations.clock_shifts import ClockShift
from arcdrift.wording import clock_shift_text, count_text
from dashboard import ids
from dashboard.access.current_user import current_user
from dashboard.components import card, figure_of, notice
from dashboard.forms import words_field
from dashboard.my_splicer import my_splicer
from dashboard.reading.clocks import (
    WrongClock,
    evidence_of,
    set_clock_shift,
    shifts_in_force,
    wrong_clocks,
)
from dashboard.reading.data import CrewData
from dashboard.reading.stored_results import Run

PICTURES = 10
"""Stretches with a picture at most; the others are told in words."""
SHOWN = 12
"""Stretches shown at most; the others are folded."""
FORMS_OPEN = 3
"""Stretches up to which each form is open from the start."""
SHIFTS_SHOWN = 40
"""Shifts listed at most."""
LATER, EARLIER, RIGHT = "later", "earlier", "right"
WAYS = (
    (LATER, "Make the times later"),
    (EARLIER, "Make the times earlier"),
    (RIGHT, "The clock was right"),
)
"""What can be said about a clock, and the words for it."""
UNITS = {"days": "Days", "hours": "Hours", "minutes": "Minutes"}


def clocks_slot() -> html.Div:
    """Return the container that the card is loaded into, since it takes a look at all splices."""
    return html.Div(id=ids.clocks("records"))


def clocks_card(data: CrewData, scheme: Scheme, *, failed: str = "") -> html.Section | None:
    """Return wrong clocks and the shifts in force; None where there is neither.

    Parameters
    ----------
    failed : str
        Why the results could not be brought up to date; empty where they could.
    """
    splicers = _visible_splicers(data)
    run = data.run()
    wrong = [] if run is None else wrong_clocks(data, splicers)
    shifts = shifts_in_force(data, splicers)
    if not wrong and not shifts:
        return None
    may = data.viewer.has_role("trainer")
    return card(
        html.P(
            "The times of these records cannot be right. They are stored, and kept apart from all "
            "results until somebody says by how much the clock was wrong."
            + ("" if may else " A trainer or a lead says it."),
            className="muted",
        )
        if wrong
        else None,
        notice(failed, name="bad") if failed else None,
        _wrong_clocks(data, run, wrong, scheme, may=may) if run is not None and wrong else None,
        _shifts_in_force(data, shifts, may=may) if shifts else None,
        title="Clocks",
        name="clocks",
    )


def _visible_splicers(data: CrewData) -> list[str] | None:
    """Return the splicers that the viewer may see here: a technician, their own; None for all."""
    user = current_user()
    if user is None or user.viewer.role != "technician":
        return None
    mine = my_splicer(data)
    return [] if mine is None else [mine]


def _wrong_clocks(
    data: CrewData, run: Run, clocks: list[WrongClock], scheme: Scheme, *, may: bool
) -> html.Div:
    evidence = evidence_of(data, clocks, run.now)
    opened = len(clocks) <= FORMS_OPEN
    drawn = [place for place, found in enumerate(evidence) if not isinstance(found, str)]
    entries = [
        _wrong_clock(
            data, run, clock, found, scheme,
            may=may, drawn=place in drawn[:PICTURES], opened=opened,
        )
        for place, (clock, found) in enumerate(zip(clocks, evidence, strict=True))
    ]  # fmt: skip
    others = entries[SHOWN:]
    return html.Div(
        [
            *entries[:SHOWN],
            html.Details(
                [
                    html.Summary(f"{len(others)} more, with fewer records"),
                    html.Div(others, className="wrong-clocks"),
                ],
                className="undo-fold",
            )
            if others
            else None,
        ],
        className="wrong-clocks",
    )


def _wrong_clock(
    data: CrewData, run: Run, clock: WrongClock, evidence: ClockEvidence | str, scheme: Scheme,
    *, may: bool, drawn: bool, opened: bool,
) -> html.Article:  # fmt: skip
    bounds, now = clock.bounds, pd.Timestamp(run.now)
    zone = data.zone_of_splicer(bounds.splicer)
    counts = " and ".join(
        count_text(number, noun)
        for number, noun in ((clock.splices, "splice"), (clock.checks, "arc check"))
        if number
    )
    picture = None
    if isinstance(evidence, str):
        why = f"{calendar_text(bounds, now, zone)} There is no picture, since {evidence}."
    else:
        why = evidence_text(evidence, zone)
        if drawn:
            picture = wrong_clock(evidence, zone, clock.shift, now, scheme=scheme)
    answer: Any = None
    if clock.shift_set is not None:
        answer = _set_already(clock.shift_set, run)
    elif may:
        answer = _form(clock, opened=opened)
    return html.Article(
        [
            html.Div(
                [
                    html.H3([html.Bdi(bounds.splicer), f", logged {_span_text(bounds, zone)}"]),
                    html.P(f"{counts} kept apart. {_suggestion(clock.shift)}"),
                    None if picture else html.P(why),
                ],
                className="clock-words",
            ),
            figure_of(f"Clock of {bounds.splicer}", picture) if picture else None,
            html.Div(answer, className="clock-answer") if answer else None,
        ],
        className="wrong-clock" if picture else "wrong-clock words-only",
    )


def _span_text(bounds: ClockBounds, zone: ZoneInfo) -> str:
    """Write the first and last logged time, which says its day once where both are of one day."""
    first = bounds.starts_at.astimezone(zone)
    last = (bounds.ends_at - timedelta(microseconds=1)).astimezone(zone)
    end = f"{last:%H:%M}" if first.date() == last.date() else instant_text(last)
    return f"{instant_text(first)} to {end}"


def _suggestion(shift: timedelta | None) -> str:
    if shift is None:
        return "By how much the clock was wrong cannot be told from the log."
    return f"Most likely it should all be {clock_shift_text(shift)}."


def _set_already(shift: ClockShift, run: Run) -> html.P:
    if shift.recorded_at > run.assessed_on:
        words = "it counts as soon as the results are up to date."
    else:
        words = "undo it below if it was not right."
    return html.P(
        f"{shift.said_by} set it {clock_shift_text(shift.shift)}: {words}"
        if shift.shift
        else f"{shift.said_by} said that the clock was right: {words}",
        className="good-words",
    )


def _form(clock: WrongClock, *, opened: bool) -> html.Details:
    splicer, start = clock.bounds.splicer, str(microseconds(clock.bounds.starts_at))
    minutes = 0 if clock.shift is None else round(abs(clock.shift) / timedelta(minutes=1))
    hours, minutes = divmod(minutes, 60)
    # a clock whose date was wrong is told in days
    days, hours = divmod(hours, 24) if hours >= 48 else (0, hours)
    values = {"days": days, "hours": hours, "minutes": minutes}
    way = EARLIER if clock.shift is not None and clock.shift < timedelta(0) else LATER
    return html.Details(
        [
            html.Summary("Say by how much it was wrong"),
            html.Div(
                [
                    dmc.Select(
                        id=ids.clock_field(splicer, start, "way"),
                        label="What is to be done",
                        data=[{"value": value, "label": text} for value, text in WAYS],
                        value=None if clock.shift is None else way,
                        placeholder="choose",
                        size="sm",
                        className="filter",
                        comboboxProps={"withinPortal": True},
                    ),
                    html.Div(
                        [
                            dmc.NumberInput(
                                id=ids.clock_field(splicer, start, name),
                                label=label,
                                value="" if clock.shift is None else values[name],
                                placeholder="0",
                                min=0,
                                allowDecimal=False,
                                hideControls=True,
                                size="sm",
                                className="filter",
                            )
                            for name, label in UNITS.items()
                        ],
                        className="clock-units",
                    ),
                    words_field(ids.clock_field(splicer, start, "why"), "How it is known"),
                    html.Button(
                        "Set the shift", id=ids.clock_set(splicer, start), className="button big"
                    ),
                ],
                className="clock-form",
            ),
            html.Div(id=ids.clock_answer(splicer, start), role="status"),
        ],
        className="undo-fold no-print",
        open=opened,
    )


def _shifts_in_force(data: CrewData, shifts: list[ClockShift], *, may: bool) -> html.Div:
    more = len(shifts) - SHIFTS_SHOWN
    return html.Div(
        [
            html.H3("Shifts in force"),
            html.Ul(
                [_shift(data, shift, may=may) for shift in shifts[:SHIFTS_SHOWN]],
                className="plain-list clock-shifts",
            ),
            html.P(f"{more:,} earlier ones: `arcdrift clock` lists them.", className="muted hint")
            if more > 0
            else None,
        ]
    )


def _shift(data: CrewData, shift: ClockShift, *, may: bool) -> html.Li:
    splicer = shift.bounds.splicer
    zone = data.zone_of_splicer(splicer)
    effect = f"read {clock_shift_text(shift.shift)}" if shift.shift else "the clock was right"
    return html.Li(
        [
            html.P(
                [
                    html.Strong([html.Bdi(splicer), f": {effect}"]),
                    f", logged {_span_text(shift.bounds, zone)}.",
                ]
            ),
            html.P(
                [
                    html.Bdi(shift.said_by),
                    f", {instant_text(shift.recorded_at.astimezone(data.zone()))}: ",
                    html.Bdi(shift.why),
                ],
                className="muted",
            ),
            html.Details(
                [
                    html.Summary("Undo", **{"aria-label": f"Undo the clock shift of {splicer}"}),
                    html.P("Its records are read as logged again."),
                    html.Button(
                        "Undo it", id=ids.clock_undo(splicer, shift.id), className="button big"
                    ),
                    html.Div(id=ids.clock_undo_answer(splicer, shift.id), role="status"),
                ],
                className="undo-fold",
            )
            if may
            else None,
        ]
    )  # fmt: skip


def set_typed_shift(
    data: CrewData, splicer: str, start: str, fields: Mapping[str, Any], by: str
) -> str:
    """Set the shift that a form says; return what to say.

    Parameters
    ----------
    start : str
        Beginning of the stretch as logged, microseconds since 1970 in UTC.
    fields : mapping
        What was typed: ``way``, ``days``, ``hours``, ``minutes``, ``why``.

    Raises
    ------
    UsageError
        When the viewer may not, or the shift cannot be kept as it is typed.
    """
    shift = typed_shift(fields)
    starts_at = _typed_start(start)
    why = str(fields.get("why") or "")
    set_clock_shift(data, splicer, starts_at, shift, by=by, why=why)
    effect = f"are read {clock_shift_text(shift)}" if shift else "count as logged"
    return f"The records of {splicer} {effect}. The results are being brought up to date."


def typed_shift(fields: Mapping[str, Any]) -> timedelta:
    """Return the shift that a form says.

    Raises
    ------
    UsageError
        When it says none.
    """
    way = fields.get("way")
    if way == RIGHT:
        return timedelta(0)
    if way not in (LATER, EARLIER):
        raise UsageError("Say whether the times are to be later or earlier, or were right.")
    numbers: dict[str, float] = {}
    for name, label in UNITS.items():
        text = str(fields.get(name) or "0").strip()
        if not text.isascii() or not text.isdecimal() or len(text) > 9:
            raise UsageError(f"{label} are to be a whole number, 0 or more.")
        numbers[name] = int(text)
    # a number of nine digits is too long a shift, but still one
    size = timedelta(minutes=numbers["minutes"]) + timedelta(hours=numbers["hours"])
    size += timedelta(days=numbers["days"])
    if not size:
        raise UsageError("Say by how much: days, hours or minutes; or that the clock was right.")
    return size if way == LATER else -size


def _typed_start(start: str) -> datetime:
    try:
        return instant_at(int(start))
    except (ValueError, OverflowError):
        raise UsageError("These records are kept apart no longer; load the page again.") from None
