"""A server that is restarted, or drops a connection, in the middle of an import or an analysis."""

import signal
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from threading import Event
from typing import Any

import pytest
from sqlalchemy import func, select

from arcdrift.intake.storing import log_import
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import load_crew
from arcdrift.store import schema
from arcdrift.store.database.connect import open_store, reading
from arcdrift.store.results import result_replacement
from tests.postgresql_server import Server, postgresql_server
from tests.robust.tools import CREW, write_log

pytestmark = pytest.mark.postgresql
ROWS = 300
LOST = "was lost, perhaps because its server was restarted; what was not finished is not kept"


@pytest.fixture
def server() -> Server:
    return postgresql_server()


@pytest.fixture
def address(server: Server, crew) -> str:
    """Address of an empty store, which the crew uses."""
    address = server.address(server.new_database())
    (crew / "crew.toml").write_text(f'{CREW}store = "{address}"\n', encoding="utf-8")
    return address


def held(address: str) -> dict[str, list[str]]:
    """All rows of a store but those that say when."""
    engine = open_store(address)
    apart = {"started_at", "judged_at", "seconds", "assessed_on"}
    with reading(engine) as connection:
        rows = {
            table.name: sorted(
                repr(row)
                for row in connection.execute(
                    select(*(column for column in table.columns if column.name not in apart))
                )
            )
            for table in (*schema.metadata.sorted_tables, *schema.RESULTS.values())
        }
    engine.dispose()
    return rows


def restart(server: Server, _address: str) -> None:
    server.stop(signal.SIGINT)
    server.start()


def crash(server: Server, _address: str) -> None:
    server.stop(signal.SIGQUIT)
    server.start()


def drop(server: Server, address: str) -> None:
    """End the connections to the store, as an administrator or a firewall does."""
    database = address.split("/")[3].split("?")[0]
    server.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "  # noqa: S608 - our name
        f"WHERE datname = '{database}'"
    )


FAULTS: dict[str, Callable[[Server, str], None]] = {
    "restarted": restart,
    "crashed": crash,
    "dropped": drop,
}
IMPORT_MOMENTS: dict[str, tuple[object, str]] = {
    "comparing": (log_import.LogImport, "compare"),
    "storing": (log_import, "close_corrected"),
}
DAILY = (("restarted", "storing"), ("dropped", "storing"), ("dropped", "comparing"))


def long_unless(daily: bool, *values: object) -> Any:
    return pytest.param(*values, marks=() if daily else pytest.mark.long)


def before_call(
    patch: pytest.MonkeyPatch, place: object, name: str, fault: Callable[[], None]
) -> None:
    """Let a fault happen once, just before a function is called."""
    real, happened = getattr(place, name), []

    def faulty(*args: Any, **kwargs: Any) -> Any:
        if not happened:
            happened.append(True)
            fault()
        return real(*args, **kwargs)

    patch.setattr(place, name, faulty)


