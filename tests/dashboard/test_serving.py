"""The factory, its guards, its downloads, and errors that keep their detail to the log."""

import io
import logging
import re
from pathlib import Path

import pandas as pd
import pytest
from dash import Dash

from arcdrift.cli.json_log import log_to_file
from arcdrift.errors import BadInput, StoreTrouble
from dashboard import error_page, pages
from dashboard.app import create_app
from dashboard.downloads import as_csv


def test_a_folder_that_is_no_crew_is_refused(tmp_path: Path):
    with pytest.raises(BadInput, match="is not a crew folder"):
        create_app(tmp_path)


def test_pages_may_load_nothing_from_elsewhere(app: Dash):
    answer = app.server.test_client().get("/")
    assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
    assert "https://" not in answer.get_data(as_text=True)


def test_two_browsers_keep_their_own_colors(app: Dash):
    one, other = app.server.test_client(), app.server.test_client()
    one.set_cookie("arcdrift-scheme", "dark")
    assert '"forceColorScheme":"dark"' in one.get("/_dash-layout").get_data(as_text=True)
    assert '"forceColorScheme":"light"' in other.get("/_dash-layout").get_data(as_text=True)


def test_csv_of_the_stream_named_in_the_link(app: Dash):
    answer = app.server.test_client().get(
        "/csv/loss/splices.csv?splicer=Kestrel&program=single-mode+fixed&day=2025-06-12"
    )
    lines = answer.get_data(as_text=True).splitlines()
    assert answer.mimetype == "text/csv"
    assert len(lines) == 21
    assert lines[0].startswith("spliced_at,loss_db,loss_below_db,outcome,")
    # twenty splices end 190 minutes after 08:00 UTC, which is 13:10 in Oslo in June
    assert lines[1].startswith("2025-06-12 13:10:00,0.06,,done,")


def test_csv_text_cannot_act_as_a_formula(app: Dash):
    answer = app.server.test_client().get(
        "/csv/loss/splices.csv?splicer=Kestrel&program=single-mode+fixed&day=2025-06-12"
    )
    assert ",'=closure 12," in answer.get_data(as_text=True)
    table = pd.DataFrame({"a": ["=1+1", "+2", "-3", "@x", "plain", None], "n": [-1.0] * 6})
    assert as_csv(table).splitlines()[1:] == [
        "'=1+1,-1",
        "'+2,-1",
        "'-3,-1",
        "'@x,-1",
        "plain,-1",
        ",-1",
    ]


@pytest.mark.parametrize("dtype", ["object", "string", "category"])
def test_text_of_any_type_cannot_act_as_a_formula(dtype: str):
    cells = ["=1", "\t=1", "\r=1", "\n=1", "\uff1d1", "\uff201", "fine", "a=1", "a\r=1"]
    lines = as_csv(pd.DataFrame({"a": pd.Series(cells, dtype=dtype)}))
    read = pd.read_csv(io.StringIO(lines), dtype="object")["a"]
    assert read.str.startswith("'").tolist() == [True] * 6 + [False] * 3


def test_numbers_in_a_column_of_anything_stay_numbers():
    mixed = pd.DataFrame({"a": pd.Series([-1.5, "-1", None, True, -2], dtype="object")})
    assert as_csv(mixed).splitlines()[1:] == ["-1.5", "'-1", '""', "True", "-2"]


def test_an_unknown_download_is_a_plain_404(app: Dash):
    answer = app.server.test_client().get("/csv/loss/nothing.csv")
    assert answer.status_code == 404
    assert answer.get_data(as_text=True) == "There is nothing at this address.\n"


def test_every_offered_table_downloads(app: Dash):
    client = app.server.test_client()
    query = "?splicer=Kestrel&program=single-mode+fixed"
    for name in (
        "loss/crew-days",
        "loss/splicers-and-programs",
        "loss/days",
        "splicer/arc-points",
        "splicer/effects",
        "checks/check-days",
        "checks/compliance",
        "checks/compliance-technicians",
        "checks/compliance-weeks",
        "checks/unchecked-weeks",
        "upkeep/upkeep",
        "upkeep/to-order",
        "cases/findings",
        "cases/notes",
        "loss/shared-days",
        "budget/price",
        "budget/charts",
        "budget/alarms",
    ):
        answer = client.get(f"/csv/{name}.csv{query}")
        assert answer.status_code == 200, name
        head, *rows = answer.get_data(as_text=True).splitlines()
        assert "," in head
        assert not re.findall(r"stream|baseline|charted|rolled_up", " ".join((head, *rows))), name


def test_a_known_error_is_told_as_it_is():
    words = "The store is busy with other work; try again in a minute."
    assert error_page.sentence(StoreTrouble(words)) == words


def test_an_unforeseen_error_gets_a_reference_and_keeps_its_detail_to_the_log(caplog):
    with caplog.at_level(logging.ERROR, logger="arcdrift.dashboard"):
        words = error_page.sentence(ZeroDivisionError("secret detail"))
    reference = words.partition("reference ")[2][:8]
    assert len(reference) == 8
    assert "secret detail" not in words
    assert reference in caplog.text
    assert "secret detail" in caplog.text


def test_an_unforeseen_error_says_where_the_log_is(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(logging.getLogger(), "handlers", [])
    assert "what the server printed" in error_page.sentence(ZeroDivisionError())
    log_to_file(tmp_path)
    try:
        words = error_page.sentence(ZeroDivisionError("inner detail"))
    finally:
        logging.getLogger().handlers[0].close()
    assert f"The detail is in {tmp_path / 'arcdrift.log'} under that number." in words
    log = (tmp_path / "arcdrift.log").read_text(encoding="utf-8")
    assert words.partition("reference ")[2][:8] in log
    assert "inner detail" in log


def test_a_failing_download_answers_with_a_reference(app: Dash, monkeypatch, caplog):
    def broken(_view):
        raise RuntimeError("inner detail")

    monkeypatch.setitem(pages.TABLES, ("loss", "splicers-and-programs"), broken)
    answer = app.server.test_client().get("/csv/loss/splicers-and-programs.csv")
    assert answer.status_code == 500
    assert "reference" in answer.get_data(as_text=True)
    assert "inner detail" not in answer.get_data(as_text=True)
