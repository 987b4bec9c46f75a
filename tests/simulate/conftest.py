import gzip
import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from arcdrift.simulate import Scenario, sample_scenario, simulate


@dataclass(frozen=True)
class Logs:
    """The files of a simulation, read back with nothing but pandas."""

    folder: Path
    truth: dict[str, Any]

    def lines(self, name: str) -> list[str]:
        packed = (self.folder / name).read_bytes()
        return (gzip.decompress(packed) if name.endswith(".gz") else packed).decode().splitlines()

    def frame(self, name: str, time_column: str) -> pd.DataFrame:
        """Sound rows only, numbers as numbers, instants as UTC."""
        lines = self.lines(name)
        broken = {row["line"] for row in self.truth["broken_rows"] if row["file"] == name}
        sound_lines = [line for number, line in enumerate(lines, 1) if number not in broken]
        rows = [line.split(",") for line in sound_lines]
        frame = pd.DataFrame(rows[1:], columns=rows[0]).replace("", None)
        for column in frame.columns:
            if column.endswith(("_db", "_deg", "_um", "_c", "_hpa", "_pct", "_setting", "_count")):
                frame[column] = pd.to_numeric(frame[column])
        frame[time_column] = pd.to_datetime(frame[time_column], utc=True)
        return frame

    @cached_property
    def checks(self) -> pd.DataFrame:
        return self.frame("arc-checks.csv", "checked_at")

    @cached_property
    def splices(self) -> pd.DataFrame:
        return self.frame("splices.csv.gz", "spliced_at")

    @cached_property
    def readings(self) -> pd.DataFrame:
        return self.frame("readings.csv", "read_at")

    @cached_property
    def service(self) -> pd.DataFrame:
        return self.frame("service.csv", "serviced_at")


def run(scenario: Scenario, folder: Path) -> Logs:
    simulate(scenario, folder)
    return Logs(folder, json.loads((folder / "truth.json").read_text(encoding="utf-8")))


@pytest.fixture(scope="session")
def simulated():
    return run


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return run(sample_scenario(), tmp_path_factory.mktemp("sample"))
