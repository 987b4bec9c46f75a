"""Rules for the whole suite."""

import os
import signal
import sqlite3
import sys
from collections.abc import Generator
from typing import Any

import pytest
from hypothesis import Phase, settings
from sqlalchemy import Connection, Engine, event

from tests import both_stores
from tests.both_stores import store_database as store_database
from tests.postgresql_server import REQUIRE_POSTGRESQL

# the programs that tests start share compiled modules, also where the shell forbids to keep them
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
# as commands do; numpy reads it when it is first loaded
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
LONG = "ARCDRIFT_LONG"

# how long an example takes tells how loaded the machine is, not whether the answer is right
# a failure is made small, but not explained, which takes ten times as long
PHASES = [phase for phase in Phase if phase is not Phase.explain]
settings.register_profile("suite", deadline=None, max_examples=20, phases=PHASES)
settings.register_profile("long", deadline=None)
settings.load_profile("long" if os.environ.get(LONG) == "1" else "suite")

# a shell's background job ignores Ctrl-C, and so would every program a test starts and stops
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@event.listens_for(Engine, "engine_connect")
def _do_not_wait_for_the_disk(connection: Connection) -> None:
    """A store of a test need not outlive a power cut."""
    raw = connection.connection.dbapi_connection
    if isinstance(raw, sqlite3.Connection):
        raw.execute("PRAGMA synchronous=OFF")


class SharedStatements(dict[tuple[Any, ...], Any]):
    """Compiled statements of all stores in a process; every store has the same dialect.

    SQLAlchemy keeps them by engine, and tests open some thousand stores.
    """

    def get(self, key: tuple[Any, ...], default: Any = None) -> Any:
        return super().get(key[1:], default)

    def __setitem__(self, key: tuple[Any, ...], compiled: Any) -> None:
        super().__setitem__(key[1:], compiled)


_STATEMENTS = SharedStatements()


@event.listens_for(Engine, "engine_connect")
def _share_compiled_statements(connection: Connection) -> None:
    """Compile each statement once a process rather than once a store."""
    if connection.dialect.name == "sqlite":
        connection.execution_options(compiled_cache=_STATEMENTS)


REQUIRED = {
    "browser": ("ARCDRIFT_REQUIRE_BROWSER", "a browser test"),
    "postgresql": (REQUIRE_POSTGRESQL, "a test on PostgreSQL"),
}
"""By marker: the variable that forbids skipping such tests when it is 1, and what they are."""


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    both_stores.parametrize(metafunc)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deselect tests marked long, unless `LONG` is 1 or ``-m`` mentions them."""
    if os.environ.get(LONG) == "1" or "long" in config.getoption("markexpr"):
        return
    slow = [item for item in items if item.get_closest_marker("long")]
    if slow:
        config.hook.pytest_deselected(items=slow)
        items[:] = [item for item in items if not item.get_closest_marker("long")]


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Where a browser or a server is required, a test of it that was skipped has failed."""
    report = yield
    for marker, (variable, noun) in REQUIRED.items():
        required = os.environ.get(variable) == "1" and item.get_closest_marker(marker)
        if required and report.skipped and not hasattr(report, "wasxfail"):
            reason: Any = report.longrepr
            message = reason[2] if isinstance(reason, tuple) else reason
            report.outcome = "failed"
            report.longrepr = f"{variable}=1 forbids skipping {noun}: {message}"
    return report
