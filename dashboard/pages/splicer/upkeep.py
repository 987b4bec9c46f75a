"""Parts of the splicer page: the start-of-day list, the electrodes, the programs allowed."""

import json
from typing import Any

import pandas as pd
from dash import html

from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.arc.pooled_regression import PHI_ASSUMED
from arcdrift.analysis.maintenance.electrode_life import (
    ElectrodeState,
    arcs_left_text,
    electrode_state,
)
from arcdrift.analysis.maintenance.electrode_replacements import (
    Change,
    Replacement,
    compare_replacement,
    latest_replacement,
)
from arcdrift.errors import ArcdriftError
from arcdrift.figures.electrodes import wear_history
from arcdrift.settings import Crew, Splicer
from dashboard.components import View, card, chart, csv_link, facts, notice, shown_time


def _state(view: View, splicer: str) -> tuple[ElectrodeState, ArcModel | Refusal | None]:
    points = view.data.result("result_arc_points", splicer=splicer)
    days = view.data.result("result_check_days", splicer=splicer)
    rows = view.data.result("result_arc_models", splicer=splicer)
    model: ArcModel | Refusal | None = None
    if len(rows):
        row = rows.iloc[0]
        model = (
            Refusal(splicer, int(row["checks"]), int(row["used"]), str(row["refusal"]))
            if pd.isna(row["model"])
            else ArcModel.from_json(json.loads(row["model"]))
        )
    try:
        # the same state as in the advice and its list, so that all of them tell the same numbers
        wear = view.data.advice(splicer, None, None, None).electrodes
    except ArcdriftError:  # a splicer without records
        wear = None
    if wear is None:
        wear = electrode_state(splicer, points, days, model, view.data.crew)
    return wear, model


def wear_table(view: View, splicer: str) -> pd.DataFrame:
    """Return the table behind the chart of wear."""
    return wear_history(_state(view, splicer)[0]).table


def electrodes_card(view: View, splicer: str) -> list[html.Section]:
    """Return cards of a splicer's electrodes: numbers, last replacement, chart of wear."""
    state, model = _state(view, splicer)
    parts: list[Any] = [facts(_facts(state))] if state.arcs is not None else []
    parts += [notice(text) for text in state.notes]
    parts += _replaced(view, splicer, model)
    cards = [card(*parts, title="Electrodes")]
    if state.curve is not None:
        cards.append(
            chart(
                "Arc setting against wear",
                wear_history(state, scheme=view.scheme),
                csv=csv_link("/splicer", "electrodes", {"splicer": splicer}),
                hint="What the setting is expected to be as the electrodes wear, in the average "
                "air of the latest checks. Checks on the present pair are moved to that air.",
            )
        )
    return cards


def _facts(state: ElectrodeState) -> list[tuple[str, Any]]:
    pairs: list[tuple[str, Any]] = [("Arcs on them", f"{state.arcs:,.0f}")]
    if state.life is not None:
        pairs.append(("Set to last", f"{state.life:,} arcs"))
    if state.limits is not None:
        limits = (state.limits.lowest, state.limits.highest)
        range_text = " to ".join("no limit" if end is None else f"{end:g}" for end in limits)
        pairs.append(("Settings the machine reaches", range_text))
    left = arcs_left_text(state)
    if left:
        text: Any = left
        if state.ends_by == "setting":
            aside = "until the setting is one the machine cannot reach"
            text = [text, html.Span(aside, className="aside")]
        pairs.append(("What is left", text))
    if state.pace is not None:
        aside = html.Span(f"over {state.pace.workdays} workdays", className="aside")
        pairs.append(("Pace", [f"{state.pace.mean:.0f} arcs a workday", aside]))
    return pairs


def _replaced(view: View, splicer: str, model: ArcModel | Refusal | None) -> list[Any]:
    service = view.data.service_records(splicer)
    at = latest_replacement(service[service["serviced_at"] <= view.run.now])
    if at is None:
        return [html.P("No replacement of its electrodes is on record.", className="muted")]
    replaced = compare_replacement(
        at,
        view.data.result("result_arc_points", splicer=splicer),
        view.data.result("result_stream_days", splicer=splicer),
        service,
        model,
        PHI_ASSUMED,
        view.data.crew.splicers.get(splicer, Splicer()).electrode_life_arcs,
    )
    return [
        html.H3(f"Replaced on {shown_time(at, view.data, splicer)}"),
        html.P(replaced.sentence),
        facts(_changes(replaced, view.data.unit(splicer))),
    ]


def _changes(replaced: Replacement, unit: str) -> list[tuple[str, Any]]:
    rows: list[tuple[str, Any]] = []
    if replaced.arcs is not None:
        rows.append(("Arcs on the old pair", f"{replaced.arcs:,.0f}"))
    if replaced.setting is not None:
        part = replaced.setting
        aside = f"air taken out: {part.change:+z.1f} ({part.low:+z.1f} to {part.high:+z.1f})"
        text = f"{part.before:.1f} → {part.after:.1f} {unit}"
        rows.append(("Setting", [text, html.Span(aside, className="aside")]))
    if replaced.scatter is not None:
        part = replaced.scatter
        text = f"{part.before:.1f} → {part.after:.1f} {unit}"
        rows.append(("Scatter of checks", [text, _ratio(part)]))
    if replaced.loss is not None:
        part = replaced.loss
        text = f"{part.before:.3f} → {part.after:.3f} dB a splice"
        rows.append(("Loss of a day", [text, _ratio(part)]))
    return rows


def _ratio(part: Change) -> html.Span:
    text = f"× {part.change:.2f} ({part.low:.2f} to {part.high:.2f})"
    return html.Span(text, className="aside")


def programs_card(crew: Crew) -> html.Section:
    """Return the programs allowed for fibers and sleeves, or how to set them."""
    title = "Programs allowed"
    lines = [
        html.Li([html.Strong(" to ".join(rule.fibers)), f": {', '.join(rule.programs)}"])
        for rule in crew.allowed_programs
    ]
    lines += [
        html.Li([html.Strong(f"{rule.sleeve_mm:g} mm sleeve"), f": {', '.join(rule.programs)}"])
        for rule in crew.heater_programs
    ]
    if lines:
        return card(
            html.P("Another program on these is a finding.", className="muted hint"),
            html.Ul(lines, className="plain-list"),
            title=title,
        )
    return card(
        notice(
            "None set, so a wrong program goes unnoticed. In crew.toml, put a block "
            "[[allowed_programs]] for each pair of fibers, with fibers and programs, and a block "
            "[[heater_programs]] for each sleeve length, with sleeve_mm and programs."
        ),
        title=title,
    )
