"""``arcdrift init``: makes a crew folder with a commented crew.toml."""

import json
from collections.abc import Callable, Collection
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from arcdrift.cli.error_messages import validation_message
from arcdrift.cli.output import print_lines, printable
from arcdrift.errors import BadInput, UsageError
from arcdrift.wording import capitalized

if TYPE_CHECKING:
    from arcdrift.crew_setup import CrewSetup

Answer = TypeVar("Answer")


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", readable=False, help="Folder to make.")],
    name: Annotated[
        str | None,
        typer.Option("--name", help="Name of the crew.", show_default="the folder's name"),
    ] = None,
    time_zone: Annotated[
        str | None,
        typer.Option(
            "--time-zone",
            metavar="ZONE",
            help="Time zone of the crew's clocks, such as Europe/Oslo or America/Denver.",
        ),
    ] = None,
    site: Annotated[
        list[str] | None,
        typer.Option(
            "--site",
            metavar="NAME:ELEVATION",
            help="A work site and its height above the sea in meters; repeat for each site.",
        ),
    ] = None,
    yes: Annotated[
        bool,
        typer.Option(
            "--yes",
            help="Ask nothing in the terminal: take what the options say, and defaults.",
        ),
    ] = False,
) -> None:
    """Make a crew folder, which holds a crew's settings and records.

    In a terminal it asks for what the options leave open: name, time zone, sites, splicers.
    """
    from arcdrift.cli.importing.terminal_questions import is_terminal
    from arcdrift.crew_setup import CrewSetup, checked_name
    from arcdrift.settings import CREW_FILE

    path = folder / CREW_FILE
    if path.exists():
        raise UsageError(f"{path} is already there; it was left as it is.")
    named = folder.resolve().name
    sites = _parse_sites(site or [])
    if is_terminal() and not yes:
        try:
            setup = ask_setup(named, name, time_zone, sites)
        except typer.Abort:
            raise UsageError(
                "The questions were left, and nothing was written; --yes asks none."
            ) from None
    else:
        setup = CrewSetup(checked_name(named if name is None else name), time_zone, sites)
    text = crew_text(setup)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        obstacle = f"{path} is already there" if path.exists() else f"{folder} is a file"
        raise UsageError(f"{obstacle}; it was left as it is.") from None
    except OSError as problem:
        raise BadInput(f"{folder} cannot be written: {problem.strerror}.") from None
    print_lines(f"Made {path}; its comments say what can be set.")
    if setup.time_zone is None:
        print_lines(
            "No time zone was given: logs whose times carry no offset will be refused until "
            "time_zone is set in crew.toml, because a guessed zone would move every check."
        )
    print_lines(
        f"Next: run `arcdrift serve --crew {folder}` and add your files on its page Records, or "
        f"run `arcdrift import FILE --crew {folder}` with an exported log."
    )


def ask_setup(
    named: str, name: str | None, time_zone: str | None, sites: "dict[str, float | None]"
) -> "CrewSetup":
    """Ask in the terminal for what the options leave open.

    Parameters
    ----------
    named : str
        Name to suggest for the crew.
    """
    from arcdrift import crew_setup as checks

    typer.echo("A few questions about the crew. Enter takes what stands in [ ].", err=True)
    if name is None:
        name = _ask("Name of the crew", checks.checked_name, named)
    if time_zone is None:
        suggested = checks.zone_of_this_computer()
        text = "Time zone of the clocks of splicers and loggers"
        text += " (- for none yet)" if suggested else ", such as Europe/Oslo (Enter for none yet)"
        time_zone = _ask(text, checks.checked_zone, suggested or "")
    if not sites:
        while new := _ask_name("site", sites):
            sites[new] = _ask(
                f"Elevation of {new} in m above the sea (Enter if unknown)",
                checks.checked_elevation,
            )
    splicers: dict[str, checks.SplicerSetup] = {}
    while new := _ask_name("splicer", splicers):
        home = None
        if sites:
            home = _ask(
                f"Home site of {new}: {', '.join(sites)} (- for none)",
                partial(checks.checked_home, sites=sites),
                next(iter(sites)) if len(sites) == 1 else "",
            )
        unit = _ask(
            f"Arc setting of {new} is counted in {', '.join(checks.UNITS)} or another unit",
            checks.checked_unit,
            checks.DEFAULT_UNIT,
        )
        splicers[new] = checks.SplicerSetup(home, unit)
    return checks.CrewSetup(checks.checked_name(name), time_zone, sites, splicers)


