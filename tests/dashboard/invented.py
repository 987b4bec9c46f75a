"""A small invented crew with hand-made results: what pages are tested against.

Three splicers over sixty days: Heron (everything known), Kestrel (its loss rises in the last
ten days, two missed checks), Plover (new: too little to judge anything). Now is Friday
2025-06-13 12:00 UTC, 14:00 in Oslo.
"""

import atexit
import json
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_model import ArcModel, Effect
from arcdrift.finding import Cause, Finding, Onset
from arcdrift.store import schema
from arcdrift.store.database import insert_rows
from arcdrift.store.database.connect import writing
from arcdrift.store.imports.import_list import add_import
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.store.results.store_versions import RecordsVersion
from tests.dashboard.invented_attempts import attempt_results
from tests.dashboard.invented_prep import prep_results
from tests.empty_store import empty_store
from tests.stored_rows import import_values

NOW = datetime(2025, 6, 13, 12, 0, tzinfo=UTC)
DAYS = 60
SPLICERS = ("Heron", "Kestrel", "Plover")
CREW_TOML = """
name = "Harbor crew"
invented = true
clock = "newest-record"
time_zone = "Europe/Oslo"
[sites.Harbor]
elevation_m = 12
[splicers.Heron]
model = "Model A"
home_site = "Harbor"
[splicers.Kestrel]
model = "Model A"
home_site = "Harbor"
[splicers.Plover]
model = "Model B"
setting_unit = "%"
home_site = "Harbor"
[programs."single-mode adaptive"]
class = "self-adjusting"
[programs."single-mode fixed"]
class = "fixed"
"""


def write_crew(folder: Path) -> Path:
    """Make the crew folder with its store and its results: a copy of one made before."""
    shutil.copytree(_template(), folder, dirs_exist_ok=True)
    return folder


@cache
def _template() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="invented-crew-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    (folder / "crew.toml").write_text(CREW_TOML, encoding="utf-8")
    engine = empty_store(folder)
    with writing(engine) as connection:
        add_import(connection, import_values(file_name="invented.csv"))
        for table, frame in _records().items():
            insert_rows.add_rows(connection, schema.RECORDS[table], frame)
    replace_results(engine, results())
    engine.dispose()
    return folder


def workdays() -> pd.DatetimeIndex:
    """Local days up to today, naive."""
    return pd.date_range(end="2025-06-13", periods=DAYS, freq="D")


@cache
def results() -> dict[str, pd.DataFrame]:
    """Every result table; not to be changed."""
    stream_days = pd.concat(
        [
            _stream_days("Heron", "single-mode adaptive", 0.03, rise=1.0),
            _stream_days("Kestrel", "single-mode fixed", 0.04, rise=1.6),
            _stream_days("Plover", "single-mode adaptive", 0.035, rise=1.0, days=3),
        ],
        ignore_index=True,
    )
    return {
        "result_check_days": _check_days(),
        "result_streams": _streams(stream_days),
        "result_stream_days": stream_days,
        "result_subject_days": _subject_days(),
        "result_loss_cells": _cells(stream_days),
        "result_week_changes": _week_changes(),
        "result_crew_days": _crew_days(),
        **_singles(),
        "result_arc_models": _models(),
        "result_arc_points": pd.concat([_points("Heron"), _points("Kestrel")], ignore_index=True),
        "result_air_coverage": pd.DataFrame(
            {"kind": "splices", "splicer": SPLICERS, "rows": 1200, "with_air": 1100}
        ),
        **prep_results(),
        **attempt_results(),
        "findings": finding_rows(findings()),
        "analysis_run": pd.DataFrame(
            {
                "id": [1],
                "assessed_on": [pd.Timestamp(NOW)],
                "now": [pd.Timestamp(NOW)],
                "version": ["0.1.0"],
                "records_version": [str(RecordsVersion())],
                "seconds": [0.5],
                "splices": [2460],
                "checks": [120],
                "summary": [json.dumps({"false_alarms_per_month": 2.0, "widening": 1.1})],
            }
        ),
    }


