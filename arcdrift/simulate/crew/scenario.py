"""What a simulated crew is: its sites, machines, people, habits and planted faults.

Numbers marked "invented" were chosen to look like field work; no source stands behind them.
"""

import zlib
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from arcdrift.errors import UsageError
from arcdrift.settings import ProgramClass
from arcdrift.simulate.crew.faults import Fault
from arcdrift.simulate.crew.loss_law import LossLaw

TodayState = Literal["checked", "unchecked", "not-started"]


@dataclass(frozen=True)
class ArcLaw:
    """How the required arc setting answers to air and wear, in units of a model of scale 1.

    Values of the study behind the arc regression: setting = base + density (rho - 1.2 kg/m3)
    + vapor (e - 10 hPa) + wear (arcs / 1000) + AR(1) noise of a check. Slopes differ from
    splicer to splicer by ``spread``; each new electrode pair shifts the level by ``pair_sd``
    (invented).
    """

    density: float = -120.0
    vapor: float = 0.35
    wear: float = -2.0
    noise_sd: float = 3.0
    noise_lag: float = 0.3
    spread: float = 0.15
    pair_sd: float = 3.0


@dataclass(frozen=True)
class ModelSpec:
    """A splicer model (invented).

    ``scale`` turns `ArcLaw` units into the model's, ``step`` is the unit step a setting is
    stored in. A counter either resets with the electrodes or runs on for the machine's life.
    """

    name: str
    unit: str = "steps"
    scale: float = 1.0
    step: float = 1.0
    electrode_life_arcs: int = 4500
    counter_resets: bool = True
    own_air: bool = False
    """Whether a check records the splicer's own air sensors."""


@dataclass(frozen=True)
class SiteSpec:
    """A work site; ``logger_min`` None means that no logger stands there."""

    name: str
    elevation_m: float
    logger_min: int | None = 15
    station_min: int | None = None
    """Interval of a weather station that reports pressure reduced to sea level."""


@dataclass(frozen=True)
class SplicerSpec:
    """One splicer, its cleaver, and the state it starts in."""

    name: str
    model: str
    home_site: str
    cleaver: str
    base: float = 100.0
    """Arc setting at 1.2 kg/m3, 10 hPa and new electrodes, in the model's unit."""
    loss_factor: float = 1.0
    estimate_bias_db: float = 0.0
    arcs_at_start: int = 500
    blade_position: int = 1
    programs: tuple[tuple[str, float], ...] = ()
    """Share of work by program; empty takes all programs alike."""


@dataclass(frozen=True)
class TechnicianSpec:
    """One pair of hands. A newcomer joins late and begins with practice splices."""

    name: str
    loss_factor: float = 1.0
    cleave_median_deg: float = 0.7
    cleave_log_sd: float = 0.45
    joins: date | None = None
    practice_days: int = 0
    novice_loss: float = 0.5
    """What a newcomer's first day adds to the loss factor, as a share; it fades with days."""
    novice_angle: float = 0.4
    """The same for the cleave angle."""
    learning_days: float = 12.0
    """Days after which a share of 1/e of it is left (invented)."""


@dataclass(frozen=True)
class ProgramSpec:
    """A splice program; mean loss and gamma shape within the ranges of the loss study."""

    name: str
    program_class: ProgramClass
    fiber_a: str = "G.652.D"
    fiber_b: str = "G.652.D"
    mean_db: float = 0.03
    shape: float = 1.2
    heater_program: str = "60 mm"
    radius_a_um: float = 4.6
    radius_b_um: float = 4.6
    """Mode-field radii at 1310 nm; 9.2 um across is common for G.652 fiber (from memory)."""


@dataclass(frozen=True)
class Habits:
    """Shares of splicer-days by how the daily check went (invented).

    What remains is a check passed before the first splice; ``retry`` fails once first.
    """

    late: float = 0.045
    missed: float = 0.015
    failed_only: float = 0.003
    retry: float = 0.03
    at_work: float = 0.93
    swaps: float = 1.0
    """Factor on how often technicians swap splicers and stand in; 0 keeps everyone apart."""
    weekend: float = 0.0
    """Share of splicer-days at work on Saturdays and Sundays."""
    night: float = 0.0
    """Share of splicers that work from evening until before dawn; the crew's workday then
    begins at 06:00."""
    indoor: float = 0.0
    """Share of site-days in a heated room or van."""


