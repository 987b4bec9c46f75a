"""State of one splicer at one time: all that advice on it is computed from."""

from dataclasses import dataclass

import pandas as pd

from arcdrift.analysis.advice.required_setting import AirAndWear
from arcdrift.analysis.arc.indoor_checks import COLDER_BY_C, ROOM_C

OLD_READING_MIN = 30.0
"""Age in minutes from which advice warns of an old reading (common practice, no source)."""


@dataclass(frozen=True)
class AirNow:
    """Air for which advice is given, as measured or typed in; pressure at the station.

    ``outdoor``: the temperature is a weather station's, so it may be warmer in a heated room.
    """

    temperature_c: float | None
    pressure_hpa: float | None
    humidity_pct: float | None
    air_density: float | None
    vapor_pressure: float | None
    source: str
    age_min: float | None
    outdoor: bool = False

    @property
    def age_warning(self) -> str | None:
        """Warning that the reading is old; None if it is recent."""
        if self.age_min is None or self.age_min < OLD_READING_MIN:
            return None
        return (
            f"The air reading is {self.age_min:.0f} min old, so this is less sure than it looks: "
            "the air may be another by now. Type in what you measure."
        )

    @property
    def note(self) -> str | None:
        """Warning that a heated room would not be seen; None if that does not matter."""
        if not self.outdoor or self.temperature_c is None:
            return None
        if self.temperature_c >= ROOM_C - COLDER_BY_C:
            return None
        return (
            "This is the air outside, from a weather station; a heated room or van is not seen. "
            "Working in one, type in the temperature at the splicer."
        )


@dataclass(frozen=True)
class LastCheck:
    """The last passed arc check and its air."""

    checked_at: pd.Timestamp
    site: str | None
    arc_setting: float | None
    arcs: float | None
    temperature_c: float | None
    pressure_hpa: float | None
    humidity_pct: float | None
    air_density: float | None
    vapor_pressure: float | None
    outdoor: bool = False

    @property
    def air_and_wear(self) -> AirAndWear | None:
        """Its air and wear; None if they are not all known."""
        if self.air_density is None or self.vapor_pressure is None or self.arcs is None:
            return None
        return AirAndWear(
            self.temperature_c,
            self.pressure_hpa,
            self.air_density,
            self.vapor_pressure,
            self.arcs,
            self.outdoor,
        )


@dataclass(frozen=True)
class UncheckedSplices:
    """Splices made since the arc should have been checked: how many, and when the first (UTC)."""

    splices: int
    since: pd.Timestamp


@dataclass(frozen=True)
class OpenArcFinding:
    """Something open on the arc that an arc check does not resolve: a drift, worn electrodes.

    ``finding`` is the id of the finding; None where the electrodes have worn since the analysis.
    """

    finding: str | None
    kind: str
    words: str
    pressing: bool
    """False if it has had no recent alarm, or if a later service may have fixed it."""


@dataclass(frozen=True)
class SplicerState:
    """Last check, service, air, wear and open findings of one splicer at one time."""

    splicer: str
    now: pd.Timestamp
    day_started: pd.Timestamp
    site: str | None
    unit: str
    tolerance: float | None
    last_check: LastCheck | None
    failed_since: int
    service_since: tuple[str, ...]
    air: AirNow | None
    arcs_now: float | None
    program_classes: tuple[str, ...]
    open_findings: tuple[OpenArcFinding, ...] = ()
    asked_elsewhere: bool = False
    """Whether advice is asked for another place than the splicer's present one."""
    newest_reading: pd.Timestamp | None = None
    """Time of the newest reading that applies to it, however old."""
    learned_until: pd.Timestamp | None = None
    """Time of the analysis that fitted the model; later checks are not in the model."""
    unchecked: UncheckedSplices | None = None
    """Splices made since the day's check fell due, or since the last passed check was undone by a
    failed one or by service; None if there are none."""
    latest_splice: pd.Timestamp | None = None
    time_zone: str = "UTC"
    """Zone in which its times are told."""

    @property
    def passed_today(self) -> bool:
        """Whether an arc check has passed since this workday began."""
        return self.last_check is not None and self.last_check.checked_at >= self.day_started
