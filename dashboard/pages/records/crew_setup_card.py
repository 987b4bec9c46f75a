"""Part of the page Records: a new crew is set up, step by step to its first verdict."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal, NamedTuple

import dash_mantine_components as dmc
import pandas as pd
from dash import dcc, html

from arcdrift.crew_setup import DEFAULT_UNIT, UNITS, typed_setup, zone_names
from arcdrift.errors import ArcdriftError
from arcdrift.settings import Crew
from arcdrift.wording import count_text
from dashboard import ids
from dashboard.components import card, notice
from dashboard.error_page import sentence
from dashboard.reading.data import CrewData

BEGUN_HOURS = 24
"""How long after its first file a crew is led on to its first verdict."""
SITE_FIELDS = ("site", "elevation")
SPLICER_FIELDS = ("splicer", "home", "unit")
State = Literal["done", "now", "later"]
STATE_WORDS: Mapping[State, str] = {"done": "done", "now": "now", "later": "later"}


class TypedSetup(NamedTuple):
    """What stands in the fields; each site and splicer is a row of texts."""

    name: str
    time_zone: str
    sites: Sequence[tuple[str, ...]]
    splicers: Sequence[tuple[str, ...]]


def setup_part(data: CrewData) -> list[Any]:
    """Return what leads a new crew on, and why crew.toml is not in force; empty for others."""
    trouble = data.in_force.trouble
    part: list[Any] = [notice(trouble, name="bad")] if trouble else []
    begun = data.has_records()
    if begun and not _is_new(data):
        return part
    if not data.viewer.has_role("lead"):
        if not begun and data.crew.time_zone is None:
            part.append(
                notice("A lead sets this crew up first: its time zone, sites and splicers.")
            )
        return part
    is_set_up = data.crew.time_zone is not None or begun
    part.append(_steps(is_set_up, begun, data.run() is not None))
    if begun:
        return part
    form = html.Div(setup_form(_stored(data.crew)), id=ids.setup_form("records"))
    if is_set_up:
        summary = html.Summary(f"{_summary(data.crew)}. Change it")
        part.append(html.Details([summary, form], className="card setup-fold"))
    else:
        part.append(card(form, title="Set up the crew"))
    return part


def setup_form(typed: TypedSetup, trouble: str = "") -> list[Any]:
    """Return the fields, filled in; ``trouble`` is why they were not saved."""
    sites = [name for name, *_ in typed.sites if name.strip()]
    return [
        html.Div(
            [
                dmc.TextInput(
                    id=ids.setup_field("name"), label="Name of the crew", value=typed.name,
                    size="md",
 className="filter",
                ),
                dmc.Select(
                    id=ids.setup_field("zone"),
                    label="Time zone of the clocks of splicers and loggers",
                    data=list(zone_names()),
                    value=typed.time_zone or None,
                    searchable=True,
                    clearable=True,
                    clearButtonProps={"aria-label": "Clear the time zone"},
                    limit=200,
                    nothingFoundMessage="No time zone of that name",
                    placeholder="Europe/Oslo",
                    size="md",
 className="filter",
                ),
            ],
            className="setup-row",
        ),
        html.Fieldset(
            [
                html.Legend("Sites"),
                html.P("Where the crew works, named as in your logs.", className="muted hint"),
                *(_site_row(number, row) for number, row in enumerate(typed.sites)),
                html.Button("Add a site", id=ids.setup_button("site"), className="button"),
            ],
        ),
        html.Fieldset(
            [
                html.Legend("Splicers"),
                html.P("May be left empty: they are learned from your files.",
                       className="muted hint"),
                *(_splicer_row(number, row, sites) for number, row in enumerate(typed.splicers)),
                html.Button("Add a splicer", id=ids.setup_button("splicer"), className="button"),
            ],
        ),
        html.Div(notice(trouble, name="bad") if trouble else None, role="status",
                 className="setup-said"),
        html.Button("Save", id=ids.setup_button("save"), className="button big"),
    ]  # fmt: skip


def typed_in(fields: Iterable[tuple[Mapping[str, Any], Any]]) -> TypedSetup:
    """Return what stands in the fields, given the id and the value of each."""
    values = {(each["name"], int(each["row"])): str(value or "") for each, value in fields}

    def rows(names: tuple[str, ...]) -> list[tuple[str, ...]]:
        numbers = sorted(row for name, row in values if name == names[0])
        return [tuple(values.get((name, row), "") for name in names) for row in numbers]

    return TypedSetup(
        values.get(("name", 0), ""), values.get(("zone", 0), ""),
        rows(SITE_FIELDS), rows(SPLICER_FIELDS),
    )  # fmt: skip


def with_a_row(typed: TypedSetup, kind: str) -> TypedSetup:
    """Return what was typed with one more site or splicer to fill in."""
    if kind == "site":
        return typed._replace(sites=[*typed.sites, ("", "")])
    return typed._replace(splicers=[*typed.splicers, ("", "", DEFAULT_UNIT)])


def save(data: CrewData, typed: TypedSetup) -> str:
    """Save a set-up as typed; return why it was not saved, or nothing.

    Here a time zone is needed: most logs are refused without one.
    """
    try:
        sites = [(name, height) for name, height in typed.sites]
        splicers = [(name, home, unit) for name, home, unit in typed.splicers]
        setup = typed_setup(typed.name, typed.time_zone, sites, splicers)
        if setup.time_zone is None:
            return "Choose the time zone: times in logs without an offset are read in it."
        data.save_setup(setup)
    except ArcdriftError as problem:
        return sentence(problem)
    return ""


def _is_new(data: CrewData) -> bool:
    """Whether all files were imported lately, so that this may be the first verdict."""
    first = data.imports()["started_at"].min()
    return bool(pd.Timestamp.now("UTC") - first < pd.Timedelta(hours=BEGUN_HOURS))


def _steps(is_set_up: bool, begun: bool, is_analyzed: bool) -> html.Ol:
    verdict: Any = "First verdict"
    if is_analyzed:
        verdict = dcc.Link("First verdict: open the Shift page", href="/")
    steps: tuple[tuple[Any, State], ...] = (
        ("Set up", "done" if is_set_up else "now"),
        ("Add files", "done" if begun else "now" if is_set_up else "later"),
        (verdict, "done" if is_analyzed else "now" if begun else "later"),
    )
    return html.Ol(
        [
            html.Li(
                [
                    html.Span(str(number), className="step-number", **{"aria-hidden": "true"}),
                    html.Span(words),
                    html.Span(f" ({STATE_WORDS[state]})", className="step-state"),
                ],
                className=f"step step-{state}",
                **{"aria-current": "step"} if state == "now" else {},
            )
            for number, (words, state) in enumerate(steps, 1)
        ],
        className="steps plain-list",
    )


def _summary(crew: Crew) -> str:
    parts = [
        crew.name,
        *([crew.time_zone] if crew.time_zone else []),
        count_text(len(crew.sites), "site"),
        count_text(len(crew.splicers), "splicer"),
    ]
    return ", ".join(parts)


def _stored(crew: Crew) -> TypedSetup:
    """Return the fields as crew.toml fills them, with a row to fill in where there is none."""
    sites = [
        (name, "" if site.elevation_m is None else f"{site.elevation_m:.10g}")
        for name, site in crew.sites.items()
    ]
    splicers = [
        (name, each.home_site or "", each.setting_unit) for name, each in crew.splicers.items()
    ]
    return TypedSetup(
        crew.name, crew.time_zone or "", sites or [("", "")], splicers or [("", "", DEFAULT_UNIT)]
    )


def _site_row(row: int, values: tuple[str, ...]) -> html.Div:
    name, height = values
    return html.Div(
        [
            dmc.TextInput(id=ids.setup_field("site", row), label="Site", value=name,
                          placeholder="Depot", size="md",
 className="filter"),
            dmc.TextInput(id=ids.setup_field("elevation", row), label="Elevation in m",
                          value=height, placeholder="120", inputProps={"inputMode": "decimal"},
                          size="md",
 className="filter setup-short"),
        ],
        className="setup-row",
    )  # fmt: skip


def _splicer_row(row: int, values: tuple[str, ...], sites: Sequence[str]) -> html.Div:
    name, home, unit = values
    return html.Div(
        [
            dmc.TextInput(id=ids.setup_field("splicer", row), label="Splicer", value=name,
                          placeholder="S-01", size="md",
 className="filter"),
            dmc.Autocomplete(id=ids.setup_field("home", row), label="Home site", value=home,
                             data=list(dict.fromkeys(sites)), size="md",
 className="filter setup-home"),
            dmc.Autocomplete(id=ids.setup_field("unit", row), label="Arc setting in", value=unit,
                             data=list(UNITS), size="md",
 className="filter setup-short"),
        ],
        className="setup-row",
    )  # fmt: skip
