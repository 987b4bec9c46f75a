"""Air from open sources at the command line: what is told, and that it reaches the checks."""

import re
from pathlib import Path
from typing import Any

import pytest

from arcdrift.air.air_join import join_air
from arcdrift.settings import load_crew
from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_rows import read_records

STATION = """
[sites."Moor"]
elevation_m = 412
station = "ENXX"

[sites."Fen"]
station = "ENXX"
"""
REPORTS = """\
METAR ENXX 040620Z 24008KT CAVOK 12/08 Q1013=
METAR ENYY 040620Z 24008KT CAVOK 12/08 Q1013=
METAR ENXX 040650Z 24008KT CAVOK 13/08 Q1013=
"""
HOURS = """\
time,temp,dwpt,rhum,pres
2026-05-04 06:00:00,12.0,8.0,76,1013.2
"""


def said(done: Any, begin: str) -> list[str]:
    text = re.sub(r"\s+", " ", done.out)
    return re.findall(rf"{re.escape(begin)}: (.*?\.)(?= |$)", text)


def settings(crew: Path, more: str) -> None:
    path = crew / "crew.toml"
    path.write_text(path.read_text() + more)


def test_reports_that_serve_no_site_or_lack_an_elevation_are_told(
    crew: Path, arcdrift: Any
) -> None:
    settings(crew, STATION)
    (crew / "metar-2026-05.txt").write_text(REPORTS)
    done = arcdrift("import", "metar-2026-05.txt")
    assert done.code == 0
    assert said(done, "metar-2026-05.txt") == [
        "the readings of 1 weather station (ENYY) serve no site; name a station in crew.toml, as "
        'station = "ENYY" under its site.',
        "the pressure of 2 readings of ENXX for Fen is not used: the weather station has no "
        "elevation_m in crew.toml.",
        "the pressure of 2 readings of ENXX for Moor is not used: the weather station has no "
        "elevation_m in crew.toml.",
    ]


def test_nothing_is_told_where_all_air_is_used(crew: Path, arcdrift: Any) -> None:
    settings(crew, STATION.replace('[sites."Fen"]\nstation = "ENXX"\n', "")
             + "[stations.ENXX]\nelevation_m = 250\n")  # fmt: skip
    (crew / "metar-2026-05.txt").write_text(
        REPORTS.replace("ENYY", "ENXX").replace("0620", "0600", 1)
    )
    done = arcdrift("import", "metar-2026-05.txt")
    assert said(done, "metar-2026-05.txt") == []
    assert arcdrift("import", "metar-2026-05.txt", "--json").data[0]["already_stored"] == 3


def test_a_file_of_an_archive_is_of_the_site_in_its_name(crew: Path, arcdrift: Any) -> None:
    (crew / "harbor.csv").write_text(HOURS)
    done = arcdrift("import", "harbor.csv")
    assert done.sentence == "harbor.csv is read with the layout meteostat-time.toml."
    assert said(done, "harbor.csv") == []
    (crew / "weather.csv").write_text(HOURS)
    done = arcdrift("import", "weather.csv")
    assert done.code == 3
    assert "such as Harbor-weather.csv" in done.err


def test_checks_get_the_air_of_their_sites_station(crew: Path, arcdrift: Any) -> None:
    settings(crew, "[stations.ENXX]\nelevation_m = 12\n")
    path = crew / "crew.toml"
    path.write_text(
        path.read_text().replace("elevation_m = 12", 'elevation_m = 12\nstation = "ENXX"', 1)
    )
    day = "".join(
        f"METAR ENXX 05{hour:02d}50Z 24008KT CAVOK {hour:02d}/03 Q1013=\n" for hour in range(24)
    )
    (crew / "metar-2026-05.txt").write_text(day)
    logs = ("arc-checks.csv", "splices.csv", "metar-2026-05.txt")
    assert arcdrift("import", *logs).code == 0
    engine, settled = open_store(crew), load_crew(crew)
    air = join_air(
        read_records(engine, "arc-checks"), read_records(engine, "readings"), settled, "checked_at"
    )
    # the check at 10:00 in Oslo is ten minutes after the report of 07:50 UTC; the others are of
    # another day. ISO 2533: QNH 1013 is 1011.56 hPa at 12 m
    assert air["temperature_c"].dropna().tolist() == [7.0]
    assert air["station_pressure_hpa"].dropna().tolist() == pytest.approx([1011.56], abs=0.01)
    assert air["air_source"].dropna().tolist() == ["weather station"]
    assert air["air_age_min"].dropna().tolist() == [10.0]
