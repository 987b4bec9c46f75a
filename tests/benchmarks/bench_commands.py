"""Time commands that must answer at once, in multiples of ``import pandas``.

Run by hand, with OpenBLAS in one thread as commands have it::

    python -m tests.benchmarks.bench_commands [--runs 7] [--folder FOLDER]

The store holds 100,000 splices of a simulated crew, analyzed once; FOLDER keeps it for another
run. Each command runs in a process of its own, in turn with ``python -c "import pandas"``, so that
other work on the machine slows all of them alike. Printed are medians: seconds on the clock, in
brackets of the processors, and the same as multiples of ``import pandas``.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import NamedTuple

from arcdrift.cli.executors.worker_processes import LastingWorkers
from arcdrift.settings import load_crew
from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_overview import read_splicers
from tests.benchmarks.bench_review import analyzed, fill, processors

SPLICERS, DAYS, SPLICES_PER_DAY = 8, 305, 60.0
YARDSTICK = "import pandas"
PROGRAM = "from arcdrift.cli.main import run; run()"


class Spent(NamedTuple):
    """Seconds on the clock, and of the processors."""

    clock: float
    processor: float


def make_store(folder: Path) -> None:
    """Fill a crew folder with simulated records and analyze them, unless it holds a store."""
    folder.mkdir(exist_ok=True)
    if not any(folder.iterdir()):
        fill(folder, SPLICERS, DAYS, SPLICES_PER_DAY)
        engine = open_store(folder)
        with LastingWorkers(engine) as workers:
            analyzed(engine, load_crew(folder), workers)


def commands(folder: Path) -> dict[str, list[str]]:
    """Arguments of Python for each command to time, by the name to print."""
    (splicer, *_) = read_splicers(open_store(folder))
    lines = (
        "--version",
        "--help",
        "advise --help",
        "imports --help",
        "findings",
        "checks",
        f"advise {splicer}",
        "prep",
        "imports",
        "quarantine",
        "clock",
        "baseline",
        "coach",
    )
    return {YARDSTICK: ["-c", YARDSTICK]} | {
        f"arcdrift {line}": ["-c", PROGRAM, *line.split()] for line in lines
    }


def run(arguments: list[str], folder: Path) -> Spent:
    """Run Python once; a command that fails ends the benchmark."""
    # compiled modules are kept, as in an installed program
    environment = os.environ | {"ARCDRIFT_CREW": str(folder), "PYTHONDONTWRITEBYTECODE": ""}
    clock, processor = time.perf_counter(), processors()
    done = subprocess.run(
        [sys.executable, *arguments], env=environment, capture_output=True, text=True
    )
    spent = Spent(time.perf_counter() - clock, processors() - processor)
    if done.returncode:
        sys.exit(done.stderr)
    return spent


def main() -> None:
    """Make the store, run each command in turn, and print the medians."""
    parser = argparse.ArgumentParser(description="Time commands beside `import pandas`.")
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = (given.folder or Path(name) / "crew").absolute()
        make_store(folder)
        timed = commands(folder)
        taken: dict[str, list[Spent]] = {name: [] for name in timed}
        for turn in range(given.runs + 1):  # the first, which fills the disk's cache, is left out
            for command, arguments in timed.items():
                spent = run(arguments, folder)
                if turn:
                    taken[command].append(spent)
    medians = {
        command: Spent(*(median(values) for values in zip(*runs, strict=True)))
        for command, runs in taken.items()
    }
    base = medians[YARDSTICK]
    for command, spent in medians.items():
        sys.stdout.write(
            f"{command:26}{spent.clock:7.3f} s ({spent.processor:.3f} s)"
            f"{spent.clock / base.clock:8.2f} x ({spent.processor / base.processor:.2f} x)\n"
        )


if __name__ == "__main__":
    main()
