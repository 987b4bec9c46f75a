"""Crews whose pages are looked at: the sample, and those that are hard to draw.

Simulated from a fixed seed; nobody in them is real.
"""

import csv
import gzip
import io
import json
import shutil
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path

from arcdrift.analysis.review.review import review
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import CREW_FILE, load_crew
from arcdrift.simulate import add_random_faults, invented_crew, simulate
from arcdrift.store.database.connect import open_store

SAMPLE = Path(__file__).parents[2] / "data" / "sample"
LOGS = ("arc-checks.csv", "readings.csv", "service.csv", "splices.csv.gz")
AIR = ("temperature_c", "pressure_hpa", "humidity_pct")
HOSTILE = (
    "<b>Bold</b><script>alert(1)</script>",
    "=1+cmd|' /C calc'!A0",
    "Long" + "name" * 49,
    "\u202eגלבוע",
)
"""HTML with a script, a formula, 200 letters without a space, right to left."""
NAMED = ("splicer", "technician", "program", "site", "cleaver", "asset")


def import_and_analyze(logs: Path, folder: Path, names: tuple[str, ...] = LOGS) -> Path:
    """Make a crew folder of logs beside their settings, and analyze it."""
    folder.mkdir(parents=True, exist_ok=True)
    if logs != folder:
        shutil.copy(logs / CREW_FILE, folder)
    crew, engine = load_crew(folder), open_store(folder)
    for name in names:
        import_file(engine, crew, logs / name)
    review(engine, crew)
    engine.dispose()
    return folder


def sample(folder: Path) -> Path:
    """The crew of the demo."""
    return import_and_analyze(SAMPLE, folder)


def empty(folder: Path) -> Path:
    """A crew that has no records yet."""
    folder.mkdir(parents=True)
    (folder / CREW_FILE).write_text(
        'name = "New crew"\ntime_zone = "Europe/Oslo"\n\n[sites."Depot"]\nelevation_m = 120\n'
    )
    return folder


def sixty(folder: Path) -> Path:
    """Sixty splicers that make few splices a day, with faults."""
    return import_and_analyze(_logs(folder / "logs", splicers=60, days=90, per_day=6), folder)


def single(folder: Path) -> Path:
    """One splicer and one technician."""
    logs = _logs(folder / "logs", splicers=1, days=90, per_day=30, technicians=1)
    return import_and_analyze(logs, folder)


def airless(folder: Path) -> Path:
    """The crew of the demo, of which nobody ever read the air."""
    logs = folder / "logs"
    logs.mkdir(parents=True)
    shutil.copy(SAMPLE / CREW_FILE, logs)
    for name in LOGS:
        _rewrite(SAMPLE / name, logs / name, _without_air)
    return import_and_analyze(logs, folder, tuple(n for n in LOGS if n != "readings.csv"))


def hostile(folder: Path) -> Path:
    """Splicers, people, programs, sites and cleavers with the names of `HOSTILE`."""
    logs = _logs(folder / "logs", splicers=4, days=90, per_day=25)
    new_names: dict[str, dict[str, str]] = {}

    def rename(row: dict[str, str]) -> dict[str, str]:
        for column in NAMED:
            if row.get(column):
                known = new_names.setdefault("splicer" if column == "asset" else column, {})
                _name(known, row[column])
                row[column] = known[row[column]]
        return row

    for name in ("splices.csv.gz", "arc-checks.csv", "readings.csv", "service.csv"):
        _rewrite(logs / name, logs / name, rename)
    settings = tomllib.loads((logs / CREW_FILE).read_text())
    _write_settings(settings, new_names, logs / CREW_FILE)
    return import_and_analyze(logs, folder)


CREWS: dict[str, Callable[[Path], Path]] = {
    "sample": sample,
    "empty": empty,
    "sixty": sixty,
    "single": single,
    "airless": airless,
    "hostile": hostile,
}


def _logs(
    folder: Path, *, splicers: int, days: int, per_day: float, technicians: int | None = None
) -> Path:
    scenario = invented_crew(
        splicers=splicers,
        technicians=technicians,
        sites=3,
        days=days,
        splices_per_day=per_day,
        seed=1,
        start=date(2026, 7, 20),
    )
    simulate(add_random_faults(scenario), folder)
    return folder


def _without_air(row: dict[str, str]) -> dict[str, str]:
    return {key: "" if key in AIR else value for key, value in row.items()}


def _rewrite(
    source: Path, target: Path, change: Callable[[dict[str, str]], dict[str, str]]
) -> None:
    packed = source.suffix == ".gz"
    content = gzip.decompress(source.read_bytes()) if packed else source.read_bytes()
    rows = csv.DictReader(io.StringIO(content.decode()))
    written = io.StringIO()
    writer = csv.DictWriter(written, rows.fieldnames or [], extrasaction="ignore")
    writer.writeheader()
    writer.writerows(change(row) for row in rows)
    content = written.getvalue().encode()
    target.write_bytes(gzip.compress(content) if packed else content)


def _name(known: dict[str, str], name: str) -> None:
    if name not in known:
        number = len(known)
        known[name] = HOSTILE[number % 4] + ("" if number < 4 else f" {number}")


def _write_settings(settings: dict, new_names: dict[str, dict[str, str]], target: Path) -> None:
    sites, splicers = new_names["site"], new_names["splicer"]
    lines = ['name = "A crew with hostile names (invented)"', "invented = true"]
    lines += ['clock = "newest-record"', f"time_zone = {json.dumps(settings['time_zone'])}"]
    for name, values in settings["sites"].items():
        lines += [
            f"[sites.{_quoted(sites.get(name, name))}]",
            f"elevation_m = {values['elevation_m']}",
        ]
    for name, values in settings["splicers"].items():
        lines += [f"[splicers.{_quoted(splicers.get(name, name))}]"]
        lines += [f"home_site = {_quoted(sites.get(values['home_site'], values['home_site']))}"]
        lines += [
            f"{key} = {json.dumps(values[key])}"
            for key in ("model", "setting_unit", "electrode_life_arcs")
        ]
    target.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _quoted(name: str) -> str:
    return json.dumps(name)
