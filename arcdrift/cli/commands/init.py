"""``arcdrift init``: makes a crew folder with a commented crew.toml."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from arcdrift.cli.error_messages import validation_message
from arcdrift.cli.output import print_lines
from arcdrift.errors import BadInput, UsageError

if TYPE_CHECKING:
    from arcdrift.settings import Site


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
) -> None:
    """Make a crew folder, which holds a crew's settings and records."""
    from arcdrift.settings import CREW_FILE

    path = folder / CREW_FILE
    text = crew_text(
        folder.resolve().name if name is None else name, time_zone, _parse_sites(site or [])
    )
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
    if time_zone is None:
        print_lines(
            "No time zone was given: logs whose times carry no offset will be refused until "
            "time_zone is set in crew.toml, because a guessed zone would move every check."
        )
    print_lines(
        f"Next: put your splicers and programs into {path}, then run "
        f"`arcdrift import FILE --crew {folder}` with an exported log."
    )


def crew_text(name: str, time_zone: str | None, sites: "dict[str, Site]") -> str:
    """Return the text of a commented crew.toml that can be loaded unchanged.

    Raises
    ------
    UsageError
        If the name or the time zone cannot be used.
    """
    import tomllib

    from pydantic import ValidationError

    from arcdrift.settings import Crew

    zone_line = (
        f"time_zone = {_toml_string(time_zone)}" if time_zone else '# time_zone = "Europe/Oslo"'
    )
    blocks = "".join(
        f"\n[sites.{_toml_string(site)}]\nelevation_m = {settings.elevation_m:g}\n"
        for site, settings in sites.items()
    )
    text = TEMPLATE.format(name=_toml_string(name), zone=zone_line, sites=blocks or EXAMPLE_SITE)
    try:
        Crew.model_validate(tomllib.loads(text))
    except ValidationError as problem:
        reason = validation_message(problem)
        raise UsageError(f"{reason[0].upper()}{reason[1:]}.") from None
    except tomllib.TOMLDecodeError:
        raise UsageError("A name holds a character that crew.toml cannot keep.") from None
    return text


def _parse_sites(typed: list[str]) -> "dict[str, Site]":
    from pydantic import ValidationError

    from arcdrift.settings import Site

    sites = {}
    for text in typed:
        name, _, height = text.rpartition(":")
        try:
            elevation = float(height)
        except ValueError:
            name = ""
        if not name.strip():
            raise UsageError(
                f"--site {text} is not a site; write its name, a colon and its height above the "
                "sea in meters, such as Harbor:12."
            )
        try:
            sites[name.strip()] = Site(elevation_m=elevation)
        except ValidationError:
            raise UsageError(
                f"--site {text}: {height} m is no height above the sea; it must lie between "
                "-430 and 6,000 m."
            ) from None
    return sites


def _toml_string(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # a JSON string is a TOML basic string


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
loss_lowered = 0.05  # the same, downward
rolled_up = 0.10     # loss of a day of a splicer, technician, site or the crew
scattered = 0.05     # spread of a day, of all these
dirty = 0.06         # share of dirty splices
redo = 0.04          # share of splices made again
arc = 0.22           # drift of an arc setting
doubtful = 0.03      # single arc checks that the next one does not confirm
cleave = 0.05        # cleave angles of a cleaver or technician
"""
