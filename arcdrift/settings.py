"""Settings of a crew, read from crew.toml: sites, splicers, programs and limits.

An unknown key is refused and the nearest known one is suggested, so that a typing error never
silently changes a number. Every default is documented beside its field.
"""

import difflib
import json
import re
import tomllib
from datetime import timedelta
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import parse_qs, urlsplit
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    model_validator,
)

from arcdrift.digest_settings import DigestReader, DigestSettings, MailServer
from arcdrift.error_reasons import class_from_words, words_of
from arcdrift.errors import BadInput
from arcdrift.shares import Shares, added_notice, with_added_shares
from arcdrift.toml_files import toml_text

CREW_FILE = "crew.toml"
STORE_FILE = "arcdrift.db"
_VARIABLE = re.compile(r"\$[A-Za-z_][A-Za-z0-9_]*")

ProgramClass = Literal["self-adjusting", "fixed", "custom", "unknown"]


def is_zone(name: str) -> bool:
    """Whether a name is that of an IANA time zone."""
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _check_zone(name: str) -> str:
    if not is_zone(name):
        raise ValueError(f"time zone {name!r} is not known; use a name such as Europe/Oslo")
    return name


def _check_name(name: str) -> str:
    if not name.strip():
        raise ValueError("the name is blank; write one")
    return name


def _check_store(address: str) -> str:
    if _VARIABLE.fullmatch(address):
        return address
    if not address.startswith("postgresql://"):
        raise ValueError(
            "write an address such as postgresql://user@host/name, or $ and the name of an "
            "environment variable that holds one"
        )
    parts = urlsplit(address)
    if parts.password is not None or "password" in parse_qs(parts.query):
        raise ValueError(
            "the address holds a password; take it out, and put it into ~/.pgpass or the "
            "environment variable PGPASSWORD"
        )
    return address


def _check_reason(text: str) -> str:
    if not words_of(text):
        raise ValueError("the reason has no letters or digits; write it as your logs have it")
    return text


