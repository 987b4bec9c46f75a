"""Which events stand on whose loss chart."""

from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from arcdrift.store import schema
from arcdrift.store.database import insert_rows
from arcdrift.store.database.connect import open_store, writing
from dashboard.events import events_of
from dashboard.reading.data import CrewData
from tests.dashboard.invented import CREW_TOML, write_crew
from tests.dashboard.rendering import parts, shown, whole

SERVICE = pd.DataFrame(
    [
        ("Heron", "Heron", "2026-05-04 06:00", "cleaned"),
        ("Heron", "Heron", "2026-05-20 06:00", "electrodes replaced"),
        ("C1", "Heron", "2026-05-21 06:00", "blade rotated"),
        ("C1", "Kestrel", "2026-05-21 06:00", "blade rotated"),
        ("Kestrel", "Kestrel", "2026-05-22 06:00", "v-grooves cleaned"),
    ],
    columns=["asset", "splicer", "at", "action"],
).assign(at=lambda rows: pd.to_datetime(rows["at"]).astype("datetime64[us]"))
WORKED = pd.DataFrame(
    [("Heron", "2026-05-01", "Pass"), ("Heron", "2026-05-18", "Harbor"),
     ("Kestrel", "2026-05-01", "Pass"), ("Kestrel", "2026-05-25", "Harbor")],
    columns=["splicer", "day", "site"],
)  # fmt: skip
DAYS = {
    "Alder": [("Heron", "2026-05-01"), ("Heron", "2026-05-26"), ("Kestrel", "2026-06-01")],
    "Birch": [("Heron", "2026-05-01"), ("Heron", "2026-05-02"), ("Kestrel", "2026-05-03")],
}


def worked_by(name: str) -> pd.DataFrame:
    return pd.DataFrame(DAYS.get(name, []), columns=["splicer", "day"])


DATA = SimpleNamespace(
    all_service=lambda: SERVICE, result=lambda table: WORKED, worked_by=worked_by
)


@pytest.mark.parametrize(
    ("kind", "name", "told"),
    [
        ("splicer", "Heron", ["cleaned Heron", "electrodes replaced Heron", "blade rotated C1"]),
        ("stream", "Kestrel / single-mode adaptive",
         ["blade rotated C1", "v-grooves cleaned Kestrel"]),
        # a machine is where it was last used
        ("site", "Harbor", ["electrodes replaced Heron", "blade rotated C1"]),
        ("site", "Pass", ["cleaned Heron", "blade rotated C1", "v-grooves cleaned Kestrel"]),
        ("crew", "crew", ["cleaned Heron", "electrodes replaced Heron", "blade rotated C1",
                          "v-grooves cleaned Kestrel"]),
        # Alder came back to Heron within a week of its service, and to Kestrel for the first time
        ("technician", "Alder", ["electrodes replaced Heron", "blade rotated C1",
                                 "first day on another splicer Kestrel"]),
        # two splicers in the first days on record are no change of hands
        ("technician", "Birch", []),
        ("technician", "Nobody", []),
    ],
)  # fmt: skip
def test_events_of_a_chart_are_of_its_machines(kind, name, told):
    found = events_of(DATA, kind, name)
    assert list(found["action"] + " " + found["asset"]) == told
    assert found["at"].is_monotonic_increasing


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A crew whose cleaver C1, used with Heron, had its blade replaced at 22:30 UTC."""
    folder = write_crew(tmp_path_factory.mktemp("served"))
    blade = pd.DataFrame(
        {"import_id": 1, "line": [9], "asset": ["C1"], "action": ["blade replaced"],
         "serviced_at": pd.to_datetime(["2025-06-01 22:30"], utc=True),
         "remark": ["done by Birch"]}
    )  # fmt: skip
    engine = open_store(folder)
    with writing(engine) as connection:
        insert_rows.add_rows(connection, schema.RECORDS["service"], blade)
    engine.dispose()
    return folder


def test_blades_are_told_of_the_splicer_they_were_used_with_in_its_local_time(served: Path):
    blade = CrewData(served).all_service().query("asset == 'C1'")
    assert list(blade["splicer"]) == ["Heron"]
    assert list(blade["at"]) == [pd.Timestamp("2025-06-02 00:30")]  # Oslo, summer


def marks(data: CrewData, query: str) -> list[str]:
    """What the event marks of the first chart say."""
    figure = next(
        part.figure for part in parts(whole(data, "/loss", query)[0])
        if hasattr(part, "figure")
    )  # fmt: skip
    traces = figure["data"] if isinstance(figure, dict) else figure.to_plotly_json()["data"]
    return [str(told) for one in traces if one.get("yaxis") == "y2" for told in one["customdata"]]


def test_loss_charts_of_the_crew_and_of_a_person_are_marked(served: Path):
    data = CrewData(served)
    assert marks(data, "") == [
        "20 May 2025<br>electrodes replaced: Heron",
        "2 Jun 2025<br>blade replaced: C1",
        "25 May 2025<br>v-grooves cleaned: Kestrel",
    ]
    words = "electrodes replaced (1), blade replaced (1), v-grooves cleaned (1)."
    assert f"Marks along the top: {words}" in shown(data, "/loss")
    assert marks(data, "?subject=technician:Birch") == ["25 May 2025<br>v-grooves cleaned"]


def test_marks_of_machines_tell_nothing_of_people(served: Path, tmp_path: Path):
    (tmp_path / "crew.toml").write_text(CREW_TOML + "[prep]\nperson_pages = false\n")
    (tmp_path / "arcdrift.db").write_bytes((served / "arcdrift.db").read_bytes())
    data = CrewData(tmp_path)
    for query in ("", "?subject=crew:crew", "?splicer=Heron&program=single-mode+adaptive"):
        told = marks(data, query)
        assert any("blade replaced" in one for one in told)
        assert not any("Birch" in one for one in told)
    assert data.worked_by("Birch").empty
    assert events_of(data, "technician", "Birch").empty
