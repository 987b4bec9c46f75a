"""Writing record frames to log files and crew.toml; the same frames give the same bytes."""

import gzip
import json
import tomllib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import time
from pathlib import Path
from typing import IO, Literal, cast

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from pyarrow import csv

from arcdrift.errors import UsageError
from arcdrift.settings import CREW_FILE, Crew
from arcdrift.simulate.crew.scenario import Scenario

CHECKS_FILE = "arc-checks.csv"
SPLICES_FILE = "splices.csv.gz"
READINGS_FILE = "readings.csv"
SERVICE_FILE = "service.csv"
TRUTH_FILE = "truth.json"
LogFormat = Literal["csv", "parquet"]
SETTING_TRUTH_FILE = "truth-settings.parquet"
"""Has the true required setting of every splicer, by the hour and at each check."""
FORMATS: tuple[LogFormat, ...] = ("csv", "parquet")
KINDS = {
    "arc-checks": CHECKS_FILE,
    "splices": SPLICES_FILE,
    "readings": READINGS_FILE,
    "service": SERVICE_FILE,
}
FrameWriter = Callable[[pd.DataFrame], None]

_TIMES = ("checked_at", "spliced_at", "read_at", "serviced_at")
_TEXTS = frozenset({"remark", "technician", "blade_position", "error_reason"})
"""Columns of text that may be empty in a frame, or may look like numbers."""


def prepare_folder(folder: Path, *, overwrite: bool) -> None:
    """Make the folder, and delete the files of an earlier simulation in it.

    Raises
    ------
    UsageError
        If there are such files and `overwrite` is false.
    """
    logs = [log_file(kind, log_format) for log_format in FORMATS for kind in KINDS]
    existing = [
        n for n in (*logs, CREW_FILE, TRUTH_FILE, SETTING_TRUTH_FILE) if (folder / n).exists()
    ]
    if existing and not overwrite:
        raise UsageError(
            f"{folder} already holds {', '.join(existing)}; choose an empty folder for a "
            "simulation."
        )
    folder.mkdir(parents=True, exist_ok=True)
    for name in existing:
        (folder / name).unlink()


def log_file(kind: str, log_format: LogFormat) -> str:
    """Return the file name of the log of a record kind."""
    return KINDS[kind] if log_format == "csv" else f"{kind}.parquet"


@contextmanager
def open_log(path: Path, zone: str) -> Iterator[FrameWriter]:
    """Open a log and yield a function that appends a frame; the suffix determines the format.

    A Parquet log has times as UTC microseconds, missing values as null, and each frame as a row
    group; a CSV log is what a splicer would export.
    """
    if path.suffix == ".parquet":
        with _open_parquet(path) as write_frame:
            yield write_frame
        return
    header_written = False
    with open_binary(path) as file:

        def write_frame(frame: pd.DataFrame) -> None:
            nonlocal header_written
            write_rows(file, frame, zone, header=not header_written)
            header_written = True

        yield write_frame


@contextmanager
def _open_parquet(path: Path) -> Iterator[FrameWriter]:
    with ExitStack() as stack:
        writer: pq.ParquetWriter | None = None

        def write_frame(frame: pd.DataFrame) -> None:
            nonlocal writer
            table = pa.table({name: _arrow_values(frame[name]) for name in frame.columns})
            if writer is None:
                writer = stack.enter_context(
                    pq.ParquetWriter(path, table.schema, compression="zstd")
                )
            writer.write_table(table, row_group_size=max(len(table), 1))

        yield write_frame


def _arrow_values(values: pd.Series) -> pa.Array:
    """Convert a column to times, text or floats, whatever type the frame has."""
    if values.name in _TIMES:
        return pa.array(values.to_numpy(np.int64) * 1_000_000).cast(pa.timestamp("us", "UTC"))
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        return pa.array(values.dt.as_unit("us"))
    if values.name in _TEXTS or pd.api.types.is_string_dtype(values.dtype):
        return pa.array(values, from_pandas=True).cast(pa.string())
    return pa.array(values.to_numpy(np.float64), from_pandas=True)


