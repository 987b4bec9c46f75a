"""The card for a splicer's case: the settings to expect by temperature and elevation."""

from collections.abc import Mapping
from datetime import date, timedelta
from math import ceil, floor, isfinite
from typing import Any, NamedTuple

import numpy as np
import segno

from arcdrift.air.moist_air import standard_pressure
from arcdrift.analysis.advice.advice import CAUTIONS, Advice
from arcdrift.analysis.advice.expected_settings import WEAR_SHARE, ExpectedSettings
from arcdrift.analysis.advice.upkeep_plan import work_paces
from arcdrift.arrays import Floats
from arcdrift.figures.nomogram import SettingSurface, setting_nomogram
from arcdrift.instants import day_text
from arcdrift.wording import capitalized, count_text, number_text, percent_text
from dashboard.components import View, shown_time
from dashboard.pages.splicer.advice_card import advice_now
from dashboard.reports.named import asked_splicer
from dashboard.reports.report import Asked, Contents
from dashboard.url_query import href

TEMPERATURES = np.arange(-30.0, 46.0, 5.0)
ELEVATION_STEPS = (100.0, 250.0, 500.0, 1000.0)
HIGHEST_M = 6000.0
"""The limit of ``elevation_m`` in crew.toml."""
MOST_COLUMNS = 7
HOME_CLOSE = 0.3
"""Steps of the table below which an elevation is close to that of the home site."""
FINE_C, FINE_M = 0.5, 20.0
"""Steps of the nomogram's surface, between which it is straight."""
HUMIDITY_STEP, HUMIDITY_AT = 20.0, (0.0, 10.0, 20.0, 30.0)
"""Points of relative humidity, and temperatures, for which the change by humidity is told."""
USUAL_HUMIDITY = 60.0
"""Relative humidity of the table where no check has any (our choice, no source)."""
LONGEST_DAYS = 60
"""A card is stale after so many days at the latest, so that seasons and slow changes do not pass
unseen (our choice, no source)."""
ROUND_ARCS = 50


class Cell(NamedTuple):
    """One setting of the table: as shown, and whether the one in force is off there."""

    text: str
    state: str


class Stale(NamedTuple):
    """When a card is no longer to be used."""

    day: date
    why_day: str
    arcs: int | None
    why_arcs: str


def setting_card(asked: Asked) -> Contents:
    """Return the contents of the card."""
    view, splicer = asked.view, asked_splicer(asked.view)
    advice, trouble = advice_now(view, splicer)
    # without advice, no record of it is known
    found = trouble if advice is None else view.data.expected_settings(splicer)
    known = view.data.crew.splicers.get(splicer)
    model = known.model if known else "model not in crew.toml"
    parts: dict[str, Any] = {
        "splicer": splicer,
        "cautions": CAUTIONS,
        "code": qr_svg(asked.address, splicer),
        "page": f"{asked.address}{href('/splicer', splicer=splicer)}" if asked.address else "",
        "trouble": "",
        "table": None,
    }
    if isinstance(found, str) or advice is None:
        reason = found if isinstance(found, str) else trouble
        parts["trouble"] = f"{capitalized(reason).rstrip('.')}."
    else:
        parts |= _numbers(view, splicer, found, advice)
    return Contents(
        f"{splicer}: setting card",
        f"{model}. Made on {day_text(view.data.today())}; keep it in the case.",
        splicer,
        parts,
        of_now=True,
    )


def _numbers(
    view: View, splicer: str, found: ExpectedSettings, advice: Advice
) -> Mapping[str, Any]:
    humidity = usual_humidity(view, splicer)
    site, home = home_elevation(view, splicer)
    heights = with_home(table_elevations(found, humidity, lowest_site(view)), home)
    # whole hectopascals, so that who types in what the card says gets what the card says
    pressures = np.round(standard_pressure(heights))
    settings = found.grid(TEMPERATURES, pressures, humidity)
    rows = [
        (number_text(temperature), [_cell(value, found) for value in row])
        for temperature, row in zip(TEMPERATURES, settings, strict=True)
        if not np.isnan(row).all()
    ]
    half = _half_widths(found, pressures, settings, humidity)
    stale = stale_after(view, splicer, found)
    unit = found.unit
    return {
        "unit": unit,
        "setting": f"{found.setting:g} {unit}",
        "checked": shown_time(advice.last_check, view.data, splicer) if advice.last_check else "",
        "tolerance": f"{number_text(found.tolerance, 1)} {unit}",
        "drift": [finding.words for finding in advice.open_findings if finding.pressing],
        "basis": _basis(found),
        "humidity": f"{humidity:.0f} %",
        "heads": [
            (
                f"{site} {number_text(height)} m" if height == home else f"{number_text(height)} m",
                f"{number_text(pressure)} hPa",
            )
            for height, pressure in zip(heights, pressures, strict=True)
        ],
        "table": rows,
        "half": half,
        "by_humidity": _by_humidity(found, pressures, settings, humidity),
        "wear": f"{number_text(found.wear, 1, signed=True)} {unit}",
        "arcs": f"{found.arcs:,.0f}",
        "stale": stale,
        "nomogram": _nomogram(found, heights, humidity) if rows else None,
    }


