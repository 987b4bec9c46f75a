"""Time an import against a bare read and bulk insert of the same file.

Run by hand: ``python tests/benchmarks/bench_import.py [rows]``.
"""

import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from arcdrift.intake.intake import import_file
from arcdrift.settings import Crew
from arcdrift.store.connect import open_store


def log(rows: int, path: Path) -> None:
    """Write a splice log as ten splicers would in a year."""
    rng = np.random.default_rng(20250301)
    ten = np.array(["Heron", "Kestrel", "Plover", "Dunlin", "Avocet"] * 2)
    number = np.arange(rows)
    minutes = pd.Timestamp("2025-01-01") + pd.to_timedelta(number // 10 * 30, unit="s")
    pd.DataFrame(
        {
            "splicer": np.char.add(ten[number % 10], (number % 10 // 5).astype(str)),
            "spliced_at": minutes.strftime("%Y-%m-%d %H:%M:%S"),
            "loss_db": rng.gamma(2.0, 0.015, rows).round(2),
            "outcome": "done",
            "technician": rng.choice(["Alder", "Birch", "Cedar", "Rowan"], rows),
            "program": rng.choice(["SM auto", "SM fixed"], rows),
            "fiber_a": "G.652.D",
            "fiber_b": "G.652.D",
            "cleave_left_deg": rng.gamma(2.0, 0.3, rows).round(1),
            "cleave_right_deg": rng.gamma(2.0, 0.3, rows).round(1),
            "core_offset_um": rng.gamma(2.0, 0.1, rows).round(2),
            "arc_count": number // 10,
            "splice_number": number // 10,
            "cleaver": "C1",
            "blade_position": rng.integers(1, 17, rows),
            "site": "Harbor",
            "location": [
                f"closure {n // 144}, tray {n // 12 % 12}, fiber {n % 12}" for n in number
            ],
            "sleeve_mm": 60,
            "temperature_c": rng.normal(15.0, 5.0, rows).round(1),
            "pressure_hpa": rng.normal(1013.0, 8.0, rows).round(1),
            "humidity_pct": rng.uniform(30.0, 90.0, rows).round(0),
        }
    ).to_csv(path, index=False)


def bare(path: Path, folder: Path) -> float:
    """Seconds of `pandas.read_csv` and one `executemany` into a plain table."""
    started = time.perf_counter()
    frame = pd.read_csv(path)
    connection = sqlite3.connect(folder / "bare.db")
    connection.execute("PRAGMA journal_mode=WAL")
    names = ", ".join(frame.columns)
    connection.execute(f"CREATE TABLE splices ({names})")
    connection.execute("CREATE INDEX by_time ON splices (splicer, spliced_at)")
    rows = zip(*(frame[name].tolist() for name in frame.columns), strict=True)
    marks = ", ".join("?" * len(frame.columns))
    connection.executemany(f"INSERT INTO splices VALUES ({marks})", rows)  # noqa: S608
    connection.commit()
    connection.close()
    return time.perf_counter() - started


def main(rows: int) -> None:
    """Print seconds, rows a second and the ratio."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "splices.csv"
        log(rows, path)
        plain = bare(path, folder)
        engine = open_store(folder)
        crew = Crew(name="Invented crew", invented=True, time_zone="Europe/Oslo")
        again = []
        for _ in range(2):
            started = time.perf_counter()
            report = import_file(engine, crew, path)
            again.append(time.perf_counter() - started)
            assert sum((report.balance.accepted, report.balance.already_stored)) == rows
        lines = [f"{rows:,} rows, {path.stat().st_size / 1e6:.0f} MB"]
        for words, seconds in zip(
            ("bare read and insert", "import", "import of the same file again"),
            (plain, *again),
            strict=True,
        ):
            pace = f"{seconds:8.2f} s {rows / seconds:12,.0f} rows/s {seconds / plain:6.2f} x"
            lines.append(f"{words:32}{pace}")
        sys.stdout.write("\n".join([*lines, ""]))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 600_000)
