"""The shipped sample crew, imported and reviewed once."""

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from arcdrift.analysis.review.review import Review, review
from arcdrift.intake.storing.import_file import ImportReport, import_file
from arcdrift.settings import Crew, load_crew
from tests.empty_store import empty_store

SAMPLE = Path(__file__).parents[2] / "data" / "sample"
FILES = ("arc-checks.csv", "splices.csv.gz", "readings.csv", "service.csv")


@dataclass(frozen=True)
class Sample:
    engine: Engine
    crew: Crew
    truth: dict[str, Any]
    reports: dict[str, ImportReport]
    review: Review

    def faults(self, kind: str) -> list[dict[str, Any]]:
        return [fault for fault in self.truth["faults"] if fault["kind"] == kind]


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sample]:
    folder = tmp_path_factory.mktemp("tarnwater")
    shutil.copy(SAMPLE / "crew.toml", folder)
    crew, engine = load_crew(folder), empty_store(folder)
    reports = {name: import_file(engine, crew, SAMPLE / name) for name in FILES}
    truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))
    yield Sample(engine, crew, truth, reports, review(engine, crew))
    engine.dispose()
