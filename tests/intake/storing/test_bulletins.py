"""Files of METAR and SPECI reports into the store and out of the quarantine."""

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from arcdrift.air.prepared_readings import prepare_readings
from arcdrift.errors import BadInput
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.storing.quarantine_export import export
from arcdrift.settings import Crew
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.imports.set_aside_rows import read_conflicting, read_quarantined
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import empty_store

pytestmark = both_stores

NOW = datetime(2026, 12, 5, tzinfo=UTC)
CREW = Crew.model_validate(
    {
        "name": "Invented",
        "sites": {"Moor": {"elevation_m": 412, "station": "ENXX"}},
        "stations": {"ENXX": {"elevation_m": 250}},
    }
)
SAMPLE = Path(__file__).parents[3] / "data" / "bulletins" / "metar-2026-11.txt"


@pytest.fixture
def bring(tmp_path):
    def bring(content, name="metar-2026-11.txt", **options):
        path = tmp_path / name
        path.write_text(content)
        return import_file(bring.engine, CREW, path, now=NOW, **options)

    bring.engine = empty_store(tmp_path)
    return bring


def outcome(report):
    balance = report.balance
    return (balance.accepted, balance.already_stored, balance.conflicting, balance.quarantined)


@daily_on_postgresql
def test_the_sample_is_accounted_for_line_by_line(bring):
    report = bring(SAMPLE.read_text())
    assert report.kind == "readings"
    assert (report.balance.lines, report.balance.rows) == (23, 14)
    assert outcome(report) == (7, 1, 0, 6)
    rows = read_quarantined(bring.engine)
    assert list(zip(rows["line"], rows["code"], strict=True)) == [
        (9, "report-nil"),
        (12, "report-corrected"),
        (18, "report-date-unclear"),
        (19, "report-group-unreadable"),
        (20, "report-groups-differ"),
        (21, "report-unreadable"),
    ]
    assert rows["raw"][3] == "METAR ENXX 300120Z 24008KT 9999 07/03Q1009="
    stored = read_records(bring.engine, "readings")
    assert stored["station"].value_counts().to_dict() == {
        "ENXX": 3,
        "ENYY": 2,
        "ENZZ": 1,
        "KXXX": 1,
    }
    again = bring(SAMPLE.read_text())
    assert outcome(again) == (0, 14, 0, 0)


def test_the_air_of_the_site_follows_from_qnh_and_both_elevations(bring):
    bring("METAR ENXX 300020Z 24008KT CAVOK 12/08 Q1013=\n")
    air = prepare_readings(read_records(bring.engine, "readings"), CREW)
    # by hand, hypsometric: QNH 1013 is 983.33 hPa at 250 m (ISO 2533); the virtual temperature of
    # the 162 m above is 285.80 K: 983.33 exp(-9.80665 * 162 / (287.05 * 285.80)) = 964.47 hPa
    assert air["station_pressure_hpa"].tolist() == pytest.approx([964.47], abs=0.05)
    # Magnus: e(8) 10.716 hPa over e(12) 14.000 hPa
    assert air["humidity_pct"].tolist() == pytest.approx([76.5], abs=0.1)
    assert air["site"].tolist() == ["Moor"]


def test_an_undated_report_is_kept_apart_and_can_be_corrected(bring, tmp_path):
    report = bring("METAR ENXX 300020Z 24008KT CAVOK 12/08 Q1013=\n", "ENXX.txt")
    assert outcome(report) == (0, 0, 0, 1)
    text = export(read_quarantined(bring.engine), ("report",), None)
    corrected = text.replace("METAR ENXX", "2026-11-30 METAR ENXX")
    assert corrected != text
    path = tmp_path / "rows.csv"
    path.write_text(corrected)
    mended = import_file(bring.engine, CREW, path, now=NOW)
    assert (outcome(mended), mended.mended) == ((1, 0, 0, 0), 1)
    assert read_quarantined(bring.engine).empty
    stored = read_records(bring.engine, "readings")
    assert stored["read_at"].tolist() == [pd.Timestamp("2026-11-30 00:20", tz="UTC")]


def test_the_same_report_from_two_archives_is_one_reading(bring):
    bring("METAR ENXX 300020Z 24008KT CAVOK 12/08 Q1013=\n")
    line = "ENXX,2026,11,30,00,20,METAR ENXX 300020Z 24008KT CAVOK 12/08 Q1013=\n"
    assert outcome(bring(line, "ENXX.csv")) == (0, 1, 0, 0)


def test_a_correction_in_another_file_is_a_question(bring):
    first = bring("METAR ENXX 300020Z 24008KT CAVOK 12/08 Q1013=\n")
    later = bring("METAR COR ENXX 300020Z 24008KT CAVOK 13/08 Q1013=\n", "later-2026-11.txt")
    assert outcome(later) == (0, 0, 1, 0)
    assert read_conflicting(bring.engine)["raw"].str.contains("COR").all()
    undo_import(bring.engine, first.import_id)
    assert read_records(bring.engine, "readings")["temperature_c"].tolist() == [13.0]


def test_reports_of_the_future_are_kept_apart(bring):
    report = bring("METAR ENXX 200020Z 24008KT CAVOK 12/08 Q1013=\n", "metar-2026-12.txt")
    assert [group.code for group in report.problems] == ["time-in-future"]


def test_a_bulletin_of_another_kind_is_refused(bring):
    with pytest.raises(BadInput, match="holds weather reports, which are readings"):
        bring("METAR ENXX 300020Z 24008KT CAVOK 12/08 Q1013=\n", kind="splices")
