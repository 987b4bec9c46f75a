"""What strangers and users learn of errors, and whether the dashboard works."""

import json
import logging
from pathlib import Path

import pytest

from arcdrift.cli.json_log import JsonLines
from arcdrift.errors import StoreDamaged, StoreTrouble, UsageError
from dashboard import error_page, pages
from tests.dashboard.access.signing_in import Browser


class Lines(logging.Handler):
    """Keeps what the log would hold."""

    def __init__(self) -> None:
        super().__init__()
        self.setFormatter(JsonLines())
        self.lines: list[dict] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(json.loads(self.format(record)))


@pytest.fixture
def lines(app):
    from dashboard.serving import request_log

    handler = Lines()
    handler.addFilter(request_log._add_request_id)
    logger = logging.getLogger("arcdrift")
    level = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    yield handler.lines
    logger.removeHandler(handler)
    logger.setLevel(level)


def test_health_says_no_more_than_whether_it_works(stranger, monkeypatch):
    answer = stranger.get("/health", base_url="https://crew.example")
    assert (answer.status_code, answer.json) == (200, {"status": "ok"})

    def broken(_engine):
        raise StoreTrouble("The store /home/crew/arcdrift.db is damaged.")

    monkeypatch.setattr("dashboard.serving.health.reading", broken)
    answer = stranger.get("/health", base_url="https://crew.example")
    assert (answer.status_code, answer.json) == (503, {"status": "unavailable"})


def test_an_error_tells_a_user_a_number_and_the_log_the_rest(signed_in, monkeypatch, lines):
    def broken(_view):
        raise RuntimeError("inner detail")

    monkeypatch.setitem(pages.TABLES, ("loss", "splicers-and-programs"), broken)
    answer = signed_in("birch@work").get("/csv/loss/splicers-and-programs.csv?splicer=Heron")
    text = answer.get_data(as_text=True)
    assert answer.status_code == 500
    reference = text.partition("reference ")[2][:8]
    for detail in ("inner", "Traceback", "arcdrift.log", "/"):
        assert detail not in text
    (error,) = (line for line in lines if line["level"] == "error")
    assert reference in error["message"]
    assert "RuntimeError: inner detail" in error["exception"]
    assert error["request_id"] == answer.headers["X-Request-ID"]


def test_a_callback_that_fails_tells_no_detail(signed_in, monkeypatch):
    def broken(_view):
        raise RuntimeError("inner detail")

    monkeypatch.setitem(pages.PAGES, "/checks", broken)
    text = signed_in("Lena").page("/checks").get_data(as_text=True)
    assert "reference" in text
    assert "inner detail" not in text


@pytest.mark.parametrize(
    "problem",
    [
        StoreTrouble("The store /home/crew/arcdrift.db is busy with other work."),
        StoreTrouble("The store postgresql://crew@db/logs cannot be used."),
        StoreTrouble(r"The store C:\crew\arcdrift.db is damaged."),
    ],
)
def test_where_the_store_is_stays_here(app, problem):
    with app.server.test_request_context("/"):
        assert "reference" in error_page.sentence(problem)
        assert "crew" not in error_page.sentence(problem)
        told = UsageError("Give the first day, like 2026-05-04, or 20.5 km/h and/or more.")
        assert error_page.sentence(told) == str(told)
    assert error_page.sentence(problem) == str(problem)  # on one's own computer


def test_a_damaged_store_is_told_to_all_and_the_next_step_to_the_log(app, lines):
    problem = StoreDamaged("The store /home/crew/arcdrift.db is damaged; restore b.zip.")
    with app.server.test_request_context("/"):
        assert error_page.sentence(problem) == error_page.DAMAGED
    assert "restore b.zip" in lines[-1]["message"]
    assert error_page.sentence(problem) == str(problem)  # on one's own computer


def test_requests_are_logged_with_who_and_how_long_but_not_what_was_asked(signed_in, lines):
    answer = signed_in("birch@work").get("/csv/coaching/people.csv?technician=Birch")
    line = lines[-1]
    assert line["message"] == "GET /csv/coaching/people.csv 200"
    assert (line["user"], line["address"], line["status"]) == ("birch@work", "198.51.100.7", 200)
    assert line["ms"] > 0
    assert line["request_id"] == answer.headers["X-Request-ID"]
    assert "technician" not in str(line)


def test_a_proxys_number_is_kept_if_it_can_be_one(app, lines):
    browser = Browser(app)
    given = browser.get("/sign-in", headers={"X-Request-ID": "from-the-proxy-1"})
    assert given.headers["X-Request-ID"] == "from-the-proxy-1"
    odd = browser.get("/sign-in", headers={"X-Request-ID": 'x" onload="'})
    assert odd.headers["X-Request-ID"] != 'x" onload="'


def test_a_line_of_the_log_is_one_line_whatever_a_name_holds(app, lines):
    Browser(app).sign_in('Lena\n{"level": "info", "message": "signed in"}', "wrong wrong wrong")
    assert any("wrong name or password" in line["message"] for line in lines)
    record = logging.LogRecord("a", logging.INFO, "", 0, "x\ny", (), None)
    assert "\n" not in JsonLines().format(record)


def test_the_log_is_replaced_before_it_fills_the_disk(tmp_path: Path, monkeypatch):
    from arcdrift.cli import json_log

    monkeypatch.setattr(json_log, "MAX_BYTES", 500)
    root, arcdrift = logging.getLogger(), logging.getLogger("arcdrift")
    monkeypatch.setattr(root, "handlers", [])
    monkeypatch.setattr(arcdrift, "level", arcdrift.level)
    json_log.log_to_file(tmp_path)
    (handler,) = root.handlers
    for n in range(60):
        handler.handle(logging.LogRecord("a", logging.INFO, "", 0, "line %d", (n,), None))
    handler.close()
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) < 2500
    assert json.loads((tmp_path / "arcdrift.log").read_text().splitlines()[-1])["message"] == (
        "line 59"
    )
