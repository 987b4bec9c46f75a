"""``arcdrift advise``: whether to recalibrate a splicer now or to keep working."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from arcdrift.cli.crew_folder import open_crew
from arcdrift.cli.names import require_known
from arcdrift.cli.options import HERE, AsJson, CrewFolder
from arcdrift.cli.output import emit, print_json, print_table, shown, tell, tell_list
from arcdrift.cli.time_arguments import local, typed_instant, zone_of_splicer
from arcdrift.errors import UsageError

if TYPE_CHECKING:
    from arcdrift.analysis.advice.advice import Advice

LOWEST_M, HIGHEST_M = -430.0, 6000.0  # as elevation_m in crew.toml
VERDICTS = {
    "recalibrate": ("Recalibrate before the next splice.", "bold red"),
    "keep-working": ("Keep working.", "bold green"),
    "cannot-tell": ("Cannot tell.", "bold yellow"),
}
LOOK = "Its arc is drifting: have it looked at."
STATES = {"ok": "ok", "due": "DUE", "unknown": "?"}
PARTS = {
    "air": "change from the air",
    "wear": "change from electrode wear",
    "unexplained": "change unexplained",
}


def advise(
    splicer: Annotated[str, typer.Argument(metavar="SPLICER", help="Its name in the logs.")],
    crew: CrewFolder = HERE,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="TIME", help="Ask for this local time instead of now: 2026-05-04T07:30."
        ),
    ] = None,
    temperature: Annotated[
        float | None,
        typer.Option("--temperature", metavar="C", help="Air temperature, degrees Celsius."),
    ] = None,
    pressure: Annotated[
        float | None,
        typer.Option("--pressure", metavar="HPA", help="Pressure where you stand, hPa."),
    ] = None,
    humidity: Annotated[
        float | None,
        typer.Option("--humidity", metavar="PCT", help="Relative humidity, percent."),
    ] = None,
    site: Annotated[
        str | None,
        typer.Option("--site", metavar="SITE", help="Ask for another site: the air there."),
    ] = None,
    elevation: Annotated[
        float | None,
        typer.Option("--elevation", metavar="M", help="Ask for another elevation, meters."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Recalibrate this splicer now, or keep working? With the reasons and the numbers."""
    air = {"temperature_c": temperature, "pressure_hpa": pressure, "humidity_pct": humidity}
    _require_believable(air)
    elsewhere = _elsewhere(site, elevation)
    with open_crew(crew) as here:
        import pandas as pd

        from arcdrift.analysis.advice.advice_from_store import advise_now
        from arcdrift.store import read

        require_known(splicer, read.splicers(here.engine), "splicer")
        zone = zone_of_splicer(here.crew, splicer)
        when = None if at is None else pd.Timestamp(typed_instant(at, zone, "--at")).as_unit("us")
        advice = advise_now(
            here.engine,
            here.crew,
            splicer,
            at=when,
            temperature_c=temperature,
            pressure_hpa=pressure,
            humidity_pct=humidity,
            elsewhere=elsewhere,
        )
        if as_json:
            print_json(advice.to_json())
        else:
            _print_advice(advice, zone)


def _elsewhere(site: str | None, elevation: float | None) -> str | float | None:
    if site is not None and elevation is not None:
        raise UsageError("Give --site or --elevation, not both.")
    if elevation is not None and not LOWEST_M <= elevation <= HIGHEST_M:
        raise UsageError(
            f"Elevation {elevation:g} is outside {LOWEST_M:g} to {HIGHEST_M:g} m; check the unit."
        )
    return elevation if site is None else site


def _require_believable(air: dict[str, float | None]) -> None:
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

    words, style = VERDICTS[advice.verdict]
    if advice.drifting:
        words, style = f"{words} {LOOK}", "bold yellow" if style == "bold green" else style
    emit(Text.assemble(f"{shown(advice.splicer)}: ", (words, style)))
    tell_list(advice.reasons)
    tell("", f"Last passed check: {local(advice.last_check, zone) or 'none on record'}.")
    tell(_air_words(advice.air), advice.basis_note)
    if advice.worth is not None:
        tell(advice.worth["sentence"])
    if advice.required is not None:
        _print_numbers(advice, advice.required)
    if advice.start_of_day:
        tell("", "Before the first splice of a day:")
        print_table(
            ["", "", "What is known"],
            [(STATES[item.state], item.what, item.words) for item in advice.start_of_day],
        )
    if advice.program_classes:
        tell("", "Programs used in the last week:")
        tell_list(f"{known['program_class']}: {known['note']}." for known in advice.program_classes)
    if advice.verdict != "keep-working":
        tell("", "Before you touch the splicer:")
        tell_list(advice.cautions)


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
            PARTS.get(part["part"], part["part"]),
            f"{part['change']:+.1f}",
            f"{part['low']:+.1f} to {part['high']:+.1f}",
        )
        for part in advice.breakdown
    ]
    print_table(["Arc setting", f"In {unit}", "95 % interval"], rows, numbers=(1, 2))


def _air_words(air: dict[str, Any] | None) -> str:
    if air is None:
        return "Air now: no reading is recent enough."
    parts = [
        f"{air[name]:.{places}f} {unit}"
        for name, places, unit in (
            ("temperature_c", 1, "°C"),
            ("pressure_hpa", 0, "hPa"),
            ("humidity_pct", 0, "% humidity"),
        )
        if air[name] is not None
    ]
    age = "" if air["age_min"] is None else f", {air['age_min']:.0f} min old"
    words = f"Air now: {', '.join(parts)} ({air['source']}{age})."
    return words if air["note"] is None else f"{words} {air['note']}"
