"""What is missing is named, with who could send it."""

from pathlib import Path

from dash import Dash
from sqlalchemy import Engine

from arcdrift.analysis.review.review import review
from arcdrift.settings import load_crew
from dashboard.pages.records.coverage import coverage_card
from dashboard.reading.data import CrewData
from tests.dashboard.rendering import text
from tests.dashboard.uploads.sending import ended, log_text, send


def days_of(splicer: str, days: range) -> list[str]:
    return [f"{splicer},2026-03-{day:02d}T08:10:05Z,0.02,done,Birch,plain" for day in days]


def test_a_splicer_that_is_not_heard_of_is_named(app: Dash, folder: Path, engine: Engine) -> None:
    toml = folder / "crew.toml"
    toml.write_text(toml.read_text("utf-8") + 'clock = "newest-record"\n', "utf-8")
    ended(app, send(app, "tern.csv", log_text(*days_of("Tern", range(2, 20))), by="Lena"))
    ended(app, send(app, "heron.csv", log_text(*days_of("Heron", range(2, 10))), by="Tove"))
    review(engine, load_crew(folder))
    words = " ".join(text(coverage_card(CrewData(folder))).split())
    assert (
        "Heron: nothing since 9 Mar 2026, 10 crew days ago. The last record came in heron.csv, "
        "sent by Tove. Birch worked with it last." in words
    )
    assert "Tern: nothing" not in words
    assert "Heron 9 Mar 2026, 09:10 10 of 18" in words


def test_a_crew_that_is_up_to_date_is_told_so(app: Dash, folder: Path) -> None:
    assert coverage_card(CrewData(folder)) is None
    toml = folder / "crew.toml"
    toml.write_text(toml.read_text("utf-8") + 'clock = "newest-record"\n', "utf-8")
    ended(app, send(app, "tern.csv", log_text(*days_of("Tern", range(2, 9)))))
    words = text(coverage_card(CrewData(folder)))
    assert "is up to date with the crew" in words
