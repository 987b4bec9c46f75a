"""Part of the splicer page: effects on its arc setting, and its most influential checks."""

import json
from typing import Any

import pandas as pd
from dash import html

from arcdrift.analysis.arc.arc_model import ArcModel
from arcdrift.analysis.arc.influential_checks import (
    MAX_LISTED,
    InfluentialCheck,
    influential_checks,
)
from arcdrift.figures.arc import effects
from arcdrift.wording import capitalized, probability_text
from dashboard.components import View, card, chart, csv_button, csv_link, facts, notice, shown_time
from dashboard.service_moves_text import arc_moves_text, loss_moves_text

TITLE = "What moves this splicer's arc"


def model_cards(view: View, splicer: str) -> list[html.Section]:
    """Return the effects on a splicer's arc and the checks that move them most."""
    rows = view.data.result("result_arc_models", splicer=splicer)
    if rows.empty:
        return [card(notice("No arc check of this splicer is on record."), title=TITLE)]
    row = rows.iloc[0]
    if pd.isna(row["model"]):
        refused = notice(
            f"{_as_sentence(str(row['refusal']))} {int(row['checks'])} passed checks on record, "
            f"{int(row['used'])} of them with all that is needed.",
            title="Cannot tell yet.",
        )
        return [card(refused, title=TITLE)]
    model = ArcModel.from_json(json.loads(row["model"]))
    effects_card = chart(
        TITLE,
        effects(effect_table(model), unit=model.unit, scheme=view.scheme),
        csv=csv_link("/splicer", "effects", {"splicer": splicer}),
        hint=_basis(model),
        legend=False,
    )
    return [effects_card, _service_moves(view, model), _single_checks(view, splicer, model)]


def _service_moves(view: View, model: ArcModel) -> html.Section:
    return card(
        html.P(
            "New electrodes, factory service and new firmware may move the arc setting that is "
            "needed and what is usually lost. A fault that begins near such service and is no "
            "larger than this is hard to tell from it.",
            className="muted hint",
        ),
        facts(
            [
                ("Arc setting", arc_moves_text(model)),
                ("Splice loss", loss_moves_text(view.data.service_shifts())),
            ]
        ),
        title="What service moves",
        name="service-moves",
    )


def _basis(model: ArcModel) -> str:
    if model.peers:
        source = (
            f"; {probability_text(model.pooling_weight)} of what is known about the air comes from "
            f"{model.peers} splicers of the same model."
        )
    else:
        source = "; no other splicer of the same model to borrow from."
    change = ""
    if model.change_checks:
        change = (
            f" {model.change_checks} checks belong to an unexplained change. A slow change looks "
            "like wear before its alarm: the effect of wear is less certain than its interval."
        )
    return (
        f"From {model.used} of {model.checks} checks{source} A single check repeats to "
        f"{model.sigma:.1f} {model.unit} (one standard deviation).{change}"
    )


def _single_checks(view: View, splicer: str, model: ArcModel) -> html.Section:
    points = view.data.result("result_arc_points", splicer=splicer)
    influential = influential_checks(points, model)
    body: list[Any] = []
    if influential:
        body += [
            html.P(
                "A check made in rare air, or one that stored an odd setting, can bend the whole "
                f"picture. These bend it most, at most {MAX_LISTED} are listed; look at them "
                "before you trust the effects above.",
                className="muted hint",
            ),
            html.Ul(
                [_check_line(check, view, splicer, model) for check in influential],
                className="plain-list",
            ),
        ]
    else:
        text = f"None of the {model.used} checks used bends the picture by itself."
        body.append(notice(text, name="good"))
    if model.excluded:
        body += [
            html.H3("Checks not used"),
            html.Ul(
                [html.Li(f"{count}: {reason}") for reason, count in model.excluded.items()],
                className="plain-list",
            ),
        ]
    return card(
        *body,
        title="Single checks that matter most",
        aside=_csv(splicer),
        name="influential",
    )


def _csv(splicer: str) -> html.A:
    return csv_button("/splicer", "influence", {"splicer": splicer}, "the influence of each check")


def _check_line(check: InfluentialCheck, view: View, splicer: str, model: ArcModel) -> html.Li:
    unit = model.unit
    if check.share is None:
        moves = f"Without it, the air effect would change by {check.air_change:+.1f} {unit}."
    elif abs(check.share) < 0.005:
        moves = "Without it, the air effect would stay as it is."
    else:
        side = "smaller" if check.share < 0 else "larger"
        moves = (
            f"This one check moves the air effect by {100 * abs(check.share):.0f} %: without it, "
            f"the effect would be {side}."
        )
    return html.Li(
        [
            html.Div(
                [
                    html.Strong(shown_time(check.checked_at, view.data, splicer)),
                    html.Span(
                        f"set {check.setting:g} {unit}, expected {check.expected:.1f}",
                        className="muted",
                    ),
                ],
                className="row",
            ),
            html.Div(f"{check.why} {moves}"),
        ]
    )


def effect_table(model: ArcModel) -> pd.DataFrame:
    """Return effects as rows ``effect``, ``change``, ``low``, ``high`` in the setting's unit."""
    shown = (model.air_span, *(model.pooled or model.effects))
    return pd.DataFrame(
        {
            "effect": [f"{effect.label}, {effect.per}" for effect in shown],
            "change": [effect.value for effect in shown],
            "low": [effect.low for effect in shown],
            "high": [effect.high for effect in shown],
        }
    )


def effects_of(view: View, splicer: str) -> pd.DataFrame:
    """Return the effects of a splicer's stored model; no rows where there is none."""
    rows = view.data.result("result_arc_models", splicer=splicer)
    if rows.empty or pd.isna(rows.iloc[0]["model"]):
        return pd.DataFrame(columns=["effect", "change", "low", "high"])
    return effect_table(ArcModel.from_json(json.loads(rows.iloc[0]["model"])))


def influence_of(view: View, splicer: str) -> pd.DataFrame:
    """Return the stored influence of each check on the model."""
    rows = view.data.result("result_arc_points", splicer=splicer)
    columns = ["checked_at", "arc_setting", "fitted", "leverage", "studentized", "dffits"]
    return rows[[*columns, "cooks_distance", "air_change", "excluded"]]


def _as_sentence(text: str) -> str:
    text = capitalized(text)
    return text if text.endswith(".") else f"{text}."