ZoneName = Annotated[str, AfterValidator(_check_zone)]
StoreAddress = Annotated[str, AfterValidator(_check_store)]
Name = Annotated[str, AfterValidator(_check_name)]
Reason = Annotated[str, AfterValidator(_check_reason)]
ErrorClass = Annotated[str, AfterValidator(class_from_words)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Site(_Strict):
    """A place where splicing happens or air is read."""

    time_zone: ZoneName | None = None
    elevation_m: float | None = Field(None, ge=-430, le=6000)
    station: str | None = Field(None, min_length=1)
    """Weather station whose readings serve the site, as files name it: in METAR the indicator."""


class Station(_Strict):
    """A weather station."""

    elevation_m: float | None = Field(None, ge=-430, le=6000)
    """Elevation at which its pressure is measured; without it the pressure is not used."""


class Splicer(_Strict):
    """A splicer, its model and the unit of its arc setting."""

    model: str = "unknown"
    setting_unit: str = "steps"
    home_site: str | None = None
    tolerance: float | None = Field(None, gt=0)
    """Setting error worth a recalibration, in the setting's unit; default 3 x repeatability."""
    electrode_life_arcs: int | None = Field(None, gt=0)
    """Life of a pair of electrodes in arcs, from the maker's manual; no default."""


class SettingLimits(_Strict):
    """Arc settings a splicer model can reach, in its own unit; no default."""

    lowest: float | None = None
    highest: float | None = None

    @model_validator(mode="after")
    def _in_order(self) -> "SettingLimits":
        if self.lowest is not None and self.highest is not None and self.lowest >= self.highest:
            raise ValueError("lowest must lie below highest")
        return self


class Program(_Strict):
    """A splice program."""

    program_class: ProgramClass = Field("unknown", alias="class")


class Rules(_Strict):
    """Changes of air since the last check that call for a new one (common practice, no source).

    These rules are used together with the arc model, and alone where there is no model.
    """

    temperature_moved_c: float = Field(10.0, gt=0)
    pressure_moved_hpa: float = Field(30.0, gt=0)
    humidity_moved_pct: float = Field(30.0, gt=0)


class Interval(_Strict):
    """Time or number of splices until a service is due again; whichever comes first."""

    days: float | None = Field(None, gt=0)
    splices: int | None = Field(None, gt=0)


class Service(_Strict):
    """When service is due, by action (all defaults are common practice, no source)."""

    cleaned: Interval = Interval(days=14)
    """General cleaning, as the action ``cleaned``; default every 14 days."""
    v_grooves_cleaned: Interval = Field(Interval(days=60, splices=3000), alias="v-grooves cleaned")
    """Default every 60 days or 3,000 splices."""
    factory_service: Interval = Field(Interval(days=365), alias="factory service")
    """Default every year."""

    @property
    def by_action(self) -> dict[str, Interval]:
        """Intervals by service action."""
        return {
            "cleaned": self.cleaned,
            "v-grooves cleaned": self.v_grooves_cleaned,
            "factory service": self.factory_service,
        }


class Blade(_Strict):
    """Life of a cleaver blade (defaults are common practice, no source)."""

    cleaves_per_position: int = Field(1000, gt=0)
    positions: int = Field(16, gt=0)


class SignOff(_Strict):
    """Limits for the sign-off of a technician after practice (common practice, no source).

    Each practice splice counts as bad in loss, in angle, and in being redone. Up to the ``good``
    share of bad splices a technician is ready, from the ``poor`` share on they are not.
    """

    loss_db: float = Field(0.10, gt=0)
    angle_deg: float = Field(3.0, gt=0)
    loss_good: float = Field(0.08, gt=0, lt=1)
    loss_poor: float = Field(0.20, gt=0, lt=1)
    angle_good: float = Field(0.02, gt=0, lt=1)
    angle_poor: float = Field(0.10, gt=0, lt=1)
    redo_good: float = Field(0.02, gt=0, lt=1)
    redo_poor: float = Field(0.10, gt=0, lt=1)
    turned_away: float = Field(0.05, gt=0, lt=0.5)
    """Probability of "not yet" for somebody who is ready, over the three tests together."""
    passed_wrongly: float = Field(0.05, gt=0, lt=0.5)
    """Probability of "ready" for somebody whose share is poor in any one of the three."""
    most_splices: int = Field(400, gt=10, le=5000)
    """Number of practice splices after which a trainer has to decide."""

    @model_validator(mode="after")
    def _apart(self) -> "SignOff":
        for name in ("loss", "angle", "redo"):
            if getattr(self, f"{name}_good") >= getattr(self, f"{name}_poor"):
                raise ValueError(f"{name}_good must lie below {name}_poor")
        return self


class Prep(_Strict):
    """How technicians' work is judged, and who is shown (defaults: common practice, no source)."""

    person_pages: bool = True
    """False keeps people off screens and exports: no figure about one person, no name in a list."""
    pseudonyms: bool = False
    """True shows pseudonyms such as ``Technician ABCDE`` on screens and in exports."""
    bad_cleave_deg: float = Field(3.0, gt=0)
    """A cleave angle over this is bad; splicers warn at about this angle."""
    run_length: int = Field(3, ge=2)
    """Number of bad cleaves in a row that make a run."""
    margin: float = Field(0.10, gt=0, lt=1)
    """Smallest relative difference from the crew that is reported."""
    sure: float = Field(0.99, gt=0.5, lt=1)
    """Smallest probability of a difference above the margin at which it is reported."""
    window_days: int = Field(365, ge=28)
    """Number of past days that are used."""
    sign_off: SignOff = Field(default_factory=SignOff)


class Estimate(_Strict):
    """When a splicer's loss estimate counts as optimistic (common practice, no source)."""

    margin_db: float = Field(0.015, gt=0, lt=1)
    """Mean by which the estimate may lie below the measurement."""
    fewest_pairs: int = Field(10, ge=5)
    """Smallest number of splices measured in both directions for a statement."""


class AcceptanceRule(_Strict):
    """Other limits for a program, for a pair of fibers in either order, or for both together."""

    program: str | None = None
    fibers: tuple[str, str] | None = None
    average_db: float | None = Field(None, gt=0, le=10)
    single_db: float | None = Field(None, gt=0, le=10)

    @model_validator(mode="after")
    def _says_something(self) -> "AcceptanceRule":
        if self.program is None and self.fibers is None:
            raise ValueError("name the program or the fibers that the limits are for")
        if self.average_db is None and self.single_db is None:
            raise ValueError("give average_db, single_db or both")
        return self


class Acceptance(_Strict):
    """Largest loss that is accepted; the crew's own contract takes precedence."""

    average_db: float = Field(0.10, gt=0, le=10)
    """ITU-T L.12 (now L.400): 0.1 dB on average (read second-hand, not in the standard)."""
    single_db: float = Field(0.30, gt=0, le=10)
    """TIA-568: 0.3 dB for any one splice (from memory, not seen in the standard)."""
    overrides: tuple[AcceptanceRule, ...] = ()
    """A rule for program and fibers takes precedence over one for fibers, and that over one for a
    program; of equal ones the later is used."""


class Costs(_Strict):
    """What the crew's own time costs; no analysis depends on it."""

    hour: float | None = Field(None, gt=0)
    """Price of an hour of work, in `currency`; without it only minutes are shown."""
    currency: str = Field("EUR", min_length=1, max_length=12)
    """How prices are written, such as EUR."""


class AllowedPrograms(_Strict):
    """Splice programs allowed for a pair of fibers, in either order.

    Any program is allowed for pairs that are not listed.
    """

    fibers: tuple[str, str]
    programs: tuple[str, ...] = Field(min_length=1)


class HeaterPrograms(_Strict):
    """Heater programs allowed for a sleeve length in mm; any is allowed for other lengths."""

    sleeve_mm: float = Field(gt=0)
    programs: tuple[str, ...] = Field(min_length=1)


class Access(_Strict):
    """How long sign-ins to the dashboard last (defaults: a shift, a week; no source)."""

    idle_hours: float = Field(12.0, gt=0, le=24 * 31)
    """Time without use after which a sign-in ends."""
    longest_days: float = Field(7.0, gt=0, le=90)
    """Time after which it ends in any case."""


class Crew(_Strict):
    """Everything in crew.toml."""

    _notices: tuple[str, ...] = PrivateAttr(())

    name: Name
    invented: bool = False
    """True for demonstration data; every screen then says so."""
    # not in its repr: what was analyzed does not depend on where the records are
    store: StoreAddress | None = Field(None, repr=False)
    """Address of a PostgreSQL server's database, or ``$`` and the name of an environment variable
    that holds one; by default the store is a file of the crew folder."""
    clock: Literal["wall", "newest-record"] = "wall"
    """What "now" is: the time of the computer, or of the newest record (demonstration, archive)."""
    time_zone: ZoneName | None = None
    day_starts_at: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] = "00:00"
    """Local time at which a workday begins; later than midnight for night shifts."""
    false_alarms_per_month: float = Field(2.0, gt=0, le=1000)
    """False alarms the crew tolerates in a month of 22 workdays, over all charts together."""
    air_max_age_min: float = Field(60.0, gt=0, le=1440)
    sites: dict[Name, Site] = Field(default_factory=dict)
    stations: dict[Name, Station] = Field(default_factory=dict)
    splicers: dict[Name, Splicer] = Field(default_factory=dict)
    programs: dict[Name, Program] = Field(default_factory=dict)
    rules: Rules = Field(default_factory=Rules)
    shares: Shares = Field(default_factory=Shares)
    setting_limits: dict[str, SettingLimits] = Field(default_factory=dict)
    """By splicer model."""
    service: Service = Field(default_factory=Service)
    blade: Blade = Field(default_factory=Blade)
    prep: Prep = Field(default_factory=Prep)
    estimate: Estimate = Field(default_factory=Estimate)
    acceptance: Acceptance = Field(default_factory=Acceptance)
    allowed_programs: tuple[AllowedPrograms, ...] = ()
    heater_programs: tuple[HeaterPrograms, ...] = ()
    error_reasons: dict[Reason, ErrorClass] = Field(default_factory=dict)
    """Id of the class of each reason of a failed splice that the crew's logs have, by its words."""
    # no part of the text by which an analysis knows its settings, as nothing in it changes a number
    digest: DigestSettings = Field(default_factory=DigestSettings, repr=False)
    costs: Costs = Field(default_factory=Costs, repr=False)
    access: Access = Field(default_factory=Access, repr=False)

    @model_validator(mode="after")
    def _homes_are_sites(self) -> "Crew":
        for name, splicer in self.splicers.items():
            home = splicer.home_site
            if home is not None and home not in self.sites:
                near = difflib.get_close_matches(home, self.sites, n=1)
                hint = f" (the nearest is {near[0]!r})" if near else ""
                raise ValueError(
                    f"the home_site {home!r} of the splicer {name!r} is not one of the sites"
                    f"{hint}; correct it, or add [sites.{json.dumps(home, ensure_ascii=False)}]"
                )
        return self

    @property
    def notices(self) -> tuple[str, ...]:
        """Sentences on what was added to the file when it was read."""
        return self._notices

    @property
    def day_offset(self) -> timedelta:
        """How long after local midnight a workday begins."""
        hours, minutes = self.day_starts_at.split(":")
        return timedelta(hours=int(hours), minutes=int(minutes))

    def zone_of(self, site: str | None) -> str | None:
        """Time zone of a site, or of the crew when the site has none."""
        known = self.sites.get(site) if site is not None else None
        return known.time_zone if known is not None and known.time_zone else self.time_zone

    def station_of(self, site: str | None) -> str | None:
        """Weather station whose readings serve a site; None for none."""
        known = self.sites.get(site) if site is not None else None
        return None if known is None else known.station

    def class_of(self, program: str | None) -> ProgramClass:
        """Class of a splice program, ``unknown`` where crew.toml does not say."""
        known = self.programs.get(program) if program is not None else None
        return known.program_class if known is not None else "unknown"


