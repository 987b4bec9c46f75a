"""``arcdrift advise``: the verdict on a splicer's arc now, with reasons and numbers."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.known_names import require_known
from arcdrift.cli.options import CURRENT_FOLDER, AsJson, CrewFolder
from arcdrift.cli.output import (
    print_json,
    print_lines,
    print_list,
    print_renderable,
    print_table,
    printable,
)
from arcdrift.cli.time_arguments import local_time, parse_instant, zone_of_splicer
from arcdrift.errors import UsageError
from arcdrift.verdicts import VERDICTS
from arcdrift.wording import screen_text

if TYPE_CHECKING:
    from arcdrift.analysis.advice.advice import Advice

LOWEST_M, HIGHEST_M = -430.0, 6000.0  # the limits of elevation_m in crew.toml
ITEM_STATES = {"ok": "ok", "due": "DUE", "unknown": "?"}
CHANGE_LABELS = {
    "air": "change from the air",
    "wear": "change from electrode wear",
    "unexplained": "change unexplained",
}


def advise(
    splicer: Annotated[
        str, typer.Argument(metavar="SPLICER", help="Name of the splicer in the logs.")
    ],
    folder: CrewFolder = CURRENT_FOLDER,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="TIME", help="Local time to ask about instead of now: 2026-05-04T07:30."
        ),
    ] = None,
    temperature: Annotated[
        float | None,
        typer.Option("--temperature", metavar="C", help="Air temperature, degrees Celsius."),
    ] = None,
    pressure: Annotated[
        float | None,
        typer.Option(
            "--pressure",
            metavar="HPA",
            help="Air pressure at the place (not reduced to sea level), hPa.",
        ),
    ] = None,
    humidity: Annotated[
        float | None,
        typer.Option("--humidity", metavar="PCT", help="Relative humidity, percent."),
    ] = None,
    site: Annotated[
        str | None,
        typer.Option("--site", metavar="SITE", help="Another site to ask about, with its air."),
    ] = None,
    elevation: Annotated[
        float | None,
        typer.Option("--elevation", metavar="M", help="Another elevation to ask about, meters."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say whether to recalibrate a splicer now or to keep working, with reasons and numbers."""
    air = {"temperature_c": temperature, "pressure_hpa": pressure, "humidity_pct": humidity}
    _require_plausible(air)
    other_place = _other_place(site, elevation)
    with open_crew(folder) as session:
        import pandas as pd

        from arcdrift.analysis.advice.advice_from_store import advice_from_store
        from arcdrift.store.records.record_overview import read_splicers

        require_known(splicer, read_splicers(session.engine), "splicer")
        zone = zone_of_splicer(session.crew, splicer)
        instant = None if at is None else parse_instant(at, zone, "--at")
        advice = advice_from_store(
            session.engine,
            session.crew,
            splicer,
            at=None if instant is None else pd.Timestamp(instant).as_unit("us"),
            temperature_c=temperature,
            pressure_hpa=pressure,
            humidity_pct=humidity,
            elsewhere=other_place,
        )
        if as_json:
            print_json(advice.to_json())
        else:
            _print_advice(advice, zone)


def _other_place(site: str | None, elevation: float | None) -> str | float | None:
    """Return the site or the elevation in m that the advice is asked for; None for neither."""
    if site is not None and elevation is not None:
        raise UsageError("Give --site or --elevation, not both.")
    if elevation is not None and not LOWEST_M <= elevation <= HIGHEST_M:
        raise UsageError(
            f"Elevation {elevation:g} is outside {LOWEST_M:g} to {HIGHEST_M:g} m; check the unit."
        )
    return elevation if site is None else site


def _require_plausible(air: dict[str, float | None]) -> None:
    from arcdrift.quantities import QUANTITIES

    for name, value in air.items():
        quantity = QUANTITIES[name]
        if value is not None and not quantity.low <= value <= quantity.high:
            raise UsageError(
                f"{quantity.label} {value:g} is outside {quantity.low:g} to {quantity.high:g} "
                f"{quantity.symbol}; check the unit."
            )


def _print_advice(advice: "Advice", zone: str | None) -> None:
    from rich.text import Text

    verdict = VERDICTS[advice.verdict]
    words = f"{verdict.mark} {verdict.words}"
    print_renderable(
        Text.assemble(f"{printable(advice.splicer)}: ", (words, verdict.terminal_style))
    )
    print_lines(verdict.sentence)
    print_list(map(screen_text, advice.reasons))
    print_lines(
        "", f"Last passed check: {local_time(advice.last_check, zone) or 'none on record'}."
    )
    print_lines(_air_sentence(advice.air), advice.basis_note)
    if advice.worth is not None:
        print_lines(advice.worth["sentence"])
    if advice.required is not None:
        _print_numbers(advice, advice.required)
    if advice.start_of_day:
        print_lines("", "Before the first splice of a day:")
        print_table(
            ["", "", "What is known"],
            [
                (ITEM_STATES[item.state], item.what, screen_text(item.words))
                for item in advice.start_of_day
            ],
        )
    if advice.program_classes:
        print_lines("", "Programs used in the last week:")
        print_list(
            f"{program['program_class']}: {program['note']}." for program in advice.program_classes
        )
    if advice.verdict != "keep-working":
        print_lines("", "Before you touch the splicer:")
        print_list(advice.cautions)


def _print_numbers(advice: "Advice", required: dict[str, Any]) -> None:
    unit = required["unit"]
    rows = [
        (
            "should be",
            f"{required['value']:.1f}",
            f"{required['low']:.1f} to {required['high']:.1f}",
        ),
        ("is set to", f"{advice.setting:g}", ""),
        ("tolerance", f"{advice.tolerance:.1f}", ""),
    ]
    rows += [
        (
            CHANGE_LABELS.get(part["part"], part["part"]),
            f"{part['change']:+.1f}",
            f"{part['low']:+.1f} to {part['high']:+.1f}",
        )
        for part in advice.breakdown
    ]
    print_table(["Arc setting", f"In {unit}", "95 % interval"], rows, numeric_columns=(1, 2))


def _air_sentence(air: dict[str, Any] | None) -> str:
    if air is None:
        return "Air now: no reading is recent enough."
    values = [
        f"{air[name]:.{decimals}f} {unit}"
        for name, decimals, unit in (
            ("temperature_c", 1, "°C"),
            ("pressure_hpa", 0, "hPa"),
            ("humidity_pct", 0, "% humidity"),
        )
        if air[name] is not None
    ]
    age = "" if air["age_min"] is None else f", {air['age_min']:.0f} min old"
    sentence = f"Air now: {', '.join(values)} ({air['source']}{age})."
    return sentence if air["note"] is None else f"{sentence} {air['note']}"
