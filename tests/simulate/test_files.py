import gzip
import runpy
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from arcdrift.errors import UsageError
from arcdrift.settings import load_crew
from arcdrift.simulate import invented_crew, sample_scenario, simulate
from arcdrift.simulate.crew.scenario import Habits, Scenario
from arcdrift.store.schema import RECORDS

SHIPPED = Path(__file__).parents[2] / "data" / "sample"
CSV = ("arc-checks.csv", "splices.csv.gz", "readings.csv", "service.csv")
KIND = dict(zip(CSV, ("arc-checks", "splices", "readings", "service"), strict=True))
FILES = (*CSV, "crew.toml", "truth.json")


def unpacked(path: Path) -> bytes:
    # packed bytes depend on the zlib at hand, what they hold does not
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()


@pytest.mark.parametrize("name", FILES)
def test_the_seed_makes_the_shipped_sample_again(sample, name):
    assert unpacked(sample.folder / name) == unpacked(SHIPPED / name)


def test_packed_file_carries_no_time_and_no_name():
    header = (SHIPPED / "splices.csv.gz").read_bytes()[:10]
    # RFC 1952: bytes 4 to 7 are the time, bit 3 of byte 3 says whether a name follows
    assert header[4:8] == b"\0\0\0\0"
    assert header[3] & 0b1000 == 0


def test_sample_stays_small():
    assert sum(path.stat().st_size for path in SHIPPED.iterdir()) < 3_000_000


@pytest.mark.parametrize("name", CSV)
def test_columns_are_those_of_the_records(sample, name):
    header = sample.lines(name)[0].split(",")
    known = {column.name for column in RECORDS[KIND[name]].columns}
    assert set(header) <= known - {"id", "import_id", "line"}


@pytest.mark.parametrize("name", CSV)
def test_row_counts_add_up(sample, name):
    counts = sample.truth["files"][name]
    entries = [row for row in sample.truth["broken_rows"] if row["file"] == name]
    assert len(sample.lines(name)) == 1 + counts["rows"]
    assert counts["broken"] + counts["repeated"] == len(entries)


def test_a_dozen_rows_are_broken_and_a_few_repeated(sample):
    expected = [row["expected"] for row in sample.truth["broken_rows"]]
    assert 10 <= expected.count("quarantined") <= 15
    assert 4 <= expected.count("already-stored") <= 10


def test_broken_rows_lie_where_the_truth_says(sample):
    for row in sample.truth["broken_rows"]:
        lines = sample.lines(row["file"])
        line, header = lines[row["line"] - 1], lines[0].split(",")
        if row["damage"] == "exact repeat":
            assert line == lines[row["line"] - 2]
        elif row["damage"] == "truncated line":
            assert line.count(",") < len(header) - 1
        else:
            value = line.split(",")[header.index(row["column"])]
            sound = lines[row["line"] - 2].split(",")[header.index(row["column"])]
            assert value != sound


def test_times_carry_the_offset_of_their_season(sample):
    readings = [line for line in sample.lines("readings.csv") if "2026-11-01T01:00:00" in line]
    # the repeated hour at Harbor, Pass and Valley, once in each offset
    assert sum("01:00:00-06:00" in line for line in readings) == 3
    assert sum("01:00:00-07:00" in line for line in readings) == 3


def test_crew_file_loads_and_says_invented(sample):
    crew = load_crew(sample.folder)
    assert crew.invented
    assert crew.clock == "newest-record"
    assert "(invented)" in crew.name
    assert crew.time_zone == "America/Denver"
    assert {name: site.elevation_m for name, site in crew.sites.items()} == {
        "Harbor": 12.0,
        "Valley": 610.0,
        "Pass": 2740.0,
    }
    assert {program.program_class for program in crew.programs.values()} == {
        "self-adjusting",
        "fixed",
        "custom",
    }
    assert set(sample.splices["splicer"]) == set(crew.splicers)
    assert set(sample.splices["program"]) == set(crew.programs)
    assert {splicer.setting_unit for splicer in crew.splicers.values()} == {"steps", "%"}


def test_nobody_s_files_are_written_over(tmp_path):
    (tmp_path / "crew.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match=r"already holds crew\.toml; choose an empty folder"):
        simulate(invented_crew(splicers=1, days=1), tmp_path)
    assert (tmp_path / "crew.toml").read_text(encoding="utf-8") == "mine"
    simulate(invented_crew(splicers=1, days=1), tmp_path, overwrite=True)
    assert load_crew(tmp_path).invented


def test_another_seed_makes_other_logs(tmp_path):
    for seed in (1, 2):
        simulate(invented_crew(splicers=2, days=3, seed=seed), tmp_path / str(seed))
    first_seed, second_seed = (unpacked(tmp_path / seed / "splices.csv.gz") for seed in ("1", "2"))
    assert first_seed != second_seed


def test_names_stay_apart_in_a_large_crew():
    crew = invented_crew(splicers=70)
    assert len({s.name for s in crew.splicers}) == 70
    assert len({s.cleaver for s in crew.splicers}) == 70
    assert len({t.name for t in crew.technicians}) == len(crew.technicians) == 88


def small(**changes: object) -> Scenario:
    return replace(invented_crew(splicers=2, days=2), **changes)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"technicians": ()}, "2 splicers need at least as many technicians; there are 0"),
        ({"days": 0}, "at least one day"),
        ({"splices_per_day": 0.0}, "some splices a day"),
        ({"ends_at": sample_scenario().ends_at.replace(hour=9)}, "must run to 10:00"),
    ],
)
def test_impossible_crews_are_refused(changes, sentence):
    with pytest.raises(UsageError, match=sentence):
        small(**changes)


def test_a_stretch_without_workdays_is_refused(tmp_path):
    saturday = sample_scenario().start.replace(day=25)
    weekend = invented_crew(splicers=1, days=2, start=saturday, habits=Habits())
    with pytest.raises(UsageError, match="hold no workday"):
        simulate(weekend, tmp_path)


def test_module_runs_as_a_command(tmp_path, monkeypatch, capsys):
    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["arcdrift.simulate", *arguments])
        with pytest.raises(SystemExit) as ended:
            runpy.run_module("arcdrift.simulate", run_name="__main__")
        return ended.value.code

    # sys.exit with a text prints it and ends the process with code 1
    assert run().startswith("usage: python -m arcdrift.simulate FOLDER")
    (tmp_path / "truth.json").touch()
    assert run(str(tmp_path)) == 2
    assert "already holds truth.json" in capsys.readouterr().err