def _ask_name(what: str, taken: Collection[str]) -> str | None:
    """Ask for the name of a further site or splicer; None when there is none."""
    from arcdrift.crew_setup import checked_new_name

    def check(text: str) -> str | None:
        return checked_new_name(text, what, taken) if text.strip() else None

    more = "another" if taken else "a"
    return _ask(f"Name of {more} {what} as your logs write it (Enter for no more)", check)


def _ask(text: str, check: Callable[[str], Answer], default: str = "") -> Answer:
    """Ask until the answer can be used; a lone dash is an empty answer."""
    while True:
        reply = str(
            typer.prompt(printable(text), default=default, show_default=bool(default), err=True)
        )
        try:
            return check("" if reply.strip() == "-" else reply)
        except UsageError as problem:
            typer.echo(printable(str(problem)), err=True)


def crew_text(setup: "CrewSetup") -> str:
    """Return the text of a commented crew.toml that can be loaded unchanged.

    Raises
    ------
    UsageError
        If the name or the time zone cannot be used.
    """
    import tomllib

    from pydantic import ValidationError

    from arcdrift.settings import Crew

    zone = f"time_zone = {_toml_string(setup.time_zone)}" if setup.time_zone else EXAMPLE_ZONE
    sites = "".join(
        f"\n[sites.{_toml_string(site)}]\n"
        + ("# elevation_m = 12\n" if height is None else f"elevation_m = {height:.10g}\n")
        for site, height in setup.sites.items()
    )
    splicers = "".join(
        f"\n[splicers.{_toml_string(splicer)}]\nsetting_unit = {_toml_string(each.setting_unit)}\n"
        + (f"home_site = {_toml_string(each.home_site)}\n" if each.home_site else "")
        for splicer, each in setup.splicers.items()
    )
    text = TEMPLATE.format(
        name=_toml_string(setup.name), zone=zone, sites=sites or EXAMPLE_SITE, splicers=splicers
    )
    try:
        Crew.model_validate(tomllib.loads(text))
    except ValidationError as problem:
        reason = validation_message(problem)
        raise UsageError(f"{capitalized(reason)}.") from None
    except tomllib.TOMLDecodeError:
        raise UsageError("A name holds a character that crew.toml cannot keep.") from None
    return text


def _parse_sites(typed: list[str]) -> "dict[str, float | None]":
    from arcdrift.crew_setup import checked_elevation

    sites = {}
    for text in typed:
        name, _, height = text.rpartition(":")
        try:
            float(height)
        except ValueError:
            name = ""
        if not name.strip():
            raise UsageError(
                f"--site {text} is not a site; write its name, a colon and its height above the "
                "sea in meters, such as Harbor:12."
            )
        try:
            sites[name.strip()] = checked_elevation(height)
        except UsageError as problem:
            raise UsageError(f"--site {text}: {problem}") from None
    return sites