def load_crew(folder: Path) -> Crew:
    """Read crew.toml from a crew folder.

    Raises
    ------
    BadInput
        With one sentence when the folder, the file or a key cannot be used.
    """
    path = folder / CREW_FILE
    try:
        text = toml_text(path, str(path))
    except FileNotFoundError:
        raise BadInput(
            f"{folder} is not a crew folder: it has no {CREW_FILE}. "
            f"Make one with `arcdrift init {folder}`."
        ) from None
    try:
        table = tomllib.loads(text)
        added: tuple[str, ...] = ()
        if isinstance(table.get("shares"), dict):
            table["shares"], added = with_added_shares(table["shares"])
        crew = Crew.model_validate(table)
    except tomllib.TOMLDecodeError as problem:
        raise BadInput(f"{path} is not valid TOML: {problem}.") from None
    except ValidationError as problem:
        raise BadInput(f"{path}: {first_sentence(problem)}") from None
    crew._notices = (added_notice(added, CREW_FILE),) if added else ()
    return crew


_MODELS: tuple[type[BaseModel], ...] = (
    Crew, Site, Station, Splicer, Program, Rules, Shares, SettingLimits, Interval, Service, Blade,
    AllowedPrograms, HeaterPrograms, Prep, SignOff, Estimate, Acceptance,
    AcceptanceRule, DigestSettings, DigestReader, MailServer,
)  # fmt: skip


def first_sentence(problem: ValidationError) -> str:
    """One sentence about the first error in settings."""
    first = problem.errors()[0]
    # pydantic says of a wrong key that it lies below it, in "[key]"
    parts = [str(part) for part in first["loc"] if part != "[key]"]
    where = ".".join(part if part.strip() else json.dumps(part) for part in parts)
    if first["type"] != "extra_forbidden":
        message = str(first["msg"]).removeprefix("Value error, ")
        return f"{where}: {message}." if where else f"{message}."
    key = str(first["loc"][-1])
    known = sorted(
        {field.alias or name for model in _MODELS for name, field in model.model_fields.items()}
    )
    near = difflib.get_close_matches(key, known, n=1)
    hint = f" Did you mean {near[0]}?" if near else ""
    return f"the key {where} is not known.{hint}"