@pytest.mark.parametrize(
    ("fault", "moment"),
    [
        long_unless((fault, moment) in DAILY, fault, moment)
        for fault in FAULTS
        for moment in IMPORT_MOMENTS
    ],
)
def test_an_import_that_loses_its_server_leaves_nothing(
    server, address, at_hand, tmp_path, fault, moment
):
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    write_log(first, ROWS // 2, seed=1)
    write_log(second, ROWS, seed=2)
    assert at_hand("import", first).returncode == 0
    before = held(address)
    with pytest.MonkeyPatch.context() as patch:
        before_call(patch, *IMPORT_MOMENTS[moment], lambda: FAULTS[fault](server, address))
        done = at_hand("import", second)
    # what was compared before the store was locked is read again on a new connection
    if done.returncode or moment != "comparing":
        assert done.returncode == 4, done
        assert LOST in done.stderr
        assert held(address) == before
        assert at_hand("import", second).returncode == 0
    assert len(held(address)["splices"]) > len(before["splices"])
    assert held(address)["imports_in_progress"] == []
    repeated = at_hand("import", second, "--json")
    assert '"accepted": 0' in repeated.stdout


@pytest.mark.parametrize("fault", [long_unless(fault == "restarted", fault) for fault in FAULTS])
def test_an_analysis_that_loses_its_server_keeps_the_last_one(
    server, address, at_hand, tmp_path, fault
):
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    write_log(first, ROWS // 2, seed=1)
    write_log(second, ROWS, seed=2)
    assert at_hand("import", first).returncode == 0
    assert at_hand("analyze").returncode == 0
    assert at_hand("import", second).returncode == 0
    before, calls, real = held(address), [], result_replacement.replace_table

    def faulty(*args: Any) -> Any:
        calls.append(args)
        if len(calls) == 8:  # some tables are replaced, the others are not
            FAULTS[fault](server, address)
        return real(*args)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(result_replacement, "replace_table", faulty)
        done = at_hand("analyze")
    assert done.returncode == 4, done
    assert LOST in done.stderr
    assert held(address) == before
    assert at_hand("analyze").returncode == 0
    assert held(address)["result_streams"] != before["result_streams"]


def test_a_server_that_goes_away_during_an_import_and_stays_away(
    server, address, at_hand, tmp_path
):
    log = tmp_path / "log.csv"
    write_log(log, ROWS)
    with ExitStack() as stack:
        stack.callback(server.start)
        patch = stack.enter_context(pytest.MonkeyPatch.context())
        before_call(patch, log_import, "close_corrected", server.stop)
        done = at_hand("import", log)
        assert done.returncode == 4, done
        assert LOST in done.stderr
    # the entry of the import could not be removed: it is named, and then forgotten
    again = at_hand("import", log)
    assert again.returncode == 0
    assert "log.csv was interrupted while it was imported at" in again.stderr
    assert "interrupted" not in at_hand("imports").stderr


@pytest.mark.parametrize(
    ("importers", "files", "readers"), [(2, 2, 2), pytest.param(4, 12, 20, marks=pytest.mark.long)]
)
def test_importers_and_readers_at_once(server, crew, tmp_path, importers, files, readers):
    """Every reader sees as many splices as the imports that it sees have added."""
    address = server.address(server.new_database())
    settings, done, waits = load_crew(crew), Event(), []
    for number in range(importers):
        for file in range(files):
            path = tmp_path / f"{number}-{file}.csv"
            write_log(path, ROWS, seed=file, splicer=f"Splicer {number}.")

    def import_all(number: int) -> int:
        engine, accepted = open_store(address), 0
        for file in range(files):
            report = import_file(engine, settings, tmp_path / f"{number}-{file}.csv")
            accepted += report.balance.accepted
        engine.dispose()
        return accepted

    def read_often() -> int:
        engine, seen = open_store(address), -1
        while not done.wait(0.05):
            began = time.perf_counter()
            with reading(engine) as connection:
                added = select(func.coalesce(func.sum(schema.imports.c.accepted), 0))
                promised = connection.execute(added).scalar_one()
                stored = connection.execute(select(func.count()).select_from(schema.splices))
                assert stored.scalar_one() == promised >= seen
                seen = promised
            waits.append(time.perf_counter() - began)
        engine.dispose()
        return int(seen)

    with ThreadPoolExecutor(importers + readers) as executor:
        reads = [executor.submit(read_often) for _ in range(readers)]
        imports = [executor.submit(import_all, number) for number in range(importers)]
        accepted = sum(future.result() for future in imports)
        done.set()
        for future in reads:
            assert future.result() <= accepted
    assert accepted == len(held(address)["splices"])
    assert len(held(address)["imports"]) == importers * files
    print(f"readers' 95th percentile: {sorted(waits)[int(0.95 * len(waits))]:.3f} s")  # noqa: T201
