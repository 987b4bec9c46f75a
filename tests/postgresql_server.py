"""A PostgreSQL server for tests: made in a temporary folder, listens there only, ends with them."""

import atexit
import gc
import os
import shutil
import signal
import subprocess
import tempfile
import time
import weakref
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import pytest
from sqlalchemy import Engine

from arcdrift.store.database.connect import open_store

REQUIRE_POSTGRESQL = "ARCDRIFT_REQUIRE_POSTGRESQL"
PROGRAMS = "ARCDRIFT_POSTGRESQL_BIN"
"""Variable that names the folder of another server's programs, to test another version."""
_TEMPLATE = "empty_store"
_START_S = 60.0
_MOST_OPEN = 20
"""With more stores open those that no test uses any more are looked for."""
_SETTINGS = {"listen_addresses": "", "max_connections": "200"}
# nothing of a test need outlive a power cut, but a crash of the server
_NOT_DURABLE = {
    "fsync": "off",
    "full_page_writes": "off",
    "autovacuum": "off",
    "wal_level": "minimal",
    "max_wal_senders": "0",
}


@dataclass
class Server:
    """A running server.

    Attributes
    ----------
    folder : Path
        Holds its data and its socket.
    durable : bool
        Whether what was committed outlives a power cut.
    """

    folder: Path
    programs: Path
    user: str
    durable: bool = False
    process: "subprocess.Popen[bytes] | None" = None
    _stores: list[tuple["weakref.ref[Engine]", str]] = field(default_factory=list)
    _count: int = 0

    def address(self, database: str, user: str | None = None) -> str:
        """Address of a store in a database."""
        return f"postgresql://{user or self.user}@/{database}?host={self.folder}"

    def new_database(self) -> str:
        """Make a database with an empty store in it; return its name."""
        if self._count == 0:
            self.execute(f"CREATE DATABASE {_TEMPLATE}")
            open_store(self.address(_TEMPLATE)).dispose()
        self._drop_unused()
        self._count += 1
        name = f"store_{self._count}"
        self.execute(f"CREATE DATABASE {name} TEMPLATE {_TEMPLATE}")
        return name

    def empty_store(self) -> Engine:
        """Open an empty store in a database of its own, which goes with the engine."""
        return self._open(self.new_database())

    def copied_store(self, engine: Engine) -> Engine:
        """Open a copy of a store that nothing else uses, in a database of its own."""
        engine.dispose()
        self._count += 1
        name = f"store_{self._count}"
        self.execute(f"CREATE DATABASE {name} TEMPLATE {engine.url.database}")
        return self._open(name)

    def _open(self, name: str) -> Engine:
        engine = open_store(self.address(name))
        self._stores.append((weakref.ref(engine), name))
        return engine

    def execute(self, *statements: str, database: str = "postgres") -> list[tuple[object, ...]]:
        """Run statements as the owner of the server; return the rows of the last one."""
        import psycopg

        rows = []
        conninfo = f"host={self.folder} user={self.user} dbname={database}"
        with psycopg.connect(conninfo, autocommit=True) as connection:
            for statement in statements:
                cursor = connection.execute(statement)
                rows = cursor.fetchall() if cursor.description else []
        return rows

    def start(self) -> None:
        """Start the server and wait until it answers."""
        wanted = _SETTINGS if self.durable else _SETTINGS | _NOT_DURABLE
        settings = [f"-c{name}={value}" for name, value in wanted.items()]
        command = [self.programs / "postgres", "-D", self.folder / "data", "-k", self.folder]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                _as_user(self.user, [*map(str, command), *settings]),
                stdout=log,
                stderr=log,
                cwd=self.folder,
            )
        deadline = time.monotonic() + _START_S
        ready = [str(self.programs / "pg_isready"), "-q", "-h", str(self.folder)]
        while subprocess.run(ready, check=False).returncode != 0:
            if self.process.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError((self.folder / "log").read_text())
            time.sleep(0.02)

    def stop(self, how: int = signal.SIGQUIT) -> None:
        """End the server; by default at once, as if it had crashed."""
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait()
            self.process = None

    def _drop_unused(self) -> None:
        if len(self._stores) > _MOST_OPEN:
            gc.collect()
        unused = [name for engine, name in self._stores if engine() is None]
        self._stores = [(engine, name) for engine, name in self._stores if engine() is not None]
        if unused:
            self.execute(*(f"DROP DATABASE {name} (FORCE)" for name in unused))


@cache
def started_server(*, durable: bool = False) -> Server | str:
    """Start the server of this process; return why there is none where it cannot be.

    Parameters
    ----------
    durable : bool
        Whether it writes as one that people work with, for benchmarks.
    """
    try:
        import adbc_driver_postgresql  # noqa: F401
        import psycopg  # noqa: F401
    except ModuleNotFoundError as problem:
        return f"the Python package {problem.name} is not installed"
    programs = _programs()
    if programs is None:
        return "no PostgreSQL is installed here"
    import pwd  # Unix only, as the folders above

    # the server refuses to run as root
    user = pwd.getpwuid(os.geteuid()).pw_name if os.geteuid() else "postgres"
    folder = Path(tempfile.mkdtemp(prefix="arcdrift-postgresql-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    if not os.geteuid():
        shutil.chown(folder, user)
    make = [str(programs / "initdb"), "-D", str(folder / "data"), "-A", "trust", "-E", "UTF8"]
    make += ["--locale", "C.UTF-8", "--no-sync"]
    subprocess.run(_as_user(user, make), check=True, stdout=subprocess.DEVNULL, cwd=folder)
    server = Server(folder, programs, user, durable)
    atexit.register(server.stop)
    server.start()
    return server


def postgresql_server() -> Server:
    """Return the server; where there is none, skip the test that asks."""
    server = started_server()
    if isinstance(server, str):
        pytest.skip(f"needs PostgreSQL: {server}")
    return server


def _programs() -> Path | None:
    """Folder of the server's programs: the one that is named, else the newest version's."""
    if named := os.environ.get(PROGRAMS):
        return Path(named)
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: int(p.parent.name))
    found = shutil.which("postgres")
    return folders[-1] if folders else Path(found).parent if found else None


def _as_user(user: str, command: list[str]) -> list[str]:
    """A command run by a user, which ends with this process where the system can see to it."""
    setpriv = shutil.which("setpriv")
    if setpriv is None:
        return command
    options = ["--pdeathsig", "QUIT"]
    if not os.geteuid():
        options += ["--reuid", user, "--regid", user, "--init-groups"]
    return [setpriv, *options, *command]
