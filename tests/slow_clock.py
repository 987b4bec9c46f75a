"""A small crew whose splicer's clock was seven hours slow on some days, planted by hand."""

import io
from contextlib import redirect_stdout
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from arcdrift.cli.main import run
from tests.empty_store import copy_empty_store

CREW = """\
name = "Invented crew"
invented = true
clock = "newest-record"
time_zone = "Europe/Oslo"
"""


def logs(slow: range) -> tuple[str, str]:
    """Thirty days of twelve splices, 08:00 to 13:30 in Oslo; seven hours slow on some."""
    checks = ["splicer,checked_at,outcome,arc_setting,arc_count,site"]
    splices = ["splicer,spliced_at,loss_db,program,site,arc_count,splice_number"]
    count = 0
    for day in range(30):
        morning = datetime(2026, 5, 1, 8) + timedelta(days=day)
        off = timedelta(hours=7 if day in slow else 0)
        checks.append(f"Heron,{morning - timedelta(minutes=10) - off},pass,100,{count + 1},Harbor")
        for number in range(12):
            count += 1
            # the first slow day began right: its clock fell back at noon
            late = off if day != slow.start or number >= 6 else timedelta(0)
            at = morning + timedelta(minutes=30 * number) - late
            splices.append(f"Heron,{at},0.0{number % 4 + 1},plain,Harbor,{count},{count}")
        if day == slow.start:
            checks[-1] = checks[-1].replace("00:50", "07:50")
    return "\n".join(checks), "\n".join(splices)


def write_slow_crew(folder: Path, slow: range = range(11, 17)) -> Path:
    """Import and analyze the crew; slow from 11:00 on 12 May to 17 May, unless told otherwise."""
    (folder / "crew.toml").write_text(CREW, encoding="utf-8")
    copy_empty_store(folder)
    files = [folder / "arc-checks.csv", folder / "splices.csv"]
    for file, text in zip(files, logs(slow), strict=True):
        file.write_text(text, encoding="utf-8")
    quietly("import", *map(str, files), "--crew", str(folder))
    quietly("analyze", "--crew", str(folder))
    return folder


def quietly(*words: str) -> None:
    """Run a command that succeeds."""
    with pytest.raises(SystemExit) as done, redirect_stdout(io.StringIO()):
        run([*words])
    assert not done.value.code
