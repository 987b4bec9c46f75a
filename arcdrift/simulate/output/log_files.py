"""Frames to the files a crew would export, byte for byte the same each time."""

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
Format = Literal["csv", "parquet"]
NEEDS_FILE = "truth-settings.parquet"
"""The true required setting of every splicer, by the hour and at each check."""
FORMATS: tuple[Format, ...] = ("csv", "parquet")
KINDS = {
    "arc-checks": CHECKS_FILE,
    "splices": SPLICES_FILE,
    "readings": READINGS_FILE,
    "service": SERVICE_FILE,
}
Put = Callable[[pd.DataFrame], None]

_TIMES = ("checked_at", "spliced_at", "read_at", "serviced_at")
_TEXTS = frozenset({"remark", "technician", "blade_position"})
"""Columns of text that may be empty in a frame, or look like numbers."""


def free_folder(folder: Path, *, overwrite: bool) -> None:
    """Make the folder, and refuse to write over anybody's files."""
    logs = [log_file(kind, form) for form in FORMATS for kind in KINDS]
    taken = [n for n in (*logs, CREW_FILE, TRUTH_FILE, NEEDS_FILE) if (folder / n).exists()]
    if taken and not overwrite:
        raise UsageError(
            f"{folder} already holds {', '.join(taken)}; choose an empty folder for a simulation."
        )
    folder.mkdir(parents=True, exist_ok=True)
    for name in taken:
        (folder / name).unlink()


def log_file(kind: str, form: Format) -> str:
    """Name of the log of a record kind."""
    return KINDS[kind] if form == "csv" else f"{kind}.parquet"


@contextmanager
def open_log(path: Path, zone: str) -> Iterator[Put]:
    """Open a log that takes frame after frame; the suffix says which format.

    A Parquet log keeps instants as UTC microseconds, missing values as null, and each frame as
    a row group; a CSV log is what a splicer would export.
    """
    if path.suffix == ".parquet":
        with _open_parquet(path) as put:
            yield put
        return
    begun = False
    with open_rows(path) as sink:

        def put_rows(frame: pd.DataFrame) -> None:
            nonlocal begun
            write_rows(sink, frame, zone, header=not begun)
            begun = True

        yield put_rows


@contextmanager
def _open_parquet(path: Path) -> Iterator[Put]:
    with ExitStack() as stack:
        writer: pq.ParquetWriter | None = None

        def put(frame: pd.DataFrame) -> None:
            nonlocal writer
            table = pa.table({name: _typed(frame[name]) for name in frame.columns})
            if writer is None:
                writer = stack.enter_context(
                    pq.ParquetWriter(path, table.schema, compression="zstd")
                )
            writer.write_table(table, row_group_size=max(len(table), 1))

        yield put


def _typed(values: pd.Series) -> pa.Array:
    """Instants, text or numbers, whatever a frame happens to have in it."""
    if values.name in _TIMES:
        return pa.array(values.to_numpy(np.int64) * 1_000_000).cast(pa.timestamp("us", "UTC"))
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        return pa.array(values.dt.as_unit("us"))
    if values.name in _TEXTS or pd.api.types.is_string_dtype(values.dtype):
        return pa.array(values, from_pandas=True).cast(pa.string())
    return pa.array(values.to_numpy(np.float64), from_pandas=True)


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


def crew_settings(scenario: Scenario) -> Crew:
    """Settings of a simulated crew, as crew.toml would give them."""
    return Crew.model_validate(tomllib.loads(crew_toml(scenario)))


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
    if scenario.day_offset:
        lines.append(f'day_starts_at = "{time(scenario.day_offset.seconds // 3600):%H:%M}"')
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
    allowed: dict[tuple[str, str], list[str]] = {}
    for program in scenario.programs:
        allowed.setdefault((program.fiber_a, program.fiber_b), []).append(program.name)
    for fibers, names in allowed.items():
        lines += ["", "[[allowed_programs]]", f"fibers = {text(fibers)}"]
        lines.append(f"programs = {text(names)}")
    return "\n".join(lines) + "\n"