@dataclass(frozen=True)
class Scenario:
    """A crew and a stretch of time to simulate; the same scenario gives the same bytes.

    Attributes
    ----------
    start, days : date, int
        First local day and number of calendar days; weekends and ``days_off`` are free.
    splices_per_day : float
        Mean splices of a splicer on a workday.
    ends_at : time, optional
        Local time on the last day at which the records stop; None lets the day finish.
    today : tuple of (splicer, state)
        How the unfinished last day stands; splicers not named are checked and at work.
    broken_rows : bool
        Whether to put damaged and repeated rows into the files.
    losses : LossLaw
        How losses come about.
    ideal_gas : bool
        Whether air is worked out by formulas of the simulator's own, fast and independent of
        `arcdrift.air`, or by those of `arcdrift.air`.
    whole_truth : bool
        Whether truth.json also tells streams, effects in logs and day effects, and a table of
        the required setting lies beside it.
    """

    name: str
    sites: tuple[SiteSpec, ...]
    models: tuple[ModelSpec, ...]
    splicers: tuple[SplicerSpec, ...]
    technicians: tuple[TechnicianSpec, ...]
    programs: tuple[ProgramSpec, ...]
    start: date = date(2026, 7, 20)
    days: int = 120
    splices_per_day: float = 60.0
    seed: int = 1
    time_zone: str = "America/Denver"
    days_off: tuple[date, ...] = ()
    ends_at: time | None = None
    today: tuple[tuple[str, TodayState], ...] = ()
    arc: ArcLaw = field(default_factory=ArcLaw)
    habits: Habits = field(default_factory=Habits)
    faults: tuple[Fault, ...] = ()
    broken_rows: bool = False
    losses: LossLaw = field(default_factory=LossLaw)
    ideal_gas: bool = False
    whole_truth: bool = False

    def __post_init__(self) -> None:
        """Refuse a crew that cannot work."""
        if len(self.technicians) < len(self.splicers):
            raise UsageError(
                f"{len(self.splicers)} splicers need at least as many technicians; "
                f"there are {len(self.technicians)}."
            )
        if self.days < 1 or self.splices_per_day <= 0:
            raise UsageError("A simulation needs at least one day and some splices a day.")
        if self.ends_at is not None and self.ends_at < time(10):
            raise UsageError("The last day of a simulation must run to 10:00 at least.")
        if self.ends_at is not None and self.habits.night > 0:
            raise UsageError("A simulation with night shifts cannot stop within its last day.")

    @property
    def last_day(self) -> date:
        """Last local day."""
        return self.start + timedelta(days=self.days - 1)

    @property
    def end(self) -> datetime:
        """Instant at which the records stop, UTC."""
        if self.ends_at is not None:
            return self.utc(datetime.combine(self.last_day, self.ends_at))
        following = datetime.combine(self.last_day + timedelta(days=1), time())
        return self.utc(following + self.day_offset)

    @property
    def day_offset(self) -> timedelta:
        """How long after midnight a workday begins."""
        return timedelta(hours=6 if self.habits.night > 0 else 0)

    def utc(self, local: datetime) -> datetime:
        """Instant of a wall-clock time of the crew."""
        return local.replace(tzinfo=ZoneInfo(self.time_zone)).astimezone(UTC)

    def model_of(self, splicer: SplicerSpec) -> ModelSpec:
        """Model of a splicer."""
        return next(model for model in self.models if model.name == splicer.model)

    def rng(self, *label: str) -> np.random.Generator:
        """Random numbers of one part of the simulation, whatever the other parts draw."""
        return np.random.default_rng([self.seed, *(zlib.crc32(part.encode()) for part in label)])
