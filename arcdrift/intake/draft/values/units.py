"""Find the unit of a column of numbers that names none, from the size of its values.

The ranges are those of air that people work in and of ordinary splices (common practice, no
source). A unit is taken only if no other one is possible; else it is asked for.
"""

from dataclasses import dataclass

import numpy as np

from arcdrift.arrays import Floats
from arcdrift.intake.draft.questions import Option, Question
from arcdrift.intake.schema.units import to_stored
from arcdrift.quantities import QUANTITIES

_RANGES: dict[str, dict[str, tuple[float, float]]] = {
    "temperature_c": {"degC": (-45.0, 50.0), "degF": (-45.0, 125.0), "kelvin": (230.0, 325.0)},
    "dew_point_c": {"degC": (-50.0, 35.0), "degF": (-50.0, 90.0), "kelvin": (220.0, 310.0)},
    "pressure_hpa": {
        "hPa": (450.0, 1085.0),
        "mmHg": (400.0, 815.0),
        "kPa": (45.0, 108.5),
        "inHg": (16.0, 32.1),
        "psi": (6.5, 15.75),
        "bar": (0.45, 1.085),
        "Pa": (45_000.0, 108_500.0),
    },
    "humidity_pct": {"percent": (0.0, 100.0), "fraction": (0.0, 1.0)},
    "loss_db": {"dB": (0.0, 1.0)},
    "cleave_left_deg": {"degree": (0.0, 4.0), "mrad": (3.0, 100.0)},
    "cleave_right_deg": {"degree": (0.0, 4.0), "mrad": (3.0, 100.0)},
    "core_offset_um": {"micrometer": (0.05, 20.0), "mil": (0.0, 0.4), "nanometer": (50.0, 2e4)},
    "melt_back_um": {"micrometer": (5.0, 500.0), "millimeter": (0.005, 0.5), "mil": (0.2, 20.0)},
    "sleeve_mm": {"millimeter": (12.0, 200.0), "cm": (1.0, 12.0), "inch": (0.4, 5.0)},
}
"""Where the middle value of a column may lie, by unit; of air, also nearly all values."""
_TEMPERATURES = ("temperature_c", "dew_point_c")
_AIR = (*_TEMPERATURES, "pressure_hpa", "humidity_pct")
_NAMES = {"degC": "°C", "degF": "°F", "degree": "degrees", "percent": "%", "micrometer": "µm"}
_METRIC = {"degC", "hPa", "mbar", "kPa", "Pa", "bar", "millimeter", "micrometer", "cm"}
_CUSTOMARY = {"degF", "inHg", "psi", "mil", "inch"}
_US_ZONES = (
    *("US/", "America/Indiana/", "America/Kentucky/", "America/North_Dakota/", "Pacific/Honolulu"),
    *("America/New_York", "America/Chicago", "America/Denver", "America/Los_Angeles"),
    *("America/Phoenix", "America/Detroit", "America/Boise", "America/Menominee"),
    *("America/Anchorage", "America/Juneau", "America/Sitka", "America/Nome", "America/Adak"),
)
_NOWHERE = ("Etc/", "UTC", "GMT")


@dataclass(frozen=True)
class UnitHints:
    """What the rest of a file and the crew say about units.

    Attributes
    ----------
    english : bool
        Whether the headers are English; degrees Fahrenheit are used in no other language.
    named : frozenset of str
        Units that the file names.
    crew_zone : str, optional
        Time zone of the crew.
    month_first : bool
        Whether the dates have the month first, as in the United States.
    """

    english: bool
    named: frozenset[str]
    crew_zone: str | None
    month_first: bool = False

    @property
    def customary(self) -> bool:
        """Whether the file names US customary units and no metric ones."""
        return bool(self.named & _CUSTOMARY) and not self.named & _METRIC

    @property
    def celsius_only(self) -> bool:
        """Whether degrees Fahrenheit can be ruled out."""
        metric = bool(self.named & _METRIC) and not self.named & _CUSTOMARY
        zone = self.crew_zone
        elsewhere = zone is not None and not zone.startswith(_NOWHERE) and not is_us_zone(zone)
        elsewhere = elsewhere and not self.month_first
        return metric or not self.english or (elsewhere and not self.customary)


def unnamed_unit(
    column: str, header: str, values: Floats, hints: UnitHints, *, named: str | None = None
) -> tuple[str | None, Question | None]:
    """Find the unit of a column that names none.

    Parameters
    ----------
    values : array of float
        Distinct numbers; NaN where unreadable.
    named : str, optional
        The unit that is named, if it is to be checked: percentages may be fractions of 1.

    Returns
    -------
    unit, question
        The unit, None for that of our column; and what is to be asked if several are possible.
    """
    ranges = _RANGES.get(column)
    known = values[np.isfinite(values)]
    if ranges is None or not len(known):
        return None, None
    possible = [unit for unit, ends in ranges.items() if _lie_within(known, ends, column)]
    if column in _TEMPERATURES and "degC" in possible and hints.celsius_only:
        possible = [unit for unit in possible if unit != "degF"]
    if column in _TEMPERATURES and "degF" in possible and hints.customary:
        possible = [unit for unit in possible if unit != "degC"]
    if "fraction" in possible:
        text = f"Are the values of {header!r}, all 0 to 1, fractions of 1 or percent?"
        both = (Option("fraction", "fractions of 1"), Option("percent", "percent"))
        return "fraction", Question(f"columns.{column}.unit", text, both)
    if len(possible) == 1 and named in (None, possible[0]):
        return (None if possible[0] == QUANTITIES[column].unit else possible[0]), None
    options = tuple(Option(unit, _NAMES.get(unit, unit)) for unit in possible or ranges)
    low, high = known.min(), known.max()
    text = f"In which unit is {header!r}? Its values are {low:.10g} to {high:.10g}."
    return None, Question(f"columns.{column}.unit", text, options)


def is_possible(column: str, values: Floats, unit: str | None) -> bool:
    """Whether all numbers lie within the bounds of a column."""
    quantity = QUANTITIES[column]
    known = values[np.isfinite(values)]
    if unit is not None:
        known = to_stored(known, unit, column)
    return bool(((known >= quantity.low) & (known <= quantity.high)).all())


def is_us_zone(zone: str | None) -> bool:
    """Whether a time zone is one of the United States."""
    return zone is not None and zone.startswith(_US_ZONES)


def _lie_within(values: Floats, ends: tuple[float, float], column: str) -> bool:
    low, high = ends
    if column in _AIR:
        return bool(((values >= low) & (values <= high)).mean() >= 0.9)
    return bool(low <= np.median(values) <= high)
