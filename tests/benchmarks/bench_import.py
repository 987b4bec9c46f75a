"""Time imports: against a bare read and bulk insert, and of a day into a large store.

Run by hand: ``python -m tests.benchmarks.bench_import [--postgresql] [rows [stored splices
[megabytes]]]``, from the project's folder. With ``--postgresql`` stores are on a server of its own
with the settings of Debian. The last part writes a file of that many megabytes and prints the peak
memory of importing it. Ratios are of the time on the clock and, in brackets, of the processor's
time, which says more on a machine that does other work too.
"""

import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
from sqlalchemy import Engine

from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_overview import read_splicers
from tests.postgresql_server import started_server
from tests.stored_rows import store_rows

CREW = Crew(name="Invented crew", invented=True, time_zone="Europe/Oslo")
STEP = 1_000_000
WHO = {"splices": "splicer", "arc-checks": "splicer", "readings": "site", "service": "asset"}
WHEN = {
    "splices": "spliced_at",
    "arc-checks": "checked_at",
    "readings": "read_at",
    "service": "serviced_at",
}
BEGIN = pd.Timestamp("2015-01-01")


def log(kind: str, rows: int, begin: pd.Timestamp = BEGIN) -> pd.DataFrame:
    """Make a log as ten splicers, sites or machines would, thirty seconds from row to row."""
    rng = np.random.default_rng(20250301)
    ten = np.array(["Heron", "Kestrel", "Plover", "Dunlin", "Avocet"] * 2)
    number = np.arange(rows)
    instants = begin + pd.to_timedelta(number // 10 * 30, unit="s")
    frame = pd.DataFrame(
        {
            WHO[kind]: np.char.add(ten[number % 10], (number % 10 // 5).astype(str)),
            WHEN[kind]: instants.strftime("%Y-%m-%d %H:%M:%S"),
        }
    )
    air = {
        "temperature_c": rng.normal(15.0, 5.0, rows).round(1),
        "pressure_hpa": rng.normal(1013.0, 8.0, rows).round(1),
        "humidity_pct": rng.uniform(30.0, 90.0, rows).round(0),
    }
    people = rng.choice(["Alder", "Birch", "Cedar", "Rowan"], rows)
    if kind == "readings":
        return frame.assign(**air, source="logger")
    if kind == "service":
        return frame.assign(action=rng.choice(["cleaned", "blade rotated"], rows), remark="")
    if kind == "arc-checks":
        return frame.assign(
            outcome="pass",
            arc_setting=rng.integers(90, 110, rows),
            arc_count=number // 10,
            technician=people,
            site="Harbor",
            **air,
        )
    return frame.assign(
        loss_db=rng.gamma(2.0, 0.015, rows).round(2),
        outcome="done",
        technician=people,
        program=rng.choice(["single-mode adaptive", "single-mode fixed"], rows),
        fiber_a="G.652.D",
        fiber_b="G.652.D",
        cleave_left_deg=rng.gamma(2.0, 0.3, rows).round(1),
        cleave_right_deg=rng.gamma(2.0, 0.3, rows).round(1),
        core_offset_um=rng.gamma(2.0, 0.1, rows).round(2),
        arc_count=number // 10,
        splice_number=number // 10,
        cleaver="C1",
        blade_position=rng.integers(1, 17, rows),
        site="Harbor",
        location=[f"closure {n // 144}, tray {n // 12 % 12}, fiber {n % 12}" for n in number],
        sleeve_mm=60,
        **air,
    )


class Spent(NamedTuple):
    """Seconds on the clock and of the processor."""

    clock: float
    processor: float


def spent(work: Callable[[], object]) -> Spent:
    """Seconds that some work takes."""
    began = time.perf_counter(), time.process_time()
    work()
    return Spent(time.perf_counter() - began[0], time.process_time() - began[1])


def bare(kind: str, path: Path, folder: Path) -> None:
    """`pandas.read_csv` and one `executemany` into a plain table."""
    frame = pd.read_csv(path)
    with sqlite3.connect(folder / f"{kind}.db") as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        names = ", ".join(frame.columns)
        connection.execute(f"CREATE TABLE plain ({names})")
        connection.execute(f"CREATE INDEX by_time ON plain ({WHO[kind]}, {WHEN[kind]})")
        rows = zip(*(frame[name].tolist() for name in frame.columns), strict=True)
        marks = ", ".join("?" * len(frame.columns))
        connection.executemany(f"INSERT INTO plain VALUES ({marks})", rows)  # noqa: S608
    connection.close()


def say(words: str, took: Spent, rows: int, plain: Spent | None = None) -> None:
    """Print one line of figures."""
    ratio = f"({took.processor:.2f} s)"
    if plain is not None:
        ratio = f"{took.clock / plain.clock:6.2f} x ({took.processor / plain.processor:.2f} x)"
    sys.stdout.write(f"{words:44}{took.clock:8.2f} s {rows / took.clock:12,.0f} rows/s {ratio}\n")
    sys.stdout.flush()


_engines: dict[Path, Engine] = {}


def store_in(folder: Path) -> Engine:
    """The store of a folder, or the one on the server that stands for it."""
    if "--postgresql" not in sys.argv:
        return open_store(folder)
    if folder not in _engines:
        server = started_server(durable=True)
        if isinstance(server, str):
            sys.exit(server)
        _engines[folder] = server.empty_store()
    return _engines[folder]


def timed(folder: Path, path: Path) -> Spent:
    """Seconds of one import."""
    engine = store_in(folder)
    return spent(lambda: import_file(engine, CREW, path))


def against_bare(kind: str, rows: int, folder: Path) -> None:
    """Compare the import of a file of one kind with a bare read and insert of it."""
    path = folder / f"{kind}.csv"
    log(kind, rows).to_csv(path, index=False)
    store = folder / f"{kind}-store"
    store.mkdir()
    plain = spent(lambda: bare(kind, path, folder))
    say(f"{kind}, {path.stat().st_size / 1e6:.0f} MB: bare", plain, rows)
    say(f"{kind}: import", timed(store, path), rows, plain)
    say(f"{kind}: the same file again", timed(store, path), rows, plain)


def a_day(stored: int, folder: Path) -> None:
    """Time a day's file into a store of many splices."""
    engine = store_in(folder)
    for begin in range(0, stored, STEP):
        rows = log("splices", min(STEP, stored - begin), BEGIN + pd.Timedelta(seconds=3 * begin))
        rows["spliced_at"] = pd.to_datetime(rows["spliced_at"], utc=True)
        rows["purpose"] = "production"
        rows["blade_position"] = rows["blade_position"].astype(str)
        store_rows(engine, "splices", rows.assign(line=np.arange(len(rows)) + 2))
    path = folder / "day.csv"
    last = BEGIN + pd.Timedelta(seconds=3 * stored)
    for words, begin in (("new", last), ("between stored ones", BEGIN + (last - BEGIN) / 2)):
        rows = log("splices", 2_000, begin + pd.Timedelta(seconds=7))
        rows["splice_number"] += stored
        rows.to_csv(path, index=False)
        say(f"a day, {words}, into {stored:,} splices", timed(folder, path), 2_000)
        say("  the same again", timed(folder, path), 2_000)
    assert read_splicers(engine)


def memory(megabytes: int, folder: Path) -> None:
    """Print the peak memory of importing a file of some size."""
    path, written = folder / "large.csv", 0
    with path.open("w", encoding="utf-8") as file:
        while written < megabytes * 1_000_000:
            at = written // 500_000
            rows = log("splices", 200_000, BEGIN + pd.Timedelta(days=10 * at))
            rows.to_csv(file, index=False, header=written == 0)
            written = file.tell()
    seconds = timed(folder, path).clock
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    sys.stdout.write(f"{written / 1e6:,.0f} MB: {seconds:.0f} s, peak memory {peak:,.0f} MiB\n")


def main(rows: int, stored: int = 0, megabytes: int = 0) -> None:
    """Print seconds, rows a second and ratios."""
    for kind in WHO if rows else ():
        with tempfile.TemporaryDirectory() as name:
            against_bare(kind, rows, Path(name))
    if stored:
        with tempfile.TemporaryDirectory() as name:
            a_day(stored, Path(name))
    if megabytes:
        with tempfile.TemporaryDirectory() as name:
            memory(megabytes, Path(name))


if __name__ == "__main__":
    main(*([int(word) for word in sys.argv[1:] if word.isdigit()] or [1_000_000]))