def _toml_string(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # a JSON string is a TOML basic string


EXAMPLE_ZONE = '# time_zone = "Europe/Oslo"'
EXAMPLE_SITE = """
# [sites."Harbor"]
# elevation_m = 12            # meters above the sea; needed to use weather-station pressure
# time_zone = "Europe/Oslo"   # only when it differs from the crew's
# station = "ENXX"            # weather station that serves the site, as its files name it
#
# [stations."ENXX"]
# elevation_m = 38            # meters above the sea; needed to use the station's pressure
"""
TEMPLATE = """\
# What arcdrift needs to know about this crew. Lines that start with # are comments;
# remove the # of an example and change it. Misspelled keys are refused, never ignored.

name = {name}

# Where the clocks of splicers and loggers tick. Log times without an offset are read in it;
# without it such logs are refused.
{zone}

# Local time at which a workday begins; later than midnight for night shifts.
day_starts_at = "00:00"

# False alarms the crew tolerates in a month of 22 workdays, over all charts together.
# Fewer means quieter and slower: a real rise is found later.
false_alarms_per_month = 2.0

# Oldest air reading, in minutes, that still counts for a check or a splice.
air_max_age_min = 60

# Where the records are. Without this they are in a file of this folder, which is right for most
# crews; on a PostgreSQL server several computers can share them. Its password goes into ~/.pgpass.
# store = "postgresql://user@host/database?schema=north"

# What "now" means: "wall" is the clock of this computer, "newest-record" suits an old archive.
clock = "wall"
{sites}
# One block for each splicer, named as in the logs.
# [splicers."S-01"]
# model = "own name of the model"   # splicers of one model and unit learn from each other
# setting_unit = "steps"            # what the arc setting is counted in: steps, %, mA
# home_site = "Harbor"
# tolerance = 8                     # setting error worth a recalibration, in setting_unit
# electrode_life_arcs = 4500        # from the maker's manual
{splicers}
# One block for each splice program: self-adjusting, fixed or custom.
# [programs."single-mode adaptive"]
# class = "self-adjusting"

# Settings a splicer model can reach; electrodes are worn when the arc needs more than that.
# [setting_limits."own name of the model"]
# lowest = 60
# highest = 140

# Splice programs allowed for a pair of fibers, in either order, and heater programs allowed for
# a sleeve length; another program is then a finding. One block for each; what is not named is
# not judged.
# [[allowed_programs]]
# fibers = ["G.652.D", "G.652.D"]
# programs = ["single-mode adaptive"]
# [[heater_programs]]
# sleeve_mm = 60
# programs = ["60 mm"]

# Classes of reasons of failed splices that your logs have in words of their own: cleave angle,
# cleave shape, fiber position, fiber not seen or dirty, alignment out of range, arc, stopped by
# hand, other. Usual words are known in six languages.
# [error_reasons]
# "FIBER POS" = "fiber position"

# Loss that is accepted: of a stream on average, and of any one splice. 0.10 dB is that of
# ITU-T L.12, now L.400 (read second-hand), 0.30 dB that of TIA-568 (from memory); neither was
# seen in the standard itself, and your contract comes first.
[acceptance]
average_db = 0.10
single_db = 0.30
# Other limits for a program, for a pair of fibers in either order, or for both together:
# [[acceptance.overrides]]
# fibers = ["G.652.D", "G.655"]
# average_db = 0.15

# When service is due, by days or by splices, whichever comes first
# (common practice, no source; the maker's manual comes first).
[service."cleaned"]
days = 14

[service."v-grooves cleaned"]
days = 60
splices = 3000

[service."factory service"]
days = 365

# Cleaves a blade position is good for, and positions of a blade (common practice, no source).
[blade]
cleaves_per_position = 1000
positions = 16

# How far the air may move since the check before a recalibration is advised
# (common practice, no source).
[rules]
temperature_moved_c = 10
pressure_moved_hpa = 30
humidity_moved_pct = 30

# How the false alarms are shared out over the charts; must add to 1.
[shares]
loss_raised = 0.40   # loss of a day of a splicer and program, upward
loss_lowered = 0.04  # the same, downward
rolled_up = 0.10     # loss of a day of a splicer, technician, site or the crew
scattered = 0.04     # spread of a day, of all these
dirty = 0.06         # share of dirty splices
first_time = 0.04    # share of places not right first time
errors = 0.02        # errors per attempt
arc = 0.22           # drift of an arc setting
doubtful = 0.03      # single arc checks that the next one does not confirm
cleave = 0.05        # cleave angles of a cleaver or technician
"""