def _cell(value: float, found: ExpectedSettings) -> Cell:
    if np.isnan(value):
        return Cell("", "unseen")
    difference = value - found.setting
    if abs(difference) <= found.tolerance:
        return Cell(number_text(value, 1), "fits")
    return Cell(number_text(value, 1), "higher" if difference > 0 else "lower")


def usual_humidity(view: View, splicer: str) -> float:
    """Return the median relative humidity at a splicer's checks, in whole tens of percent."""
    rows = view.data.result("result_arc_points", splicer=splicer)
    known = rows["humidity_pct"].dropna()
    return float(10.0 * round(known.median() / 10.0)) if len(known) else USUAL_HUMIDITY


def home_elevation(view: View, splicer: str) -> tuple[str, float | None]:
    """Return the home site of a splicer and its elevation in whole meters; None if not known."""
    known = view.data.crew.splicers.get(splicer)
    home = known.home_site if known else None
    site = view.data.crew.sites.get(home) if home else None
    if home is None or site is None or site.elevation_m is None:
        return "", None
    return home, float(round(site.elevation_m))


def with_home(heights: Floats, home: float | None) -> Floats:
    """Return the elevations of a table with that of the home site, in place of one close to it."""
    if home is None or len(heights) < 2 or not heights[0] <= home <= heights[-1]:
        return heights
    apart = np.abs(heights - home) > HOME_CLOSE * (heights[1] - heights[0])
    return np.sort(np.append(heights[apart], home))


def lowest_site(view: View) -> float:
    """Return the elevation of the lowest site in whole hundreds of meters; sea level at most."""
    known = [site.elevation_m for site in view.data.crew.sites.values()]
    return 100.0 * floor(min([0.0, *(at for at in known if at is not None)]) / 100.0)


def table_elevations(found: ExpectedSettings, humidity: float, lowest_m: float = 0.0) -> Floats:
    """Return the elevations of the table: all at which some temperature was seen, not too many.

    Parameters
    ----------
    lowest_m : float
        Where they begin at the lowest.
    """
    fine = np.arange(lowest_m, HIGHEST_M + 1.0, 100.0)
    seen = ~np.isnan(found.grid(TEMPERATURES, np.asarray(standard_pressure(fine)), humidity))
    at = fine[seen.any(axis=0)]
    if not len(at):
        return fine[:1]
    for step in ELEVATION_STEPS:
        first, last = floor(at[0] / step) * step, ceil(at[-1] / step) * step
        heights = np.arange(first, last + 1.0, step)
        if len(heights) <= MOST_COLUMNS:
            break
    inside = seen_columns(found, heights, humidity)
    return np.asarray(heights[inside] if inside.any() else heights[:1])


def seen_columns(found: ExpectedSettings, heights: Floats, humidity: float) -> np.ndarray:
    """Whether any temperature was seen at each elevation."""
    settings = found.grid(TEMPERATURES, np.asarray(standard_pressure(heights)), humidity)
    return np.asarray(~np.isnan(settings).all(axis=0))


def _half_widths(
    found: ExpectedSettings, pressures: Floats, settings: Floats, humidity: float
) -> str:
    """Say how wide the 95 % intervals of the table are."""
    halves = [
        (answer[2] - answer[1]) / 2.0
        for row, column in np.argwhere(~np.isnan(settings))
        if (answer := found.at(float(TEMPERATURES[row]), float(pressures[column]), humidity))
    ]
    if not halves:
        return ""
    low, high = (number_text(end, 1) for end in (min(halves), max(halves)))
    return f"±{low} {found.unit}" if low == high else f"±{low} to ±{high} {found.unit}"