@contextmanager
def open_binary(path: Path) -> Iterator[IO[bytes]]:
    """Open a file for writing; .gz is compressed, without name and time in its header."""
    with path.open("wb") as raw:
        if path.suffix != ".gz":
            yield raw
            return
        with gzip.GzipFile(
            filename="", mode="wb", compresslevel=6, fileobj=raw, mtime=0
        ) as compressed:
            yield cast(IO[bytes], compressed)


def write_rows(file: IO[bytes], frame: pd.DataFrame, zone: str, *, header: bool) -> None:
    """Write rows as CSV; times become local time with the UTC offset."""
    if header:
        file.write((",".join(frame.columns) + "\n").encode())
    columns = [
        local_iso_times(frame[name].to_numpy(np.int64), zone)
        if name in _TIMES
        else pa.array(frame[name], from_pandas=True)
        for name in frame.columns
    ]
    table = pa.table(columns, names=list(frame.columns))
    csv.write_csv(table, file, csv.WriteOptions(include_header=False, quoting_style="none"))


def local_iso_times(times: npt.NDArray[np.int64], zone: str) -> pa.Array:
    """Format times in seconds since 1970 UTC like 2026-07-20T08:13:42-06:00."""
    utc = times.astype("datetime64[s]")
    local = pd.DatetimeIndex(utc).tz_localize("UTC").tz_convert(zone).tz_localize(None)
    local_naive = local.to_numpy().astype("datetime64[s]")
    minutes, offset_index = np.unique(
        (local_naive - utc).astype(np.int64) // 60, return_inverse=True
    )
    offsets = [f"{'-' if m < 0 else '+'}{abs(m) // 60:02d}:{abs(m) % 60:02d}" for m in minutes]
    return pc.binary_join_element_wise(
        pa.array(np.datetime_as_string(local_naive, unit="s")),
        pa.array(np.array(offsets, object)[offset_index], pa.string()),
        "",
    )


def crew_settings(scenario: Scenario) -> Crew:
    """Return the settings of a simulated crew, as loaded from its crew.toml."""
    return Crew.model_validate(tomllib.loads(crew_toml(scenario)))


def crew_toml(scenario: Scenario) -> str:
    """Return the text of crew.toml for a simulated crew."""
    quoted = json.dumps  # a JSON string is a TOML basic string
    lines = [
        "# An invented crew: no such people, sites or machines exist.",
        f"name = {quoted(scenario.name)}",
        "invented = true",
        'clock = "newest-record"',
        f"time_zone = {quoted(scenario.time_zone)}",
    ]
    if scenario.day_offset:
        lines.append(f'day_starts_at = "{time(scenario.day_offset.seconds // 3600):%H:%M}"')
    for site in scenario.sites:
        lines += ["", f"[sites.{quoted(site.name)}]", f"elevation_m = {site.elevation_m:g}"]
    for splicer in scenario.splicers:
        model = scenario.model_of(splicer)
        lines += [
            "",
            f"[splicers.{quoted(splicer.name)}]",
            f"model = {quoted(model.name)}",
            f"setting_unit = {quoted(model.unit)}",
            f"home_site = {quoted(splicer.home_site)}",
            f"electrode_life_arcs = {model.electrode_life_arcs}",
        ]
    for program in scenario.programs:
        lines += [
            "",
            f"[programs.{quoted(program.name)}]",
            f"class = {quoted(program.program_class)}",
        ]
    allowed: dict[tuple[str, str], list[str]] = {}
    for program in scenario.programs:
        allowed.setdefault((program.fiber_a, program.fiber_b), []).append(program.name)
    for fibers, names in allowed.items():
        lines += ["", "[[allowed_programs]]", f"fibers = {quoted(fibers)}"]
        lines.append(f"programs = {quoted(names)}")
    return "\n".join(lines) + "\n"
