"""Where a splicer stands: what advice on it is given on."""

from dataclasses import dataclass

import pandas as pd

from arcdrift.analysis.advice.required_setting import Met
from arcdrift.analysis.arc.indoor_checks import COLDER_BY_C, ROOM_C

OLD_READING_MIN = 30.0
"""Age from which a reading is told to be old; common practice, no source."""


@dataclass(frozen=True)
class AirNow:
    """Air the question is about: at the station, as measured or as typed in.

    ``outdoor``: the temperature is a weather station's, so a heated room is not seen.
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
    def old(self) -> str | None:
        """What an old reading leaves open, in a sentence; None while it is fresh."""
        if self.age_min is None or self.age_min < OLD_READING_MIN:
            return None
        return (
            f"The air reading is {self.age_min:.0f} min old, so this is less sure than it looks: "
            "the air may be another by now. Type in what you measure."
        )

    @property
    def note(self) -> str | None:
        """What this air cannot know, in a sentence; None when there is nothing to warn of."""
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
    """The last passed arc check and the air it was made in."""

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
    def met(self) -> Met | None:
        """Its air and wear, None where they are not all known."""
        if self.air_density is None or self.vapor_pressure is None or self.arcs is None:
            return None
        return Met(
            self.temperature_c,
            self.pressure_hpa,
            self.air_density,
            self.vapor_pressure,
            self.arcs,
            self.outdoor,
        )


@dataclass(frozen=True)
class Unsettled:
    """An open finding on the arc that a new check would not settle: drift, worn electrodes."""

    finding: str
    kind: str
    words: str
    pressing: bool
    """False once it has gone quiet, or a service may have mended it since."""


@dataclass(frozen=True)
class Situation:
    """All that advice is given on, for one splicer at one instant."""

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
    open_findings: tuple[Unsettled, ...] = ()
    asked_elsewhere: bool = False
    """Whether the question is about a place that the splicer would be taken to."""
    newest_reading: pd.Timestamp | None = None
    """Newest reading that could tell of its air, however old."""
    learned_until: pd.Timestamp | None = None
    """Instant of the analysis that fitted the model; a later check is news to it."""
