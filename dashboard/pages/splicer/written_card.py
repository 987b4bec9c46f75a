"""Part of the splicer page: write down a check, a service or a remark, and what was written."""

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import dash_mantine_components as dmc
import pandas as pd
from dash import html

from arcdrift.figures.events import REMARK
from arcdrift.intake.storing.written_records import WrittenKind
from arcdrift.intake.storing.written_sentences import (
    BLADE_CAUTION,
    ELECTRODES_CAUTION,
    MANUAL_FIRST,
    event_text,
)
from arcdrift.store.records.written_entries import WrittenEntry
from dashboard import ids
from dashboard.access.current_user import current_user
from dashboard.components import View, card, shown_time
from dashboard.forms import remembered_name_field
from dashboard.reading.data import CrewData

SHOWN = 5
"""Entries listed at first; the others are one tap away."""
KINDS: dict[str, WrittenKind] = {
    "check": "arc-checks",
    "cleaning": "service",
    "service": "service",
    "remark": "remarks",
}
"""Kind of record by form."""
FIELD_OF_COLUMN = {
    "arc_setting": "setting",
    "arc_count": "count",
    "checked_at": "when",
    "serviced_at": "when",
    "action": "what",
    "asset": "what",
    "remark": "remark",
    "by": "by",
}
"""Field beside which a problem of a column is told."""
SPLICER_ACTIONS = (
    "electrodes replaced",
    "v-grooves cleaned",
    "cleaned",
    "firmware updated",
    "factory service",
    "other",
)
BLADE_ACTIONS = ("blade rotated", "blade replaced")
OUTCOMES = (("pass", "Passed"), ("fail", "Failed"), ("aborted", "Aborted"))
_DECIMAL_COMMA = re.compile(r"-?\d+,(\d{1,2}|\d{4,})")


def written_card(view: View, splicer: str) -> html.Section:
    """Return the card of a splicer: the forms, and what was written down lately."""
    return card(
        html.Div(id=ids.written_answer(splicer), role="status", className="written-answer"),
        remembered_name_field(),
        html.Div(
            [
                _form("check", "Log a check", splicer, _check_fields(view, splicer)),
                _form("cleaning", "Log a cleaning", splicer, _cleaning_fields()),
                _form("service", "Log a service", splicer, _service_fields(view, splicer)),
                _form("remark", "Write a remark", splicer, _remark_fields()),
            ],
            className="written-forms",
        ),
        _entries(view, splicer),
        title="Write down",
        name="written",
    )


def service_and_remarks(view: View, splicer: str) -> pd.DataFrame:
    """Return the events to mark on a splicer's charts: ``at`` (naive local), ``action``."""
    service = view.data.service(splicer)[["at", "action"]]
    times = [
        entry.happened_at
        for entry in view.data.written_entries(splicer)
        if entry.kind == "remarks" and entry.subject == splicer
    ]
    if not times:
        return service
    at = view.data.local_times(pd.Series(pd.to_datetime(times, utc=True)), splicer)
    remarks = pd.DataFrame({"at": at.dt.as_unit("us"), "action": REMARK})
    return pd.concat([service, remarks], ignore_index=True) if len(service) else remarks


def checks_by_hand(view: View, splicer: str) -> list[datetime]:
    """Return the instants of a splicer's checks that only a person wrote down, no log."""
    return [
        entry.happened_at
        for entry in view.data.written_entries(splicer)
        if entry.kind == "arc-checks" and not entry.in_log
    ]


def typed_entry(form: str, splicer: str, fields: Mapping[str, Any]) -> dict[str, Any]:
    """Convert a filled form to the arguments of `dashboard.reading.data.CrewData.write_down`.

    Parameters
    ----------
    form : str
        ``check``, ``cleaning``, ``service`` or ``remark``.
    fields : mapping
        Texts by field as typed.
    """
    user = current_user()
    text = {name: str(value or "").strip() for name, value in fields.items()}
    by = technician = text.get("by", "")
    if user is not None:
        by, technician = user.name, user.viewer.technician or user.name
    remark = text.get("remark", "")
    if form == "check":
        # keypads of many countries have a comma and no point
        setting = text.get("setting", "")
        setting = setting.replace(",", ".") if _DECIMAL_COMMA.fullmatch(setting) else setting
        cells = {
            "splicer": splicer,
            "outcome": text.get("outcome") or "pass",
            "arc_setting": setting,
            "arc_count": text.get("count", ""),
            "technician": technician,
            "remark": remark,
        }
    elif form == "cleaning":
        cells = {"asset": splicer, "action": text.get("what") or "cleaned", "remark": remark}
    elif form == "service":
        action, _, asset = text.get("what", "").partition("|")
        cells = {"asset": asset or splicer, "action": action, "remark": remark}
    else:
        cells = {"asset": splicer, "remark": remark}
    when = text.get("when", "")
    return {"kind": KINDS[form], "cells": cells, "when": when, "by": by, "splicer": splicer}


