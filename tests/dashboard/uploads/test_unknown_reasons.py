"""Records names the reasons of errors that nobody knows, to those who can change crew.toml."""

from pathlib import Path

from dash import Dash

from arcdrift.people import Viewer
from dashboard.pages.records.unknown_reasons import unknown_reasons_card
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import text
from tests.dashboard.uploads.sending import ended, send

LOG = (
    "splicer,spliced_at,loss_db,outcome,technician,error_reason\n"
    "Heron,2026-03-02T08:10:05Z,,error,Birch,QX 7\n"
    "Heron,2026-03-02T08:14:05Z,,error,Birch,Staub\n"
)


def words_of(data: CrewData) -> str:
    return " ".join(text(unknown_reasons_card(data)).split())


def test_a_reason_that_nobody_knows_is_named(app: Dash, folder: Path) -> None:
    assert unknown_reasons_card(CrewData(folder)) is None
    ended(app, send(app, "log.csv", LOG.encode()))
    data = CrewData(folder)
    words = words_of(data)
    assert "1 reason in the logs that no word list has, so that 1 failed splice counts" in words
    assert '[error_reasons] "QX 7" = "fiber position"' in words
    assert "Staub" not in words
    technician = data.seen_by(Viewer("technician", "Birch"))
    assert unknown_reasons_card(technician) is None
    toml = folder / "crew.toml"
    toml.write_text(toml.read_text("utf-8") + '[error_reasons]\n"QX 7" = "arc"\n', "utf-8")
    newer = data.under_newer_settings()
    assert newer is not None
    assert unknown_reasons_card(newer) is None
