"""A person's page: the splices behind each signature, and the form of the coaching log."""

import shutil
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.clock_bounds import ClockBounds
from arcdrift.errors import UsageError
from arcdrift.people import HIDDEN, People
from arcdrift.store import schema
from arcdrift.store.annotations.clock_shifts import set_shift
from arcdrift.store.database import insert_rows
from arcdrift.store.database.connect import open_store, writing
from dashboard.components import View
from dashboard.downloads import as_csv
from dashboard.pages import TABLES
from dashboard.pages.coaching.coaching_card import typed_note
from dashboard.reading.data import CrewData
from tests.dashboard.invented import CREW_TOML, write_crew
from tests.dashboard.invented_prep import AT, UNTIL
from tests.dashboard.rendering import parts, shown, text, whole

BIRCH = "?technician=Birch"
SAID = {"day": "2025-06-10", "topic": "cleaving", "note": "fiber laid flat", "by": "Lead"}


def splices() -> pd.DataFrame:
    """Birch on Heron: 30 fair ones, a run of 4 bad cleaves, practice, and some out of the time."""
    runs = [0.9] * 30 + [4.1, 5.5, 3.2, 4.4, 9.0, 9.0, 9.0]
    at = AT + pd.to_timedelta(np.arange(37) * 10, unit="min")
    frame = pd.DataFrame(
        {
            "import_id": 1, "line": range(5002, 5039), "splicer": "Heron",
            "spliced_at": pd.Series(at).astype("datetime64[us, UTC]"), "loss_db": 0.04,
            "outcome": "done", "technician": "Birch", "program": "single-mode adaptive",
            "site": "Harbor", "location": "tray 3", "cleave_left_deg": runs,
            "cleave_right_deg": 0.5, "cleaver": "C1", "blade_position": "7",
            "purpose": "production",
        }
    )  # fmt: skip
    frame.loc[34, "purpose"] = "practice"
    frame.loc[35, "spliced_at"] = AT - pd.Timedelta(days=1)
    frame.loc[36, "spliced_at"] = UNTIL + pd.Timedelta(hours=1)
    return frame


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_crew(tmp_path_factory.mktemp("birch"))
    engine = open_store(folder)
    with writing(engine) as connection:
        insert_rows.add_rows(connection, schema.RECORDS["splices"], splices())
    engine.dispose()
    return folder


@pytest.fixture(scope="module")
def birch(made: Path) -> CrewData:
    return CrewData(made)


def copied(made: Path, folder: Path, settings: str = "") -> CrewData:
    shutil.copytree(made, folder, dirs_exist_ok=True)
    (folder / "crew.toml").write_text(CREW_TOML + settings, encoding="utf-8")
    return CrewData(folder)


def rows(data: CrewData, kind: str, technician: str = "Birch") -> pd.DataFrame:
    run = data.run()
    assert run is not None
    view = View(data, run, {"technician": technician}, "light")
    return TABLES["person", f"splices-{kind}"](view)


def test_each_signature_shows_its_splices_what_matters_and_how_many_there_are(birch: CrewData):
    page = shown(birch, "/person", BIRCH)
    both = page[page.index("High angles on both sides") : page.index("Runs of bad cleaves")]
    assert "34 splices, 12 of them here" in both
    assert "First come the angles that pull it up most" in both
    runs = page[page.index("Runs of bad cleaves") :]
    assert "4 splices in all" in runs
    assert "an angle over 3° on a splicer in a day" in runs
    # the fourth of them, 33 x 10 min after 06:00 UTC, in Oslo
    assert (
        "14 Apr 2025, 13:30 Heron , single-mode adaptive 4.4° 0.5° 0.04 dB 4 C1, 7 tray 3" in runs
    )
    assert runs.index("13:30") < runs.index("13:20") < runs.index("13:00")
    bold = {
        text(part)
        for part in parts(whole(birch, "/person", BIRCH))
        if type(part).__name__ == "Strong"
    }
    assert {"4.1°", "5.5°", "3.2°", "4.4°"} <= bold
    links = [str(getattr(part, "href", "")) for part in parts(whole(birch, "/person", BIRCH))]
    assert "/csv/person/splices-cleave-run.csv?technician=Birch" in links