def _records() -> dict[str, pd.DataFrame]:
    """20 splices of Kestrel with single-mode fixed at 08:00 UTC and every 10 minutes, each day."""
    times = [
        day + pd.Timedelta(hours=8, minutes=10 * i)
        for day in workdays().tz_localize("UTC")
        for i in range(20)
    ]
    count = len(times)
    losses = pd.Series(np.tile([0.02, 0.03, 0.04, 0.05, 0.06], count // 5))
    splices = pd.DataFrame(
        {
            "import_id": 1,
            "line": range(2, count + 2),
            "splicer": "Kestrel",
            "spliced_at": pd.Series(times).astype("datetime64[us, UTC]"),
            "loss_db": losses,
            "outcome": "done",
            "technician": "Alder",
            "program": "single-mode fixed",
            "site": "Harbor",
            "location": "=closure 12",
            "cleave_left_deg": 0.4,
            "cleave_right_deg": 0.6,
            "purpose": "production",
        }
    )
    service = pd.DataFrame(
        {
            "import_id": 1,
            "line": [2, 3],
            "asset": ["Heron", "Kestrel"],
            "serviced_at": pd.to_datetime(["2025-05-20 06:00", "2025-05-25 06:00"], utc=True),
            "action": ["electrodes replaced", "v-grooves cleaned"],
        }
    )
    checks = pd.DataFrame(
        {
            "import_id": 1,
            "line": [2, 3],
            "splicer": ["Heron", "Kestrel"],
            "checked_at": pd.to_datetime(["2025-06-13 05:30", "2025-06-12 05:30"], utc=True),
            "outcome": "pass",
            "arc_setting": [50.0, 45.0],
            "arc_count": [2300.0, 2300.0],
            "site": "Harbor",
            "temperature_c": 15.0,
            "pressure_hpa": 1010.0,
            "humidity_pct": 60.0,
        }
    )
    readings = pd.DataFrame(
        {
            "import_id": 1,
            "line": [2],
            "read_at": pd.to_datetime(["2025-06-13 11:00"], utc=True),
            "site": "Harbor",
            "temperature_c": [18.0],
            "pressure_hpa": [1008.0],
            "humidity_pct": [55.0],
            "pressure_reference": "station",
        }
    )
    return {"splices": splices, "service": service, "arc-checks": checks, "readings": readings}


def _singles() -> dict[str, pd.DataFrame]:
    """Twenty splices of Kestrel far out, one each day up to today; Heron has a limit and none."""
    days = workdays()[-20:]
    count = len(days)
    known = pd.DataFrame(
        {
            "splicer": ["Heron", "Kestrel", "Plover"],
            "program": ["single-mode adaptive", "single-mode fixed", "single-mode adaptive"],
            "limit_db": [0.21, 0.24, None],
            "splices": [1010, 320, 60],
            "last_day": ["2025-05-10", "2025-04-30", "2025-06-13"],
            "judged": [1080, 1060, 0],
            "exceptions": [0, count, 0],
            "refusal": [None, None, "Only 60 so far; a limit needs 100."],
        }
    )
    exceptions = pd.DataFrame(
        {
            "splice_id": range(1, count + 1),
            "splicer": "Kestrel",
            "program": "single-mode fixed",
            "technician": "Alder",
            "day": days.strftime("%Y-%m-%d"),
            "spliced_at": (days + pd.Timedelta(hours=8)).tz_localize("UTC").as_unit("us"),
            "loss_db": 0.5 + 0.01 * np.arange(count),
            "limit_db": 0.24,
            "location": [None, *["=closure 12"] * (count - 1)],
        }
    )
    return {"result_single_limits": known, "result_exceptions": exceptions}


WORKS = {"Heron": "Alder", "Kestrel": "Birch", "Plover": None}


def _check_days() -> pd.DataFrame:
    days = workdays()
    text = days.strftime("%Y-%m-%d")
    frames = []
    for splicer in SPLICERS:
        status = np.where(days.day_of_week >= 5, "no-work", "checked").astype(object)
        if splicer == "Kestrel":
            status[text == "2025-06-11"] = "missed"
            status[text == "2025-06-10"] = "missed"
            status[text == "2025-06-09"] = "late"
            status[-1] = "due"
        if splicer == "Plover":
            status[:-4] = "no-work"
            status[-1] = "failed-only"
        worked = status != "no-work"
        passed = np.isin(status, ["checked", "late"])
        at = pd.Series(days.tz_localize("UTC") + pd.Timedelta(hours=5, minutes=30))
        frames.append(
            pd.DataFrame(
                {
                    "splicer": splicer,
                    "day": text,
                    "site": "Harbor",
                    "status": status,
                    "checked_at": at.where(passed),
                    "first_splice_at": (at + pd.Timedelta(hours=1)).where(worked),
                    "splices": np.where(worked, 20, 0),
                    "splices_before_check": np.where(status == "late", 7, 0),
                    "attempts": passed.astype(int) + 2 * (status == "failed-only"),
                    "failed_attempts": 2 * (status == "failed-only"),
                    "splices_after_failure": np.where(status == "failed-only", 5, 0),
                    "technician": pd.Series(WORKS[splicer], index=at.index).where(worked),
                    "day_over": np.arange(len(days)) < len(days) - 1,
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


def _stream_days(
    splicer: str, program: str, level: float, *, rise: float, days: int = DAYS
) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    when = workdays()[-days:]
    mean = level * (1 + 0.08 * rng.standard_normal(days))
    mean[-10:] *= rise
    ready = np.arange(days) >= 5
    z = np.where(ready, (mean / level - 1) / 0.08, np.nan)
    up = np.where(ready, np.clip(np.cumsum(np.where(ready, z, 0)) * 0.2, 0, 2.2), np.nan)
    limit = np.where(ready, 1.1, np.nan)
    alarm = np.full(days, "", dtype=object)
    if rise > 1:
        up = np.where(np.arange(days) < days - 10, np.minimum(up, 0.8), up)
        alarm[-7] = "up"
        up[-7] = 1.4
    return pd.DataFrame(
        {
            "splicer": splicer,
            "program": program,
            "day": when.strftime("%Y-%m-%d"),
            "splices": 20,
            "mean_db": mean * 1.05,
            "capped_mean_db": mean,
            "expected_db": np.where(ready, level, np.nan),
            "low_db": np.where(ready, level * 0.82, np.nan),
            "high_db": np.where(ready, level * 1.2, np.nan),
            "z": z,
            "ewma_up": up,
            "ewma_down": np.where(ready, 0.1, np.nan),
            "limit_up": limit,
            "limit_down": limit,
            "alarm": alarm,
            "segment": 0,
            "after_electrodes_replaced": 0,
            "after_factory_service": 0,
            "after_firmware_updated": 0,
            "learning": np.arange(days) < 40,
            "site": "Harbor",
            "total": 21.0 * mean,
            "capped": 20.0 * mean,
            "capped_squares": 40.0 * mean**2,
            "cap": 0.15,
            "crew_effect": np.where(ready, 0.0, np.nan),
            "shared_effect": np.where(ready, 0.0, np.nan),
            "excluded": False,
            "frozen": False,
        }
    )


def _streams(days: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for (splicer, program), part in days.groupby(["splicer", "program"], sort=True):
        few = len(part) < 5
        rows.append(
            {
                "splicer": splicer,
                "program": program,
                "program_class": "self-adjusting" if program == "single-mode adaptive" else "fixed",
                "site": "Harbor",
                "first_day": part["day"].min(),
                "last_day": part["day"].max(),
                "days": len(part),
                "splices": int(part["splices"].sum()),
                "state": "too-few" if few else "charted",
                "charted_days": len(part),
                "baseline_db": None if few else float(part["expected_db"].iloc[-1]),
                "recent_db": float(part["mean_db"].tail(10).mean()),
                "sd_within": None if few else 0.8,
                "sd_between": None if few else 0.1,
                "alarms_up": int((part["alarm"] == "up").sum()),
                "alarms_down": 0,
            }
        )
    floats = dict.fromkeys(("baseline_db", "sd_within", "sd_between"), float)
    return pd.DataFrame(rows).astype(floats)


def _cells(days: pd.DataFrame) -> pd.DataFrame:
    """Each stream's splices, made by one person throughout."""
    return pd.DataFrame(
        {
            **{name: days[name] for name in ("splicer", "program", "day")},
            "technician": days["splicer"].map(WORKS).fillna("(technician not logged)"),
            "holding": "(holding not logged)",
            "site": "Harbor",
            "n": 20,
            "capped": days["capped"],
            "capped_squares": days["capped_squares"],
            "made": 20,
            "errors": 0,
            "places": 20,
            "again": 1,
            "dirty": 0,
        }
    )


def _subject_days() -> pd.DataFrame:
    """Loss of Birch and of the crew, and dirty splices of Kestrel: the first two rose."""
    days = workdays()
    frames = []
    for measure, kind, name, usual, risen in (
        ("level", "technician", "Birch", 1.0, 1.5),
        ("level", "crew", "crew", 1.0, 1.25),
        ("dirty", "stream", "Kestrel / single-mode fixed", 0.02, 0.02),
    ):
        late = np.arange(DAYS) >= DAYS - 10
        frames.append(
            pd.DataFrame(
                {
                    "measure": measure,
                    "subject_type": kind,
                    "subject_id": name,
                    "day": days.strftime("%Y-%m-%d"),
                    "n": 20,
                    "value": np.where(late, risen, usual),
                    "expected": np.where(np.arange(DAYS) >= 5, usual, np.nan),
                    "statistic": np.where(late, 0.9, 0.3),
                    "limit": 1.0,
                    "alarm": (np.arange(DAYS) == DAYS - 6) & (risen > usual),
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


def _week_changes() -> pd.DataFrame:
    """Two weeks; in the last that is over Kestrel loses 28 % more, which stands out."""
    names = [("Heron", "single-mode adaptive"), ("Kestrel", "single-mode fixed"),
             ("Plover", "single-mode adaptive"), ("", "")]  # fmt: skip
    frame = pd.DataFrame(names, columns=["splicer", "program"])
    last = frame.assign(
        week="2025-06-02", splices=[100, 120, 20, 240], days=[5, 5, 1, 5],
        splices_before=[400, 480, 0, 880], days_before=[20, 20, 0, 20],
        loss_db=[0.030, 0.051, 0.035, 0.041], before_db=[0.031, 0.040, np.nan, 0.036],
        change=[-0.04, 0.28, np.nan, 0.13], low=[-0.2, 0.12, np.nan, 0.02],
        high=[0.14, 0.46, np.nan, 0.25], hands_change=[0.0, -0.08, np.nan, 0.0],
        stands_out=[False, True, False, True],
    )  # fmt: skip
    before = last.assign(week="2025-05-26", change=[0.01, 0.02, np.nan, 0.0], stands_out=False)
    return pd.concat([before, last], ignore_index=True)


def _crew_days() -> pd.DataFrame:
    days = workdays()
    return pd.DataFrame(
        {
            "day": days.strftime("%Y-%m-%d"),
            "splices": 40,
            "mean_db": 0.035,
            "median_db": 0.03,
            "p95_db": 0.08,
            "over_010": 1,
            "errors": 0,
            "places": 40,
            "again": 2,
        }
    )


def heron_model() -> ArcModel:
    """Return a model whose every number is made up and round."""
    air = Effect("air_span", "air of this site", "over the middle 90 %", -9.0, -11.0, -7.0, None)
    return ArcModel(
        splicer="Heron",
        unit="steps",
        checks=60,
        used=58,
        excluded={"no air reading": 2},
        epochs=2,
        effects=(
            Effect("air_density", "air density", "per 0.01 kg/m³", -1.2, -1.6, -0.8, 4.8),
            Effect("vapor_pressure", "water vapor pressure", "per hPa", 0.3, -0.1, 0.7, 4.8),
            Effect("arcs", "electrode wear", "per 1000 arcs", -2.0, -2.5, -1.5, 1.1),
        ),
        air_span=air,
        pooled=(),
        peers=0,
        pooling_weight=0.0,
        peer_slopes=(),
        mean=(-120.0, 0.3, -2.0, 50.0),
        cov=tuple(
            tuple(400.0 if i == j == 0 else 0.04 if i == j else 0.0 for j in range(4))
            for i in range(4)
        ),
        sigma=1.5,
        phi=0.3,
        ranges={
            "air_density": (1.15, 1.30),
            "vapor_pressure": (4.0, 18.0),
            "arcs": (0.0, 3000.0),
        },
    )


def _models() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "splicer": ["Heron", "Kestrel", "Plover"],
            "checks": [60, 9, 3],
            "used": [58, 9, 3],
            "refusal": [
                None,
                "9 checks are too few: 12 are needed",
                "3 checks are too few: 12 are needed",
            ],
            "model": [json.dumps(heron_model().to_json()), None, None],
        }
    )


def _points(splicer: str) -> pd.DataFrame:
    rng = np.random.default_rng(2)
    days = workdays()
    n = len(days)
    noise = rng.standard_normal(n)
    epoch = (np.arange(n) >= 35).astype(int)
    expected = 50 - 0.05 * np.arange(n) + 6 * epoch
    judged = np.arange(n) >= 10
    z = np.where(judged, noise, np.nan)
    odd = np.arange(n) == 35  # one check that bends the picture
    ewma = pd.Series(np.where(judged, noise, 0)).ewm(alpha=0.2, adjust=False).mean().to_numpy()
    return pd.DataFrame(
        {
            "splicer": splicer,
            "checked_at": days.tz_localize("UTC") + pd.Timedelta(hours=5, minutes=30),
            "point": 0,
            "site": "Harbor",
            "epoch": epoch,
            "level": epoch,
            "arc_setting": np.where(odd, 62.0, np.round(expected + 1.5 * noise)),
            "arcs": 40.0 * np.arange(n),
            "temperature_c": 15.0,
            "station_pressure_hpa": 1010.0,
            "humidity_pct": 60.0,
            "air_density": 1.22,
            "vapor_pressure": 10.2,
            "air_source": "Harbor logger",
            "air_age_min": 12.0,
            "fitted": expected,
            "expected": np.where(judged, expected, np.nan),
            "expected_low": np.where(judged, expected - 3.2, np.nan),
            "expected_high": np.where(judged, expected + 3.2, np.nan),
            "z": z,
            "ewma": np.where(judged, ewma, np.nan),
            "limit": np.where(judged, 1.0, np.nan),
            "leverage": 0.06,
            "studentized": np.where(odd, 8.0, noise),
            "dffits": np.where(odd, 2.0, 0.25 * noise),
            "cooks_distance": np.where(odd, 0.6, 0.01),
            "air_change": np.where(odd, 1.1, 0.0),
            "alarm": np.arange(n) == n - 3 if splicer == "Heron" else False,
            "excluded": pd.Series([None] * (n - 1) + ["no air reading"], dtype="str"),
        }
    )


def findings() -> list[Finding]:
    """Return one finding to act on, one to watch and one note."""
    raised = Finding(
        kind="loss-raised",
        subject_type="stream",
        subject_id="Kestrel / single-mode fixed",
        since=NOW - timedelta(days=6),
        until=NOW,
        severity="act",
        summary="Kestrel, single-mode fixed: loss rose from 0.040 to 0.064 dB a splice (+60%).",
        evidence={"loss_before_db": 0.04, "loss_since_db": 0.064, "ratio": 1.6, "alarms": 1},
        next_step="Run the arc check, then splice three test pairs.",
        assessed_on=NOW,
        onset=Onset(NOW - timedelta(days=9), NOW - timedelta(days=11), NOW - timedelta(days=8)),
        likely_causes=(
            Cause("Arc check missed", "two workdays without a check just before", 0.7),
            Cause("V-grooves", "cleaned 19 days ago", 0.3),
        ),
    )
    missed = Finding(
        kind="check-missed",
        subject_type="splicer",
        subject_id="Kestrel",
        since=NOW - timedelta(days=3),
        until=NOW - timedelta(days=2),
        severity="watch",
        summary="Kestrel: no arc check on 2 of 5 workdays.",
        evidence={"splices_without_check": 40},
        next_step="Run the arc check before the first splice.",
        assessed_on=NOW,
    )
    gap = Finding(
        kind="readings-gap",
        subject_type="site",
        subject_id="Harbor",
        since=NOW - timedelta(days=20),
        until=NOW - timedelta(days=19),
        severity="note",
        summary="Harbor: no air reading for 26 hours.",
        evidence={"hours": 26.0},
        next_step="Look at the logger's battery.",
        assessed_on=NOW,
    )
    return [raised, missed, gap]


NAMING = replace(
    findings()[0],
    kind="loss-scattered",
    summary="Kestrel, in the hands of Alder: the loss rose.",
    next_step="Ask Birch what changed.",
    likely_causes=(Cause("V-grooves", "in the hands of Cedar", 1.0),),
    evidence={"also_seen": ["Birch: loss"], "rows": {"Alder": 3}},
)
"""A finding that names people wherever it can."""


def finding_rows(found: Sequence[Finding]) -> pd.DataFrame:
    """Return findings as they are stored."""
    return pd.DataFrame(
        [
            {
                "id": finding.id,
                "kind": finding.kind,
                "subject_type": finding.subject_type,
                "subject_id": finding.subject_id,
                "since": pd.Timestamp(finding.since),
                "until": pd.Timestamp(finding.until),
                "severity": finding.severity,
                "document": json.dumps(finding.to_json()),
            }
            for finding in found
        ]
    )
