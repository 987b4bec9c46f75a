"""The layouts shipped as examples, each on a small invented file, from bytes to stored values.

Expected values are worked by hand: factors of NIST SP 811 (2008), appendix B.8 (inch of mercury
33.863 89 hPa, mil 25.4 µm, degree 1.745 329 E-02 rad), and UTC offsets of the IANA time zone
database (Berlin and Oslo +2 h, Denver -6 h in May).
"""

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from sqlalchemy import select

from arcdrift.intake.layout.layouts import load_layout
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.fetch import fetch
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

LAYOUTS = Path(__file__).parents[3] / "data" / "layouts"
SAMPLES = Path(__file__).parents[1] / "samples"
NOW = datetime(2026, 12, 1, tzinfo=UTC)
CREW = Crew(name="Invented")
WENT = ("lines", "header", "blank", "skipped", "rows", "accepted", "quarantined")


def brought(tmp_path, sample):
    engine = empty_store(tmp_path)
    path = SAMPLES / sample
    layout = load_layout(LAYOUTS / f"{path.stem}.toml")
    try:
        report = import_file(engine, CREW, path, layout=layout, now=NOW)
        table = schema.RECORDS[layout.kind]
        return report, fetch(engine, select(table), order=["id"])
    finally:
        engine.dispose()


def went(report):
    return tuple(getattr(report.balance, name) for name in WENT)


def times(column):
    return [str(pd.Timestamp(at, unit="us") if isinstance(at, int) else at)[:19] for at in column]


def plain(column):
    """Values with None for missing ones."""
    return [None if pd.isna(value) else value for value in column]


def near(*values):
    return [None if value is None else pytest.approx(value, rel=1e-6) for value in values]


def test_german_splice_log(tmp_path):
    report, stored = brought(tmp_path, "splice-log-german.csv")
    assert went(report) == (4, 1, 0, 0, 3, 3, 0)
    assert times(stored["spliced_at"]) == [
        "2026-05-04 06:15:30",
        "2026-05-04 06:19:05",
        "2026-05-13 06:23:40",
    ]
    assert plain(stored["loss_db"]) == [0.03, 0.12, None]
    assert plain(stored["outcome"]) == ["done", "redo", "error"]
    assert plain(stored["error_reason"]) == [None, None, "Faserposition links"]
    assert plain(stored["holding"]) == ["clamp", "clamp", "holder"]
    assert plain(stored["cleave_left_deg"]) == [0.4, 1.8, 0.5]
    assert plain(stored["cleave_right_deg"]) == [0.7, None, 0.6]
    assert plain(stored["arc_count"]) == [998, 1001, 1003]
    assert plain(stored["splice_number"]) == [1, 2, 3]
    assert plain(stored["temperature_c"]) == [18.5, 18.6, 18.6]
    assert plain(stored["pressure_hpa"]) == [1013.2, 1013.1, 999.9]
    assert plain(stored["splicer"]) == ["Heron"] * 3
    assert plain(stored["technician"]) == ["Birch"] * 3
    assert plain(stored["program"]) == ["plain"] * 3


def test_us_splice_log(tmp_path):
    report, stored = brought(tmp_path, "splice-log-us.csv")
    # two rows of heating are passed over, the second of them cut short
    assert went(report) == (5, 1, 0, 2, 2, 2, 0)
    assert times(stored["spliced_at"]) == ["2026-05-04 15:05:00", "2026-05-04 19:15:00"]
    assert plain(stored["loss_db"]) == [0.02, 0.31]
    assert plain(stored["outcome"]) == ["done", "redo"]
    assert plain(stored["core_offset_um"]) == near(0.508, 2.54)
    assert plain(stored["sleeve_mm"]) == near(60.96, 60.96)
    assert plain(stored["arc_count"]) == [1204, 1206]
    assert plain(stored["temperature_c"]) == near(22.0, -20.0)
    assert plain(stored["pressure_hpa"]) == near(1013.207589, 843.210861)
    assert plain(stored["humidity_pct"]) == [35, 41]


def test_arc_check_report(tmp_path):
    report, stored = brought(tmp_path, "arc-check-report.csv")
    # four lines above the header, two below the rows; one blank line between
    assert went(report) == (11, 1, 1, 6, 3, 3, 0)
    assert times(stored["checked_at"]) == [
        "2026-05-04 05:30:00",
        "2026-05-05 05:35:00",
        "2026-05-05 05:41:00",
    ]
    assert plain(stored["splicer"]) == ["Kestrel"] * 3
    assert plain(stored["outcome"]) == ["pass", "fail", "pass"]
    assert plain(stored["arc_setting"]) == [104, None, 106.5]
    assert plain(stored["arc_count"]) == [1510, 1544, 1546]
    assert plain(stored["melt_back_um"]) == [212.5, None, 209]
    assert plain(stored["remark"]) == [None, "wind", "second try; sheltered"]


def test_two_angles_in_a_cell(tmp_path):
    report, stored = brought(tmp_path, "splice-log-two-angles.tsv")
    assert went(report) == (4, 1, 0, 0, 3, 2, 1)
    assert plain(stored["loss_db"]) == [0.03, 0.05]
    assert plain(stored["cleave_left_deg"]) == near(0.498473, None)
    assert plain(stored["cleave_right_deg"]) == near(0.996947, 0.286479)
    assert plain(stored["program"]) == ["plain", "plain"]
    assert plain(stored["fiber_a"]) == ["G.652", "G.657"]
    assert [(group.code, group.first_line) for group in report.problems] == [
        ("cell-not-parted", 4),
        ("cell-not-parted", 4),
    ]


def test_weather_logger(tmp_path):
    report, stored = brought(tmp_path, "weather-logger.csv")
    assert went(report) == (4, 1, 0, 0, 3, 3, 0)
    assert times(stored["read_at"]) == [
        "2026-05-04 10:00:00",
        "2026-05-04 10:30:00",
        "2026-05-31 23:30:00",
    ]
    assert plain(stored["temperature_c"]) == [12.5, 12.9, -0.5]
    assert plain(stored["pressure_hpa"]) == near(1013.2, 1013.0, 987.65)
    assert plain(stored["humidity_pct"]) == near(81, None, 100)
    assert plain(stored["site"]) == ["Harbor"] * 3
    assert plain(stored["pressure_reference"]) == ["station"] * 3


def test_every_sample_has_its_layout():
    assert {path.stem for path in SAMPLES.iterdir()} <= {path.stem for path in LAYOUTS.iterdir()}
