"""A store that lacks whole kinds of records is reviewed with what there is."""

from pathlib import Path

import pytest

from arcdrift.analysis.review.review import review
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

CREW = Crew(name="Invented", time_zone="Europe/Oslo")
FILES = {
    "bare splices": "splicer,spliced_at,loss_db\nHeron,2025-03-01 10:00,0.01\n"
    "Heron,2025-03-01 10:05,0.02\n",
    "failed splices": "splicer,spliced_at,loss_db,outcome,technician\n"
    "Plover,2025-03-02 10:00:01,0.01,error,\nPlover,2025-03-02 10:05:02,0.02,redo,Alder\n",
    "practice": "splicer,spliced_at,loss_db,purpose\nTern,2025-03-01 10:00,0.01,practice\n",
    "checks": "splicer,checked_at,outcome,arc_setting\nKestrel,2025-03-01 07:00,pass,10\n"
    "Kestrel,2025-03-02 07:00,fail,\nHeron,2025-03-01 07:00,pass,10\n",
    "service": "asset,serviced_at,action\nHeron,2025-03-01 08:00,electrodes replaced\n"
    "Nobody's,2025-03-01 08:00,cleaned\n",
}


@pytest.mark.parametrize(
    ("names", "splicers", "splices", "checks"),
    [
        pytest.param(["bare splices"], 1, 2, 0, marks=pytest.mark.long),
        (["checks", "service"], 2, 0, 3),
        pytest.param(["practice"], 1, 1, 0, marks=pytest.mark.long),
        pytest.param(["failed splices", "checks"], 3, 2, 3, marks=pytest.mark.long),
        pytest.param(list(FILES), 4, 5, 3, marks=pytest.mark.long),
    ],
)
def test_what_is_there_is_reviewed(
    tmp_path: Path, names: list[str], splicers: int, splices: int, checks: int
) -> None:
    engine = empty_store(tmp_path)
    for name in names:
        path = tmp_path / f"{name}.csv"
        path.write_text(FILES[name], encoding="utf-8")
        import_file(engine, CREW, path)
    done = review(engine, CREW)
    assert (done.splicers, done.splices, done.checks) == (splicers, splices, checks)
    missed = {one.subject_id for one in done.findings if one.kind == "check-missed"}
    worked = {"bare splices": "Heron", "practice": "Tern", "failed splices": "Plover"}
    checked = {"Heron"} if "checks" in names else set()
    assert missed == {worked[name] for name in names if name in worked} - checked