def _basis(found: ExpectedSettings) -> str:
    peers = count_text(found.peers, "splicer")
    if found.only_peers:
        return (
            f"This splicer has no model of its own yet: {found.why_peers}. What the air changes is "
            f"taken from {peers} of the same model, and the level from its own last check alone. "
            "Advice on its page keeps to the plain rules until it has a model."
        )
    own = f"From {count_text(found.checks, 'check')} of this splicer"
    return f"{own} and the slopes of {peers} of the same model." if found.peers else f"{own}."


def _by_humidity(
    found: ExpectedSettings, pressures: Floats, settings: Floats, humidity: float
) -> list[tuple[str, str]]:
    """Return by how much the setting changes for more humid air, at some temperatures."""
    other = (
        humidity + HUMIDITY_STEP if humidity + HUMIDITY_STEP <= 100.0 else humidity - HUMIDITY_STEP
    )
    sign = 1.0 if other > humidity else -1.0
    # where most of the table is
    column = int(np.argmax((~np.isnan(settings)).sum(axis=0)))
    pressure = pressures[column : column + 1]
    temperatures = np.array(HUMIDITY_AT)
    best = found.grid(temperatures, pressure, humidity)[:, 0]
    changed = found.grid(temperatures, pressure, other)[:, 0]
    return [
        (f"{temperature:.0f} °C", number_text(sign * change, 1, signed=True))
        for temperature, change in zip(temperatures, changed - best, strict=True)
        if not np.isnan(change)
    ]


def stale_after(view: View, splicer: str, found: ExpectedSettings) -> Stale:
    """Return the day and the arc count after which the card no longer holds."""
    today = view.data.today()
    longest = today + timedelta(days=LONGEST_DAYS)
    why_day = f"no card is older than {LONGEST_DAYS} days"
    known = view.data.crew.splicers.get(splicer)
    life = known.electrode_life_arcs if known else None
    wear, arcs, why_arcs = found.stale_after_arcs, None, ""
    if isfinite(wear):
        arcs = found.arcs + wear
        why_arcs = (
            f"by then wear may have moved the setting by {percent_text(WEAR_SHARE, 0)} of the "
            "tolerance"
        )
    if life is not None and (arcs is None or life < arcs):
        arcs, why_arcs = float(life), "the electrodes are then at their limit"
    if arcs is None:
        return Stale(longest, why_day, None, "")
    count = floor(arcs / ROUND_ARCS) * ROUND_ARCS
    pace = work_paces(view.data.result("result_check_days"), today).get(splicer)
    if pace is not None and pace.splices > 0:
        days = max(count - found.arcs, 0.0) / pace.splices
        if days < LONGEST_DAYS:
            return Stale(
                today + timedelta(days=floor(days)),
                f"at {number_text(pace.splices, 1)} splices a day the arc count is reached then",
                count,
                why_arcs,
            )
    return Stale(longest, why_day, count, why_arcs)


def _nomogram(found: ExpectedSettings, heights: Floats, humidity: float) -> Any:
    fine = np.arange(heights[0], heights[-1] + 100.0, FINE_M)
    air = np.arange(TEMPERATURES[0], TEMPERATURES[-1] + FINE_C, FINE_C)
    settings = found.grid(air, np.asarray(standard_pressure(fine)), humidity)
    seen = np.flatnonzero(~np.isnan(settings).all(axis=1))
    rows = slice(seen[0], seen[-1] + 1)
    ticks = [
        (
            float(height),
            f"{number_text(height)} m, {number_text(float(standard_pressure(height)))} hPa",
        )
        for height in heights
    ]
    return setting_nomogram(
        SettingSurface(air[rows], fine, settings[rows]),
        ticks,
        unit=found.unit,
        setting=found.setting,
        tolerance=found.tolerance,
    )


def qr_svg(address: str, splicer: str) -> str:
    """Return the address of a splicer's page as a QR code; empty where it is not known."""
    if not address:
        return ""
    code = segno.make(f"{address}{href('/splicer', splicer=splicer)}", error="m", micro=False)
    image: str = code.svg_inline(border=4, dark="#000", light="#fff", omitsize=True)
    return image.replace("<svg ", '<svg role="img" aria-label="QR code of its page" ', 1)
