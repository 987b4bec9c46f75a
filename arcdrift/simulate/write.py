"""Frames to the files a crew would export, byte for byte the same each time."""

import gzip
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, cast

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv

from arcdrift.errors import UsageError
from arcdrift.settings import CREW_FILE
from arcdrift.simulate.scenario import Scenario

CHECKS_FILE = "arc-checks.csv"
SPLICES_FILE = "splices.csv.gz"
READINGS_FILE = "readings.csv"
SERVICE_FILE = "service.csv"
TRUTH_FILE = "truth.json"
FILES = (CHECKS_FILE, SPLICES_FILE, READINGS_FILE, SERVICE_FILE, CREW_FILE, TRUTH_FILE)

_TIMES = ("checked_at", "spliced_at", "read_at", "serviced_at")


def free_folder(folder: Path, *, overwrite: bool) -> None:
    """Make the folder, and refuse to write over anybody's files."""
    taken = [name for name in FILES if (folder / name).exists()]
    if taken and not overwrite:
        raise UsageError(
            f"{folder} already holds {', '.join(taken)}; choose an empty folder for a simulation."
        )
    folder.mkdir(parents=True, exist_ok=True)


@contextmanager
def open_rows(path: Path) -> Iterator[IO[bytes]]:
    """Open a file for rows; .gz is packed with no name and no time in its header."""
    with path.open("wb") as plain:
        if path.suffix != ".gz":
            yield plain
            return
        with gzip.GzipFile(
            filename="", mode="wb", compresslevel=6, fileobj=plain, mtime=0
        ) as packed:
            yield cast(IO[bytes], packed)


def write_rows(sink: IO[bytes], frame: pd.DataFrame, zone: str, *, header: bool) -> None:
    """Write rows as CSV; instants become local wall time with the UTC offset."""
    if header:
        sink.write((",".join(frame.columns) + "\n").encode())
    columns = [
        iso_local(frame[name].to_numpy(np.int64), zone)
        if name in _TIMES
        else pa.array(frame[name], from_pandas=True)
        for name in frame.columns
    ]
    table = pa.table(columns, names=list(frame.columns))
    csv.write_csv(table, sink, csv.WriteOptions(include_header=False, quoting_style="none"))


def iso_local(at: npt.NDArray[np.int64], zone: str) -> pa.Array:
    """Text such as 2026-07-20T08:13:42-06:00 of instants in seconds since 1970 UTC."""
    utc = at.astype("datetime64[s]")
    local = pd.DatetimeIndex(utc).tz_localize("UTC").tz_convert(zone).tz_localize(None)
    wall = local.to_numpy().astype("datetime64[s]")
    minutes, place = np.unique((wall - utc).astype(np.int64) // 60, return_inverse=True)
    offsets = [f"{'-' if m < 0 else '+'}{abs(m) // 60:02d}:{abs(m) % 60:02d}" for m in minutes]
    return pc.binary_join_element_wise(
        pa.array(np.datetime_as_string(wall, unit="s")),
        pa.array(np.array(offsets, object)[place], pa.string()),
        "",
    )


def crew_toml(scenario: Scenario) -> str:
    """Text of crew.toml for a simulated crew."""
    text = json.dumps  # a JSON string is a TOML basic string
    lines = [
        "# An invented crew: no such people, sites or machines exist.",
        f"name = {text(scenario.name)}",
        "invented = true",
        'clock = "newest-record"',
        f"time_zone = {text(scenario.time_zone)}",
    ]
    for site in scenario.sites:
        lines += ["", f"[sites.{text(site.name)}]", f"elevation_m = {site.elevation_m:g}"]
    for splicer in scenario.splicers:
        model = scenario.model_of(splicer)
        lines += [
            "",
            f"[splicers.{text(splicer.name)}]",
            f"model = {text(model.name)}",
            f"setting_unit = {text(model.unit)}",
            f"home_site = {text(splicer.home_site)}",
            f"electrode_life_arcs = {model.electrode_life_arcs}",
        ]
    for program in scenario.programs:
        lines += ["", f"[programs.{text(program.name)}]", f"class = {text(program.program_class)}"]
    return "\n".join(lines) + "\n"
