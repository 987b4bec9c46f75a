"""Rows set aside are mended in place and tried again; conflicts are decided side by side."""

from pathlib import Path
from typing import Any

import pytest
from dash import Dash
from sqlalchemy import Engine

from arcdrift.errors import UsageError
from arcdrift.people import Viewer
from arcdrift.store.imports.set_aside_rows import read_conflicting, read_quarantined
from arcdrift.store.records.record_rows import read_records
from dashboard.pages.records.conflicts import conflicts_card, decide
from dashboard.pages.records.set_aside import give_up, set_aside_card, try_again
from dashboard.reading.data import CrewData
from dashboard.uploads.upload import Sender
from tests.dashboard.rendering import parts, text
from tests.dashboard.uploads.sending import ROWS, ended, log_text, send, uploads_of

LENA = Sender("Lena")


def grid_of(data: CrewData, number: int) -> list[dict[str, Any]]:
    shown = parts(set_aside_card(data, {"mend": str(number)}))
    return next(part.rowData for part in shown if type(part).__name__ == "AgGrid")


def settle(app: Dash) -> Any:
    (upload, *_) = uploads_of(app).of("")
    return ended(app, _Sent(upload.token))


class _Sent:
    status_code = 202

    def __init__(self, token: str) -> None:
        self.json = {"token": token}

    def get_data(self, *, as_text: bool) -> str:
        return str(as_text)


def test_a_row_is_mended_in_place(app: Dash, folder: Path, engine: Engine) -> None:
    wrong = ROWS[2].replace("single-mode", '"single-mode, fixed"')
    ended(app, send(app, "monday.csv", log_text(ROWS[0], wrong, "Heron,never,0.02,done,,")))
    data = CrewData(folder)
    card = text(set_aside_card(data, {}))
    assert "2 rows could not be read as they stand" in card
    assert "Estimated loss 'lots' is not a number" in card
    (number,) = data.imports()["id"]
    grid = grid_of(data, number)
    assert [row["cell2"] for row in grid] == ["lots", "0.02"]
    assert grid[0]["cell5"] == "single-mode, fixed"
    grid[0]["cell2"] = "0.04"
    said = try_again(data, uploads_of(app), number, grid, LENA)
    assert "2 rows of monday.csv tried again" in said
    report = settle(app).reports[0]
    assert (report.balance.accepted, report.mended) == (1, 1)
    stored = read_records(engine, "splices").set_index("loss_db")
    assert stored.loc[0.04, "program"] == "single-mode, fixed"
    assert read_quarantined(engine)["raw"].tolist() == ["Heron,never,0.02,done,,"]
    # somebody with the page from before is told
    with pytest.raises(UsageError, match="set aside no longer"):
        try_again(data, uploads_of(app), number, grid[:1], LENA)


def test_a_formula_in_a_cell_stays_what_was_typed(
    app: Dash,
    folder: Path,
    engine: Engine,
) -> None:
    ended(app, send(app, "monday.csv", log_text(ROWS[2])))
    data = CrewData(folder)
    (number,) = data.imports()["id"]
    (row,) = grid_of(data, number)
    row |= {"cell2": "0.05", "cell4": "=SUM(1)", "cell5": None}
    try_again(data, uploads_of(app), number, [row], LENA)
    assert settle(app).reports[0].balance.accepted == 1
    assert read_records(engine, "splices")["technician"].tolist() == ["=SUM(1)"]


def test_rows_are_given_up_with_a_name_and_a_reason(
    app: Dash,
    folder: Path,
    engine: Engine,
) -> None:
    ended(app, send(app, "monday.csv", log_text(*ROWS)))
    data = CrewData(folder)
    (number,) = data.imports()["id"]
    grid = grid_of(data, number)
    for why, by, words in (("", "Lena", "why these rows"), ("broken", "", "who you are")):
        with pytest.raises(UsageError, match=words):
            give_up(data, number, grid, why, by)
    assert "1 row given up by Lena: broken." in give_up(data, number, grid, "broken", "Lena")
    assert read_quarantined(engine).empty
    closed = read_quarantined(engine, closed=True)
    assert closed[["closed_who", "closed_why"]].values.tolist() == [["Lena", "broken"]]
    assert "No row is set aside" in text(set_aside_card(data, {}))


@pytest.mark.parametrize(("choice", "loss"), [("old", 0.02), ("new", 0.07)])
def test_a_conflict_is_decided_side_by_side(
    app: Dash,
    folder: Path,
    engine: Engine,
    choice: Any,
    loss: float,
) -> None:
    at = "2026-03-02T08:10:07Z"  # to the second, so that it is one event
    row = ROWS[0].replace("2026-03-02T08:10:00Z", at)
    ended(app, send(app, "monday.csv", log_text(row, ROWS[1].replace(":00Z", ":11Z"))))
    ended(app, send(app, "again.csv", log_text(row.replace("0.02", "0.07"))))
    data = CrewData(folder)
    shown = " ".join(text(conflicts_card(data)).split())
    assert "Heron, 2 Mar 2026, 09:10" in shown
    assert "loss_db 0.02 0.07" in shown
    (number,) = read_conflicting(engine)["id"]
    with pytest.raises(UsageError, match="who you are"):
        decide(data, number, choice, "")
    trainee = data.seen_by(Viewer("technician", "Birch"))
    with pytest.raises(UsageError, match="Only a trainer may decide what counts"):
        decide(trainee, number, choice, "Birch")
    decide(data, number, choice, "Lena")
    assert conflicts_card(data) is None
    assert loss in set(read_records(engine, "splices")["loss_db"])
    with pytest.raises(UsageError, match="was decided before"):
        decide(data, number, choice, "Lena")
