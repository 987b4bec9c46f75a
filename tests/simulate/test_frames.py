"""In memory, in CSV and in Parquet: one and the same crew."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from arcdrift.errors import UsageError
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import load_crew
from arcdrift.simulate import (
    add_faults,
    invented_crew,
    load_plan,
    sample_scenario,
    simulate,
    simulate_frames,
)
from arcdrift.simulate.output.log_files import KINDS, log_file
from arcdrift.store.records.record_rows import read_records
from tests.empty_store import empty_store

# five splicers: the fifth is of the model with sensors of its own
SCENARIO = add_faults(
    invented_crew(splicers=5, days=75, splices_per_day=12, seed=9, sites=4),
    load_plan("splicer-clock-reset"),
)


@pytest.fixture(scope="module")
def simulated_crew():
    return simulate_frames(SCENARIO)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("csv")
    simulate(SCENARIO, folder)
    return folder


def test_frames_are_those_of_a_store(simulated_crew, folder):
    crew, engine = load_crew(folder), empty_store(folder)
    for kind, name in KINDS.items():
        report = import_file(engine, crew, folder / name, kind=kind)
        assert report.balance.accepted == len(simulated_crew[kind])
    for kind in KINDS:
        pd.testing.assert_frame_equal(simulated_crew[kind], read_records(engine, kind))
    engine.dispose()
    assert simulated_crew.crew == crew
    assert simulated_crew["arc-checks"]["temperature_c"].notna().any()


def test_parquet_holds_the_same_in_a_row_group_a_splicer(simulated_crew, tmp_path):
    import pyarrow.parquet as pq

    counts = []
    simulate(SCENARIO, tmp_path, log_format="parquet", progress=lambda *count: counts.append(count))
    for kind in KINDS:
        frame = pd.read_parquet(tmp_path / log_file(kind, "parquet"))
        pd.testing.assert_frame_equal(frame, simulated_crew[kind][list(frame.columns)])
    assert pq.ParquetFile(tmp_path / "splices.parquet").num_row_groups == 5
    assert [done for done, _, _ in counts] == [1, 2, 3, 4, 5]
    assert counts[-1] == (5, 5, len(simulated_crew["splices"]))


def test_truth_is_the_same_on_disk(simulated_crew, folder):
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert truth == {"invented": True} | json.loads(simulated_crew.truth.to_json())
    table = pd.read_parquet(folder / "truth-settings.parquet")
    for splicer, splicer_rows in table.groupby("splicer"):
        again = simulated_crew.required(str(splicer), splicer_rows["at"])
        np.testing.assert_allclose(again["required"], splicer_rows["required"])
        checks = simulated_crew["arc-checks"].query("splicer == @splicer")
        assert (splicer_rows["what"] == "check").sum() == len(checks)
        hours = splicer_rows.loc[splicer_rows["what"] == "hour", "at"]
        assert set(hours.diff().dropna()) == {pd.Timedelta(hours=1)}


def test_required_settings_follow_from_the_coefficients(simulated_crew, folder):
    # the table's own air and wear through the law, but for the level of each electrode pair
    table = pd.read_parquet(folder / "truth-settings.parquet")
    splicer_rows = table[table["splicer"] == "Heron"]
    arc = simulated_crew.truth.arc["Heron"]
    residual = splicer_rows["required"] - (
        arc["base"]
        + arc["density"] * (splicer_rows["air_density"] - 1.2)
        + arc["vapor"] * (splicer_rows["vapor_pressure"] - 10.0)
        + arc["wear"] * splicer_rows["arcs"] / 1000.0
    )
    pairs = 1 + sum(e["splicer"] == "Heron" for e in simulated_crew.truth.electrodes)
    assert residual.round(3).nunique() == pairs
    # the setting in force is that of the latest passed check
    checks = simulated_crew["arc-checks"].query("splicer == 'Heron' and outcome == 'pass'")
    fault = simulated_crew.truth.faults[0]
    if fault["subject"] != "Heron":
        latest = pd.merge_asof(splicer_rows, checks, left_on="at", right_on="checked_at")
        known = latest["arc_setting"].notna()
        assert known.mean() > 0.9
        assert (latest.loc[known, "in_force"] == latest.loc[known, "arc_setting"]).all()


def test_the_same_seed_makes_the_same_frames(simulated_crew):
    again = simulate_frames(SCENARIO)
    for kind in KINDS:
        pd.testing.assert_frame_equal(simulated_crew[kind], again[kind])
    other = simulate_frames(replace(SCENARIO, seed=10))
    assert len(other["splices"]) != len(simulated_crew["splices"])


def test_rows_are_broken_in_csv_only(tmp_path):
    with pytest.raises(UsageError, match=r"in CSV files only; choose --format csv"):
        simulate(sample_scenario(), tmp_path, log_format="parquet")


def test_no_empty_logs_are_left_behind(tmp_path):
    weekend = invented_crew(splicers=1, days=1, start=sample_scenario().start.replace(day=25))
    with pytest.raises(UsageError, match="no workday"):
        simulate(replace(weekend, habits=sample_scenario().habits), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_overwriting_takes_the_other_format_away(tmp_path):
    small = invented_crew(splicers=1, days=3, splices_per_day=5)
    simulate(small, tmp_path)
    simulate(small, tmp_path, log_format="parquet", overwrite=True)
    assert not (tmp_path / "splices.csv.gz").exists()
    assert (tmp_path / "splices.parquet").exists()