def entry_words(data: CrewData, entry: WrittenEntry) -> str:
    """Describe an entry: what it says."""
    return event_text(entry.kind, entry.subject, entry.values, data.unit(entry.subject))


def _form(form: str, label: str, splicer: str, fields: list[Any]) -> html.Details:
    return html.Details(
        [
            html.Summary(label, className="button big"),
            html.Div(
                [
                    *fields,
                    html.Button(
                        "Write it down",
                        id=ids.written_save(form, splicer),
                        className="button big primary",
                    ),
                    html.Div(id=ids.written_trouble(form), role="alert"),
                ],
                className="written-fields",
            ),
        ],
        id=f"log-{form}",  # the Shift page leads to it
    )


def _text_field(form: str, name: str, label: str, **options: Any) -> dmc.TextInput:
    return dmc.TextInput(
        id=ids.written_field(form, name), label=label, value="", size="md", **options
    )


def _when_field(form: str) -> dmc.TextInput:
    return _text_field(
        form, "when", "When", placeholder="now (or 07:30, 2026-05-04 07:30)", autoComplete="off"
    )


def _check_fields(view: View, splicer: str) -> list[Any]:
    unit = view.data.unit(splicer)
    return [
        html.Div(
            [
                html.Span("How it ended", className="filter-label"),
                dmc.SegmentedControl(
                    id=ids.written_choice("check", "outcome"),
                    data=[{"value": value, "label": label} for value, label in OUTCOMES],
                    value="pass",
                    size="md",
                    fullWidth=True,
                ),
            ]
        ),
        _text_field(
            "check", "setting", f"Arc setting it stored, {unit}",
            inputProps={"inputMode": "decimal"}, autoComplete="off",
        ),
        _text_field(
            "check", "count", "Arc count, if it shows one",
            inputProps={"inputMode": "numeric"}, autoComplete="off",
        ),
        _when_field("check"),
        _text_field("check", "remark", "Remark, if any", autoComplete="off"),
    ]  # fmt: skip


def _service_fields(view: View, splicer: str) -> list[Any]:
    choices = [
        {"value": f"{action}|{splicer}", "label": f"{splicer}: {action}"}
        for action in SPLICER_ACTIONS
    ] + [
        {"value": f"{action}|{cleaver}", "label": f"Cleaver {cleaver}: {action}"}
        for cleaver in view.data.cleavers_of(splicer)
        for action in BLADE_ACTIONS
    ]
    return [
        dmc.Select(
            id=ids.written_field("service", "what"),
            label="What was done",
            data=choices,
            value=None,
            placeholder="Choose",
            allowDeselect=False,
            size="md",
        ),
        html.P(f"{ELECTRODES_CAUTION} {BLADE_CAUTION} {MANUAL_FIRST}", className="muted hint"),
        _when_field("service"),
        _text_field("service", "remark", "Remark, if any", autoComplete="off"),
    ]


def _cleaning_fields() -> list[Any]:
    return [
        html.Div(
            [
                html.Span("What was cleaned", className="filter-label"),
                dmc.SegmentedControl(
                    id=ids.written_choice("cleaning", "what"),
                    data=[
                        {"value": "cleaned", "label": "Lenses, mirrors, holders"},
                        {"value": "v-grooves cleaned", "label": "V-grooves"},
                    ],
                    value="cleaned",
                    size="md",
                    fullWidth=True,
                ),
            ]
        ),
        _when_field("cleaning"),
        _text_field("cleaning", "remark", "Remark, if any", autoComplete="off"),
    ]


def _remark_fields() -> list[Any]:
    return [
        _text_field("remark", "remark", "What is worth remembering", autoComplete="off"),
        _when_field("remark"),
    ]


def _entries(view: View, splicer: str) -> html.Div | None:
    entries = view.data.written_entries(splicer)
    if not entries:
        return None
    items = [_entry(view, splicer, entry) for entry in entries]
    older = items[SHOWN:]
    return html.Div(
        [
            html.H3("Written down by hand"),
            html.Ul(items[:SHOWN], className="finding-list"),
            html.Details(
                [
                    html.Summary(f"{len(older)} older"),
                    html.Ul(older, className="finding-list"),
                ]
            )
            if older
            else None,
        ]
    )


def _entry(view: View, splicer: str, entry: WrittenEntry) -> html.Li:
    words = entry_words(view.data, entry)
    by = f", by {entry.written_by}" if entry.written_by else ""
    state = "written by hand"
    if entry.differs:
        state = "differs from the log: choose with `arcdrift quarantine conflicts`"
    elif entry.in_log:
        state = "in the log as well"
    return html.Li(
        [
            html.Div(
                [
                    html.Strong(words),
                    html.Span(
                        f"{shown_time(entry.happened_at, view.data, splicer)}{by}; {state}",
                        className="muted",
                    ),
                ]
            ),
            html.Button(
                "Undo",
                id=ids.undo_written(entry.import_id, "list"),
                className="button big",
                **{"aria-label": f"Undo: {words}"},
            ),
        ],
        className="mark-line written-entry",
    )
