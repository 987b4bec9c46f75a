"""Exports of many kinds go in with plain `arcdrift import`, as the records they must become.

Everything in the files beside this one is invented: crews, people, machines, places, numbers.
`NAME.expected.csv` holds the records in the local time of the crew's zone, in our words and units;
`expected.json` the kind, the zone, the rows, and the answer that may be needed.
"""

import io
import json
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from functools import cache
from pathlib import Path

import pandas as pd
import pytest
import typer

from arcdrift.cli.main import run
from arcdrift.quantities import QUANTITIES
from arcdrift.settings import load_crew
from arcdrift.settings_file import save_store
from arcdrift.store.database.connect import open_crew_store
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores
from tests.empty_store import empty_store
from tests.terminal import Terminal

pytestmark = both_stores

HERE = Path(__file__).parent
EXPECTED = json.loads((HERE / "expected.json").read_text(encoding="utf-8"))
EVERYDAY = {
    "us-readings.csv",  # a question is asked
    "us-checks.txt",  # the month comes first
    "portuguese-splices.csv",  # losses below a limit
    "british-checks.xlsx",
    "french-splices.ods",
    "french-service.csv",
}
"""Every kind of record and of file."""
TIMES = {"spliced_at", "checked_at", "read_at", "serviced_at"}


def command(*words: object, replies: str | None = None) -> tuple[int, str, str]:
    """Runs the program; with replies, as if a person typed them in a terminal."""
    out, err = io.StringIO(), io.StringIO() if replies is None else Terminal()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        if replies is not None:
            patch.setattr("sys.stdin", Terminal(replies))
        with pytest.raises(SystemExit) as done:
            run([str(word) for word in words])
    return int(done.value.code or 0), out.getvalue(), err.getvalue()


@pytest.fixture(scope="module", autouse=True)
def one_command_tree() -> Iterator[None]:
    """Builds the tree of commands once."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typer.main, "get_command", cache(typer.main.get_command))
        yield


@pytest.fixture
def crew(tmp_path: Path, request: pytest.FixtureRequest, store_database: str) -> Iterator[Path]:
    zone = EXPECTED[request.node.callspec.params["name"]]["time_zone"]
    (tmp_path / "crew.toml").write_text(
        f'name = "Invented crew"\ninvented = true\ntime_zone = "{zone}"\n', encoding="utf-8"
    )
    engine = empty_store(tmp_path)
    if store_database == "postgresql":
        address = engine.url.set(drivername="postgresql")
        save_store(tmp_path, address.render_as_string(hide_password=False))
    yield tmp_path
    engine.dispose()


def expected_records(name: str) -> pd.DataFrame:
    zone = EXPECTED[name]["time_zone"]
    frame = pd.read_csv(HERE / f"{name}.expected.csv", dtype="str", keep_default_na=False)
    frame = frame.replace("", pd.NA)
    if "loss_db" in frame:
        below = frame["loss_db"].str.startswith("<", na=False)
        limits = frame["loss_db"].where(below).str.removeprefix("<")
        frame["loss_below_db"] = limits
        frame["loss_db"] = frame["loss_db"].mask(below, (limits.astype(float) / 2).astype("str"))
    for column in frame:
        if column in TIMES:
            local = pd.to_datetime(frame[column]).astype("datetime64[us]")
            frame[column] = local.dt.tz_localize(zone).dt.tz_convert("UTC")
        elif column in QUANTITIES:
            frame[column] = frame[column].astype("float64")
    return frame


def stored_records(folder: Path, kind: str, columns: list[str]) -> pd.DataFrame:
    engine = open_crew_store(folder, load_crew(folder))
    try:
        return read_records(engine, kind)[columns]
    finally:
        engine.dispose()


@pytest.mark.parametrize(
    "name",
    [name if name in EVERYDAY else pytest.param(name, marks=pytest.mark.long) for name in EXPECTED],
)
def test_an_export_becomes_its_records(name: str, crew: Path) -> None:
    wanted = EXPECTED[name]
    files = ["import", HERE / name, "--crew", crew]
    if wanted["question"] is not None:
        code, out, err = command(*files, "--json")
        assert code == 3
        assert "layouts/" in err  # a draft is saved, and nothing is stored
        assert stored_records(crew, wanted["kind"], ["id"]).empty
        for draft in (crew / "layouts").iterdir():
            draft.unlink()
        answer = wanted["question"].partition(": ")[2]
        code, out, err = command(*files, replies=f"{answer}\n")
    else:
        code, out, err = command(*files)
    assert code == 0, err
    assert " is read as " in err

    expected = expected_records(name)
    stored = stored_records(crew, wanted["kind"], list(expected.columns))
    order = [next(column for column in expected if column in TIMES), expected.columns[0]]
    pd.testing.assert_frame_equal(
        stored.sort_values(order).reset_index(drop=True),
        expected.sort_values(order).reset_index(drop=True),
        check_dtype=False,
        rtol=1e-6,
    )

    code, out, _ = command("imports", "--crew", crew, "--json")
    (report,) = json.loads(out)
    assert (report["rows"], report["accepted"]) == (wanted["accepted"],) * 2
    assert (report["quarantined"], report["conflicting"]) == (wanted["quarantined"], 0)

    replies = None if wanted["question"] is None else f"{answer}\n"
    code, out, err = command(*files, replies=replies)
    assert code == 0, err
    _, out, _ = command("imports", "--crew", crew, "--json")
    again = json.loads(out)[0]
    assert (again["accepted"], again["already_stored"]) == (0, wanted["accepted"])
