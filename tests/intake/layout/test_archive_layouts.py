"""Layouts of public weather archives, each on a few invented rows in the form of its files."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.errors import BadInput
from arcdrift.intake.layout.archive_layouts import archive_layout, archive_layouts
from arcdrift.intake.layout.file_start import FileStart
from arcdrift.intake.layout.layout_match import fitting_layouts
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store.imports.set_aside_rows import read_quarantined
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

NOW = datetime(2026, 12, 1, tzinfo=UTC)
CREW = Crew.model_validate(
    {
        "name": "Invented",
        "sites": {
            "Harbor": {"elevation_m": 12, "station": "ENXX"},
            "North Hub": {"elevation_m": 300, "station": "99901"},
        },
        "stations": {"ENXX": {"elevation_m": 100}, "99901": {"elevation_m": 250}},
    }
)
SAMPLES = {
    "asos-archive": (
        "ENXX.csv",
        "#DEBUG: Format Typ -> comma\n"
        "station,valid,tmpf,dwpf,relh,drct,sknt,alti,mslp,metar\n"
        "ENXX,2026-11-30 00:20,53.60,46.40,76.47,240.00,8.00,29.92,M,ENXX 300020Z 12/08 A2992\n"
        "ENXX,2026-11-30 00:50,M,M,M,240.00,8.00,29.93,M,ENXX 300050Z A2993\n",
        [
            ("00:20", "ENXX", 12.0, None, 8.0, 1013.2076, "qnh"),
            ("00:50", "ENXX", None, None, None, 1013.5462, "qnh"),
        ],
    ),
    "isd-global-hourly": (
        "99901099999.csv",
        '"STATION","DATE","SOURCE","REPORT_TYPE","CALL_SIGN","TMP","DEW","SLP","REM"\n'
        '"99901","2026-11-30T00:20:00","4","FM-15","ENXX ","+0123,1","-0045,1","10132,1","MET"\n'
        '"99901","2026-11-30T00:50:00","4","FM-12","ENXX ","+0003,1","+9999,9","99999,9","SYN"\n'
        '"99901","2026-11-30T23:59:00","4","SOD  ","ENXX ","+9999,9","+9999,9","99999,9",""\n',
        [
            ("00:20", "99901", 12.3, None, -4.5, 1013.2, "sea-level"),
            ("00:50", "99901", 0.3, None, None, None, "sea-level"),
        ],
    ),
    "dwd-10-minutes": (
        "produkt_zehn_min_tu_20260531_20261130_99901.txt",
        "STATIONS_ID;MESS_DATUM;  QN;PP_10;TT_10;TM5_10;RF_10;TD_10;eor\n"
        "      99901;202611300020;    3; 985.3;  12.3;  11.0;  76.5;   8.2;eor\n"
        "      99901;202611300030;    3;  -999;  -1.2;  -1.0;  97.2;  -1.6;eor\n",
        [
            ("00:20", "99901", 12.3, 76.5, 8.2, 985.3, "station"),
            ("00:30", "99901", -1.2, 97.2, -1.6, None, "station"),
        ],
    ),
    "dwd-hourly-temperature": (
        "produkt_tu_stunde_20250501_20261130_99901.txt",
        "STATIONS_ID;MESS_DATUM;QN_9;TT_TU;RF_TU;eor\n"
        "      99901;2026113000;    3;  12.3;  76.0;eor\n",
        [("00:00", "99901", 12.3, 76.0, None, None, None)],
    ),
    "dwd-hourly-pressure": (
        "produkt_p0_stunde_20250501_20261130_99901.txt",
        "STATIONS_ID;MESS_DATUM;QN_8;   P;  P0;eor\n"
        "      99901;2026113000;    3; 1013.2; 983.4;eor\n",
        [("00:00", "99901", None, None, None, 983.4, "station")],
    ),
    "open-meteo-hourly": (
        "harbor-open-meteo-59.91N10.75E12m.csv",
        "latitude,longitude,elevation,utc_offset_seconds,timezone,timezone_abbreviation\n"
        "59.91,10.75,12.0,0,GMT,GMT\n\n"
        "time,temperature_2m (°C),relative_humidity_2m (%),surface_pressure (hPa),rain (mm)\n"
        "2026-11-30T00:00,12.3,76,1011.8,0.0\n"
        "2026-11-30T01:00,NaN,NaN,NaN,NaN\n",
        [
            ("00:00", "Harbor", 12.3, 76.0, None, 1011.8, "station"),
            ("01:00", "Harbor", None, None, None, None, "station"),
        ],
    ),
    "meteostat-hourly": (
        "99901.csv",
        "date,hour,temp,dwpt,rhum,prcp,snow,wdir,wspd,wpgt,pres,tsun,coco\n"
        "2026-11-30,0,12.3,8.2,76,,,240,15,,1013.2,,3\n"
        "2026-11-30,13,-1.2,,,,,240,15,,,,3\n",
        [
            ("00:00", "99901", 12.3, 76.0, 8.2, 1013.2, "sea-level"),
            ("13:00", "99901", -1.2, None, None, None, "sea-level"),
        ],
    ),
    "meteostat-time": (
        "north_hub.csv",
        "time,temp,dwpt,rhum,prcp,snow,wdir,wspd,wpgt,pres,tsun,coco\n"
        "2026-11-30 00:00:00,12.3,8.2,76.0,,,240.0,15.0,,1013.2,,3.0\n",
        [("00:00", "North Hub", 12.3, 76.0, 8.2, 1013.2, "sea-level")],
    ),
}


def written(tmp_path, archive):
    name, text, _ = SAMPLES[archive]
    path = tmp_path / name
    path.write_text(text)
    return path


def bring(engine, path, crew=CREW):
    layout = archive_layout(crew, FileStart(path, path.name))
    return import_file(engine, crew, path, layout=layout, now=NOW)


def test_every_archive_has_a_sample():
    assert [layout.name.removesuffix(".toml") for layout in archive_layouts()] == sorted(SAMPLES)


@pytest.mark.parametrize(
    "archive",
    [
        pytest.param(name, marks=pytest.mark.long) if number % 2 else name
        for number, name in enumerate(SAMPLES)
    ],
)
def test_rows_of_an_archive(tmp_path, archive):
    path = written(tmp_path, archive)
    fitting = fitting_layouts(archive_layouts(), FileStart(path, path.name))
    assert [layout.name for layout in fitting] == [f"{archive}.toml"]
    engine = empty_store(tmp_path)
    expected = SAMPLES[archive][2]
    report = bring(engine, path)
    assert (report.balance.accepted, report.balance.quarantined) == (len(expected), 0)
    stored = read_records(engine, "readings")
    assert stored["read_at"].dt.strftime("%H:%M").tolist() == [row[0] for row in expected]
    assert stored["read_at"].dt.strftime("%Y-%m-%d").unique().tolist() == ["2026-11-30"]
    place = stored["station"].fillna(stored["site"])
    assert place.tolist() == [row[1] for row in expected]
    columns = ["temperature_c", "humidity_pct", "dew_point_c", "pressure_hpa"]
    for number, column in enumerate(columns, 2):
        wanted = [float("nan") if row[number] is None else row[number] for row in expected]
        assert stored[column].tolist() == pytest.approx(wanted, abs=2e-4, nan_ok=True)
    reference = [None if pd.isna(value) else value for value in stored["pressure_reference"]]
    assert reference == [row[6] for row in expected]


def test_temperature_and_pressure_of_two_files_are_one_reading(tmp_path):
    engine = empty_store(tmp_path)
    for archive in ("dwd-hourly-temperature", "dwd-hourly-pressure"):
        report = bring(engine, written(tmp_path, archive))
        assert report.balance.conflicting == 0
    air = prepare_readings(read_records(engine, "readings"), CREW)
    assert air["site"].tolist() == ["North Hub"]
    # 983.4 hPa at 250 m, 50 m up in moist air of 12.3 degrees: hypsometric by hand, virtual
    # temperature 286.5 K: 983.4 exp(-9.80665 * 50 / (287.05 * 286.5)) = 977.55 hPa
    assert air["station_pressure_hpa"].tolist() == pytest.approx([977.55], abs=0.05)
    assert air["air_density"].notna().all()


def test_doubtful_values_of_the_database_are_kept_apart(tmp_path):
    name, text, _ = SAMPLES["isd-global-hourly"]
    path = tmp_path / name
    path.write_text(text.replace("+0123,1", "+0923,3"))
    engine = empty_store(tmp_path)
    assert bring(engine, path).balance.quarantined == 1
    assert read_quarantined(engine)["code"].tolist() == ["cell-not-parted"]


def test_a_file_in_another_time_zone_is_of_no_archive(tmp_path):
    name, text, _ = SAMPLES["open-meteo-hourly"]
    path = tmp_path / name
    path.write_text(text.replace("0,GMT,GMT", "3600,Europe/Oslo,GMT+1"))
    assert archive_layout(CREW, FileStart(path, path.name)) is None


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("weather.csv", "names no site or weather station of crew.toml; put one of them"),
        ("harbors.csv", "names no site or weather station"),
        ("Harbor-99901.csv", "names Harbor and 99901 of crew.toml"),
    ],
)
def test_a_file_without_a_place_needs_one_in_its_name(tmp_path, name, told):
    path = tmp_path / name
    path.write_text(SAMPLES["meteostat-hourly"][1])
    with pytest.raises(BadInput, match=told):
        archive_layout(CREW, FileStart(path, path.name))


def test_data_readme_lists_every_archive():
    text = (Path(__file__).parents[3] / "data" / "README.md").read_text(encoding="utf-8")
    table = text.split("## archives/")[1].split("\n## ")[0]
    listed = [
        name
        for row in re.findall(r"^\| ([\w, -]+) \|", table, re.MULTILINE)
        for name in row.split(", ")
    ]
    assert sorted(listed[1:]) == sorted(SAMPLES)  # after the head of the table


def test_the_layouts_are_found_beside_the_source():
    folder = Path(__file__).parents[3] / "data" / "archives"
    assert len(archive_layouts()) == len(list(folder.glob("*.toml")))