def test_the_csv_has_all_of_them_in_local_time_and_none_beyond_the_time(birch: CrewData):
    runs = rows(birch, "cleave-run")
    assert runs["cleave_left_deg"].tolist() == [4.4, 3.2, 5.5, 4.1]
    assert set(runs["time_zone"]) == {"Europe/Oslo"}
    assert set(runs["matters"]) == {"left angle"}
    both = rows(birch, "both-sides")
    assert len(both) == 34  # neither the practice nor the two outside
    assert both["cleave_left_deg"].max() == 5.5
    assert len(rows(birch, "dirt")) == 0  # no such pattern of hers
    assert "14 Apr" not in as_csv(rows(birch, "cleave-run", "Nobody"))


def test_splices_stand_at_the_time_a_clock_was_set_right_to(made: Path, tmp_path: Path):
    data = copied(made, tmp_path)
    engine = open_store(tmp_path)
    day = ClockBounds("Heron", AT.to_pydatetime(), (AT + pd.Timedelta(hours=8)).to_pydatetime())
    shift = pd.Timedelta(hours=1).to_pytimedelta()
    set_shift(engine, day, shift, said_by="Lead", why="summer time")
    engine.dispose()
    assert rows(data, "cleave-run")["spliced_at"].max() == pd.Timestamp("2025-04-14 14:30")


def test_records_kept_apart_for_a_wrong_clock_are_in_none(made: Path, tmp_path: Path):
    data = copied(made, tmp_path)
    engine = open_store(tmp_path)
    apart = {
        "splicer": "Heron", "starts_at": AT.value // 1000,
        "ends_at": (AT + pd.Timedelta(hours=8)).value // 1000, "since": 0, "until": 1,
        "splices": 34, "checks": 0, "days": 1,
    }  # fmt: skip
    with writing(engine) as connection:
        table = schema.RESULTS["result_clock_stretches"]
        connection.execute(table.insert().values(**apart))
    engine.dispose()
    assert rows(data, "cleave-run").empty
    assert "The splices behind it are no longer on record" in shown(data, "/person", BIRCH)


def test_names_follow_what_may_be_seen(made: Path, tmp_path: Path):
    data = copied(made, tmp_path / "a", "[prep]\npseudonyms = true\n")
    name = People(data.crew).shown("Birch")
    page = shown(data, "/person", f"?technician={name}")
    assert "4 splices in all" in page
    assert "Birch" not in page
    assert len(rows(data, "cleave-run", name)) == 4
    assert rows(data, "cleave-run", "Birch").empty
    data.add_note(name, **typed_note(SAID))
    assert "fiber laid flat" in shown(data, "/person", f"?technician={name}")
    with pytest.raises(UsageError, match="Nobody named Birch"):
        data.add_note("Birch", **typed_note(SAID))
    hidden = copied(made, tmp_path / "b", "[prep]\nperson_pages = false\n")
    assert rows(hidden, "cleave-run").empty
    with pytest.raises(UsageError, match="keeps figures about single people off screens"):
        hidden.add_note("Birch", **typed_note(SAID))
    assert HIDDEN in shown(hidden, "/person", BIRCH)


def test_a_note_is_written_shown_and_taken_back(made: Path, tmp_path: Path):
    data = copied(made, tmp_path)
    data.add_note("Birch", **typed_note(SAID))
    page = shown(data, "/person", BIRCH)
    assert "cleaving 10 Jun 2025, by Lead" in page
    assert "fiber laid flat" in page
    assert "Take back" in page
    assert "fiber laid flat" not in shown(data, "/person", "?technician=Alder")
    with pytest.raises(UsageError, match="There is no coaching note 1 here"):
        data.withdraw_note("Alder", 1)
    data.withdraw_note("Birch", 1)
    assert "fiber laid flat" not in shown(data, "/person", BIRCH)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"day": None}, "Give the day."),
        ({"day": "June"}, "The day is not a date"),
        ({"topic": " "}, "Say what was gone through"),
        ({"by": None}, "Say what was gone through"),
        ({"day": "2025-06-14"}, "2025-06-14 has not come yet"),  # now is the 13th
        ({"note": "x" * 2001}, "may be 2,000 characters long"),
    ],
)
def test_a_note_that_says_too_little_or_comes_too_soon_is_refused(birch, changed, said):
    with pytest.raises(UsageError, match=said):
        birch.add_note("Birch", **typed_note(SAID | changed))


def test_a_typed_note_is_what_was_said():
    told = typed_note(SAID)
    assert told["held_on"] == date(2025, 6, 10)
    assert (told["topic"], told["said_by"]) == ("cleaving", "Lead")
