"""Files sent in from a browser: every row accounted for, questions answered, limits kept."""

import io
import time
import zipfile
from pathlib import Path

import pytest
from dash import Dash
from sqlalchemy import Engine

from arcdrift.errors import UsageError
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.records.record_rows import read_records
from dashboard.pages.records.file_list import undo, visible_imports
from dashboard.pages.records.upload_list import open_part, preview_part
from dashboard.reading.data import CrewData
from dashboard.uploads import uploads as module
from tests.dashboard.rendering import text
from tests.dashboard.uploads.sending import (
    HOME,
    OPEN,
    ROWS,
    ended,
    log_text,
    send,
    told,
    uploads_of,
)


def test_every_row_of_a_file_is_accounted_for(app: Dash, engine: Engine) -> None:
    ended(app, send(app, "march/monday.csv", log_text(*ROWS), by="Lena"))
    words = " ".join(told(app).split())
    assert "march/monday.csv, splices. 3 rows: 2 new, 1 set aside." in words
    assert "Line 4: Estimated loss 'lots' is not a number" in words
    imports = read_imports(engine)
    assert imports["imported_by"].tolist() == ["Lena"]
    assert len(read_records(engine, "splices")) == 2
    ended(app, send(app, "monday.csv", log_text(*ROWS)))
    assert "3 rows: 3 known already." in " ".join(told(app).split())


def test_an_archive_is_unpacked_and_what_is_no_log_is_said(app: Dash, engine: Engine) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("one.csv", log_text(ROWS[0]))
        archive.writestr("two.csv", log_text(ROWS[1]))
        archive.writestr("readme.md", "nothing")
        archive.writestr("../out.csv", log_text(ROWS[1]))
    upload = ended(app, send(app, "week.zip", packed.getvalue()))
    assert [report.file for report in upload.reports] == ["week.zip/one.csv", "week.zip/two.csv"]
    assert "points out of the archive" in " ".join(upload.problems)
    assert len(read_records(engine, "splices")) == 2
    assert not list(Path(upload.path).parent.glob("*"))  # the copy is gone


def test_what_is_open_is_asked_with_the_first_rows_and_answered(
    app: Dash, engine: Engine, folder: Path
) -> None:
    answer = send(app, "north.csv", OPEN.encode())
    upload = ended(app, answer)
    assert upload.state == "open"
    assert "How are dates such as 03/04/2026 08:10 to be read?" in str(open_part([upload]))
    assert read_imports(engine).empty
    token = answer.json["token"]
    (question,) = upload.questions
    month, day = (
        next(one.answer for one in question.options if words in one.label.lower())
        for words in ("month", "day")
    )
    for chosen, first in ((month, "2026-03-04 07:10:00"), (day, "2026-04-03 06:10:00")):
        draft, rows = uploads_of(app).preview(token, "", {question.key: chosen})
        assert first in text(preview_part(draft, rows))
    uploads_of(app).answer(token, "", {question.key: day})
    assert ended(app, answer).state == "done"
    stored = read_records(engine, "splices")
    assert stored["spliced_at"].dt.strftime("%m-%d %H:%M").tolist() == [
        "04-03 06:10",
        "04-03 06:20",
    ]
    # it holds for later files with these headers
    later = ended(app, send(app, "south.csv", OPEN.replace("08:", "09:").encode()))
    assert (later.state, later.reports[0].balance.accepted) == ("done", 2)
    assert list((folder / "layouts").glob("*.toml"))
    with pytest.raises(UsageError, match="Nothing is open"):
        uploads_of(app).answer(token, "", {})


def test_a_file_that_is_left_out_leaves_nothing(app: Dash, engine: Engine) -> None:
    answer = send(app, "north.csv", OPEN.encode())
    upload = ended(app, answer)
    assert upload.path.exists()
    uploads_of(app).give_up(answer.json["token"], "")
    assert not upload.path.exists()
    assert uploads_of(app).of("") == []
    assert read_imports(engine).empty


def test_a_file_that_is_none_is_refused_in_a_sentence(app: Dash) -> None:
    upload = ended(app, send(app, "photo.jpg", b"\xff\xd8\xff\xe0" + bytes(range(256)) * 40))
    assert upload.state == "done"
    assert upload.problems
    assert "Traceback" not in told(app)
    empty = ended(app, send(app, "empty.csv", b""))
    assert empty.problems


def test_a_file_that_unpacks_to_too_much_is_refused(
    app: Dash, monkeypatch: pytest.MonkeyPatch
) -> None:
    import gzip

    monkeypatch.setattr(module, "MAX_UNPACKED_BYTES", 1000)
    upload = ended(app, send(app, "bomb.csv.gz", gzip.compress(log_text(*ROWS * 100))))
    assert "unpacks to more than" in " ".join(upload.problems)


def test_a_body_that_is_too_large_is_refused(app: Dash) -> None:
    app.server.config["MAX_CONTENT_LENGTH"] = 1000
    answer = send(app, "big.csv", log_text(*ROWS * 100))
    assert answer.status_code == 413
    assert "larger than the dashboard takes at once" in answer.get_data(as_text=True)


def test_nobody_sends_more_than_some_at_a_time(app: Dash, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_OPEN", 1)
    ended(app, send(app, "north.csv", OPEN.encode()))
    answer = send(app, "south.csv", OPEN.encode())
    assert answer.status_code == 400
    assert "wait already" in answer.json["problem"]


def test_a_page_of_another_address_cannot_send_files(app: Dash) -> None:
    answer = app.server.test_client().post(
        "/records/files?name=x.csv", data=log_text(*ROWS), base_url="http://127.0.0.1:8050",
        headers=HOME | {"Origin": "http://elsewhere.example"},
    )  # fmt: skip
    assert answer.status_code == 403


def test_the_results_follow_once_all_files_are_in(app: Dash, folder: Path) -> None:
    ended(app, send(app, "one.csv", log_text(*ROWS[:2])))
    for _ in range(600):
        if not uploads_of(app).is_busy(""):
            break
        time.sleep(0.1)
    run = CrewData(folder).run()
    assert uploads_of(app).analysis_failed == ""
    assert run is not None
    assert run.splices == 2


def test_an_import_is_undone(app: Dash, folder: Path, engine: Engine) -> None:
    ended(app, send(app, "one.csv", log_text(*ROWS)))
    data = CrewData(folder)
    (number,) = visible_imports(data)["id"]
    assert "taken back" in undo(data, number)
    assert read_records(engine, "splices").empty
    with pytest.raises(UsageError, match="was undone before"):
        undo(data, number)
    with pytest.raises(UsageError, match="not yours"):
        undo(data, 99)
