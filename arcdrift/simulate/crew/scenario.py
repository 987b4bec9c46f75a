"""A simulated crew: its sites, machines, people, habits and planted faults.

Numbers marked "invented" were chosen to look like field work; they have no source.
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
    """How the required arc setting depends on air and wear, in units of a model of scale 1.

    The values are those of the study behind the arc regression: setting = base + density
    (rho - 1.2 kg/m3) + vapor (e - 10 hPa) + wear (arcs / 1000) + AR(1) noise of a check. Slopes
    vary between splicers with the relative standard deviation ``spread``; each new electrode
    pair shifts the level, with the standard deviation ``pair_sd`` (invented).
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

    ``scale`` converts units of `ArcLaw` to the model's unit; stored settings are multiples of
    ``step``. The arc counter either restarts with new electrodes or never restarts.
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
    """A work site; ``logger_min`` is the interval of its logger in minutes, None for no logger."""

    name: str
    elevation_m: float
    logger_min: int | None = 15
    station_min: int | None = None
    """Interval in minutes of a weather station; it reports pressure reduced to sea level."""


@dataclass(frozen=True)
class SplicerSpec:
    """One splicer, its cleaver, and their state at the start."""

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
    """Share of the work by program; if empty, all programs are used equally."""


@dataclass(frozen=True)
class TechnicianSpec:
    """One technician. A newcomer joins during the simulation and starts with practice splices."""

    name: str
    loss_factor: float = 1.0
    cleave_median_deg: float = 0.7
    cleave_log_sd: float = 0.45
    joins: date | None = None
    practice_days: int = 0
    novice_loss: float = 0.5
    """Share that a newcomer's first day adds to the loss factor; it decays over the days."""
    novice_angle: float = 0.4
    """Share that the first day adds to the cleave angle; it decays likewise."""
    learning_days: float = 12.0
    """Days after which these additions have decayed to 1/e (invented)."""
    holder_share: float = 0.0
    """Share of days on which a holder holds the fibers, and no clamp."""


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
    """Shares of splicer-days by the outcome of the daily check, and other habits (invented).

    On the remaining days a check passes before the first splice; ``retry`` fails once before.
    """

    late: float = 0.045
    missed: float = 0.015
    failed_only: float = 0.003
    retry: float = 0.03
    at_work: float = 0.93
    swaps: float = 1.0
    """Factor on how often technicians swap splicers or stand in; 0 means never."""
    weekend: float = 0.0
    """Share of splicers that work on a Saturday or Sunday."""
    night: float = 0.0
    """Share of splicers that work at night; if it is above 0, workdays begin at 06:00."""
    indoor: float = 0.0
    """Share of days on which the work at a site is in a heated room or van."""


@dataclass(frozen=True)
class Scenario:
    """A crew and a period to simulate; the same scenario always gives the same bytes.

    Attributes
    ----------
    start, days : date, int
        First local day and number of calendar days; nobody works on ``days_off``.
    splices_per_day : float
        Mean splices of a splicer on a workday.
    ends_at : time, optional
        Local time on the last day at which the records stop; None for the end of that day.
    today : tuple of (splicer, state)
        State of splicers on the unfinished last day; those not named are checked and at work.
    broken_rows : bool
        Whether to put damaged and repeated rows into the files.
    losses : LossLaw
        Parameters of the losses.
    ideal_gas : bool
        Whether moist air is computed by the simulator's own formulas, which are fast and
        independent of `arcdrift.air`, or by those of `arcdrift.air`.
    whole_truth : bool
        Whether truth.json also holds streams, logarithms of effects and day effects, and a
        table of required settings is written too.
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
        """Refuse a scenario that cannot be simulated."""
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
        """The last local day."""
        return self.start + timedelta(days=self.days - 1)

    @property
    def end(self) -> datetime:
        """The time at which the records stop, in UTC."""
        if self.ends_at is not None:
            return self.utc(datetime.combine(self.last_day, self.ends_at))
        following = datetime.combine(self.last_day + timedelta(days=1), time())
        return self.utc(following + self.day_offset)

    @property
    def day_offset(self) -> timedelta:
        """Time from midnight to the start of a workday."""
        return timedelta(hours=6 if self.habits.night > 0 else 0)

    def utc(self, local: datetime) -> datetime:
        """Convert a local time of the crew to UTC."""
        return local.replace(tzinfo=ZoneInfo(self.time_zone)).astimezone(UTC)

    def model_of(self, splicer: SplicerSpec) -> ModelSpec:
        """Return the model of a splicer."""
        return next(model for model in self.models if model.name == splicer.model)

    def rng(self, *label: str) -> np.random.Generator:
        """Return a random generator for one part of the simulation.

        It depends on the seed and the label only, not on what other parts have drawn.
        """
        return np.random.default_rng([self.seed, *(zlib.crc32(part.encode()) for part in label)])
