"""Files that cannot be used as a whole: one sentence each, and nothing stored."""

from datetime import UTC, datetime

import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store.results.store_versions import store_version
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = [both_stores, pytest.mark.usefixtures("_reads_every_row")]

CREW = Crew(name="Invented", time_zone="Europe/Oslo")
NOWHERE = Crew(name="Invented")
SPLICES = "splicer,spliced_at,loss_db\n"
READINGS = "read_at,site,{}\n"


@pytest.fixture(scope="module")
def engine(store_database, tmp_path_factory):
    return empty_store(tmp_path_factory.mktemp("crew"))


def readings(column, *values):
    rows = (f"2025-03-01 {n:02}:00,Harbor,{value}\n" for n, value in enumerate(values))
    return READINGS.format(column) + "".join(rows)


@pytest.mark.parametrize(
    ("content", "kind", "crew", "sentence"),
    [
        pytest.param("", None, CREW, "log.csv is empty.", id="empty"),
        pytest.param(SPLICES, None, CREW, "log.csv has a header but no rows.", id="headers only"),
        pytest.param(
            SPLICES + "\n,,\n", None, CREW, "log.csv has a header but no rows.", id="blank rows"
        ),
        pytest.param(
            "one,two\n1,2\n",
            None,
            CREW,
            "log.csv is not recognized: it comes nearest to arc-checks, but has no column splicer "
            "and no column checked_at and no column outcome; rename its headers or give a layout.",
            id="foreign headers",
        ),
        pytest.param(
            "splicer,spliced_at,loss_db,cleave_lft_deg\nHeron,2025-03-01 10:00,0.03,1\n",
            None,
            CREW,
            "log.csv is a file of splices, but its column 'cleave_lft_deg' is not known (the "
            "nearest is cleave_left_deg); rename it, or give a layout that leaves it out.",
            id="unknown header",
        ),
        pytest.param(
            "Splicer,splicer,spliced_at,loss_db\na,b,2025-03-01 10:00,0.03\n",
            None,
            CREW,
            "The header of log.csv has the column 'splicer' more than once.",
            id="header twice",
        ),
        pytest.param(
            SPLICES + "Heron,2025-03-01 10:00,0.03\n",
            "readings",
            CREW,
            "log.csv is a file of splices, not of readings as asked.",
            id="another kind",
        ),
        pytest.param(
            SPLICES + "Heron,2025-03-01 10:00,0.03\n",
            None,
            NOWHERE,
            "The times in log.csv have no UTC offset and no time zone is known for Heron; set "
            "time_zone in crew.toml or in a layout.",
            id="no zone",
        ),
        pytest.param(
            readings("pressure_hpa", 29.5, 29.92, 30.1),
            None,
            CREW,
            "All 3 values of pressure_hpa in log.csv are 29.5..30.1, outside 450..1100 hPa (are "
            "they inHg?); give a layout that states the unit.",
            id="inches of mercury",
        ),
        pytest.param(
            readings("pressure_hpa", 101.3, 99.8, 100.2),
            None,
            CREW,
            "All 3 values of pressure_hpa in log.csv are 99.8..101.3, outside 450..1100 hPa (are "
            "they kPa?); give a layout that states the unit.",
            id="kilopascals",
        ),
        pytest.param(
            readings("temperature_c", 273.2, 280, 300),
            None,
            CREW,
            "All 3 values of temperature_c in log.csv are 273.2..300, outside -60..70 °C (are "
            "they kelvin?); give a layout that states the unit.",
            id="kelvin",
        ),
        pytest.param(
            readings("humidity_pct", -5, -6, -7),
            None,
            CREW,
            "All 3 values of humidity_pct in log.csv are -7..-5, outside 0..100 %; give a layout "
            "that states the unit.",
            id="no unit fits",
        ),
    ],
)
def test_a_file_that_cannot_be_used(engine, tmp_path, content, kind, crew, sentence):
    before = store_version(engine)
    path = tmp_path / "log.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        import_file(engine, crew, path, kind=kind, now=datetime(2025, 6, 1, tzinfo=UTC))
    assert str(caught.value) == sentence
    assert caught.value.exit_code == 3
    assert store_version(engine) == before


def test_a_missing_file_and_a_folder(engine, tmp_path):
    with pytest.raises(BadInput) as caught:
        import_file(engine, CREW, tmp_path / "absent.csv")
    assert str(caught.value) == f"{tmp_path / 'absent.csv'} does not exist; check the name."
    with pytest.raises(BadInput) as caught:
        import_file(engine, CREW, tmp_path)
    assert str(caught.value) == f"{tmp_path} is a folder; give the log files in it."


@pytest.mark.parametrize(
    "values",
    [
        (29.5, 30.1),  # two rows are no pattern
        (29.5, 30.1, 1003.0),
        (29.5, "", "", "", ""),  # the file is about something else
    ],
)
def test_rows_are_quarantined_when_the_file_is_not_at_fault(engine, tmp_path, values):
    path = tmp_path / "log.csv"
    path.write_text(readings("humidity_pct,pressure_hpa", *(f"50,{value}" for value in values)))
    balance = import_file(engine, CREW, path, now=datetime(2025, 6, 1, tzinfo=UTC)).balance
    assert balance.quarantined + balance.already_stored == sum(
        value in (29.5, 30.1) for value in values
    )
