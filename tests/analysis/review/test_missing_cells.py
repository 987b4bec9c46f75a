"""Logs that leave cells empty are reviewed, and what they do say is judged as ever."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.maintenance.service_findings import usage_by_hour
from arcdrift.analysis.maintenance.usage_hours import hours_by_asset
from arcdrift.analysis.review.review import review
from arcdrift.analysis.review.splice_counters import hash_places
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store.results.result_rows import read_result
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

CREW = Crew(name="Invented", time_zone="Europe/Oslo")
NEEDED = ("splicer", "spliced_at", "loss_db")
DAYS = 24


def splices() -> pd.DataFrame:
    """Splices of two splicers and three people, with every column that a log can have."""
    rng = np.random.default_rng(3)
    days = pd.date_range("2025-03-03", periods=DAYS, freq="D")
    n = DAYS * 20
    at = days.repeat(20) + pd.to_timedelta(np.tile(np.arange(20), DAYS) * 17 + 480, unit="min")
    pick = lambda *names: rng.choice(names, n)  # noqa: E731
    return pd.DataFrame(
        {
            "splicer": pick("Heron", "Tern"),
            "spliced_at": at.strftime("%Y-%m-%d %H:%M:07"),
            "loss_db": rng.gamma(4, 0.01, n).round(2),
            "outcome": pick("done", "done", "done", "redo", "error"),
            "error_reason": pick("fiber position", "dust", "no word for it"),
            "holding": pick("clamp", "holder"),
            "technician": pick("Birch", "Alder", "Rowan"),
            "program": pick("plain", "ribbon"),
            "fiber_a": pick("G.652.D", "G.657.A1"),
            "fiber_b": pick("G.652.D", "G.657.A1"),
            "cleave_left_deg": rng.gamma(3, 0.15, n).round(2),
            "cleave_right_deg": rng.gamma(3, 0.15, n).round(2),
            "arc_count": np.arange(n) + 100,
            "splice_number": np.arange(n) + 1,
            "cleaver": pick("C1", "C2"),
            "blade_position": pick("1", "2", "3"),
            "site": pick("Harbor", "Hill"),
            "location": [f"K{k // 12}/{k % 12}" for k in range(n)],
            "purpose": pick("production", "production", "practice"),
            "temperature_c": rng.normal(12, 3, n).round(1),
            "pressure_hpa": rng.normal(1005, 5, n).round(1),
            "humidity_pct": rng.normal(60, 8, n).round(0),
            "measured_ab_db": rng.normal(0.04, 0.01, n).round(3),
            "measured_ba_db": rng.normal(0.04, 0.01, n).round(3),
            "remark": pick("windy", "dusty"),
        }
    )


OPTIONAL = tuple(name for name in splices() if name not in NEEDED)
SOME = (
    pytest.param(OPTIONAL, id="every column"),
    pytest.param(("cleaver", "location", "technician"), id="names"),
    *(pytest.param((name,), id=name, marks=pytest.mark.long) for name in OPTIONAL),
)


@pytest.mark.parametrize("columns", SOME)
def test_a_log_with_empty_cells_is_reviewed(tmp_path: Path, columns: tuple[str, ...]) -> None:
    log, rng = splices(), np.random.default_rng(5)
    empty = {name: rng.random(len(log)) < 0.5 for name in columns}
    log = log.astype(object).assign(**{name: log[name].mask(empty[name]) for name in columns})
    path = tmp_path / "log.csv"
    log.to_csv(path, index=False)
    engine = empty_store(tmp_path)
    report = import_file(engine, CREW, path)
    assert report.balance.accepted == len(log), report.problems
    done = review(engine, CREW)
    assert done.splices == len(log)
    again = review(engine, CREW, from_scratch=True)
    assert again.splices == len(log)
    # a cleaver's splices are those that name it
    blades = read_result(engine, "result_blades").set_index("cleaver")["cleaves"]
    logged = log["cleaver"].dropna()
    assert set(blades.index) == set(logged)


def test_hours_of_use_are_those_of_the_rows_that_name_the_cleaver() -> None:
    log = splices().assign(spliced_at=lambda rows: pd.to_datetime(rows["spliced_at"], utc=True))
    log.loc[np.random.default_rng(1).random(len(log)) < 0.4, "cleaver"] = None
    hours = hours_by_asset(usage_by_hour(log), "cleaver")
    expected = log.dropna(subset="cleaver").groupby("cleaver")["spliced_at"]
    assert {name: each.splices.sum() for name, each in hours.items()} == expected.size().to_dict()
    last = {name: pd.Timestamp(each.last.max(), tz="UTC") for name, each in hours.items()}
    assert last == expected.max().to_dict()


def test_places_are_known_again_wherever_a_column_was_cut_from() -> None:
    whole = pd.Series(["a", None, "K1/2", "", None, "x"] * 3, dtype="str")
    for part in (whole, whole.iloc[2:9], whole.iloc[1:2], pd.concat([whole.iloc[5:], whole])):
        fresh = pd.Series(part.tolist(), dtype="object").astype("str")
        assert hash_places(part).tolist() == hash_places(fresh).tolist()
        by_text = dict(zip(part.fillna(""), hash_places(part).tolist(), strict=True))
        assert by_text.get("", 0) == 0
        assert len(set(by_text.values())) == len(by_text)
