"""Everybody at once: importers, analyzers, readers and people who say things, on one store."""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Event, Thread

from arcdrift.people import Role
from arcdrift.settings import STORE_FILE, load_crew
from arcdrift.store.database.connect import open_crew_store, open_store
from dashboard.access.served_address import ServedAddress
from dashboard.app import create_app
from dashboard.reading.data import CrewData
from dashboard.serving.graceful_server import GRACE_SECONDS, GracefulServer
from tests.dashboard.access.conftest import add_users
from tests.robust.http_client import Client
from tests.robust.together.commands import Command, Done, InThread, Worker
from tests.robust.together.crew_files import Size, settings, write_files
from tests.robust.together.end_state import differences, file_order, unaccounted_rows
from tests.robust.together.readers import Log, Reader, Timed
from tests.robust.together.talkers import Pair
from tests.robust.tools import PROGRAM

MAY_LAST_S = 60.0
"""Longest time in which a server that was told to stop may end."""
UNDERWAY_S = 0.5
"""A request that was sent this long before the server was told to stop must be answered."""


@dataclass(frozen=True)
class Crowd:
    """How many there are of each, and for how long.

    Attributes
    ----------
    alone_s, seconds : float
        For how long one reader is alone, and then everybody is there.
    pause_s : float
        Mean time for which a reader looks at a page.
    processes : bool
        Whether the program runs in processes of its own; else in threads, which is cheap.
    """

    importers: int
    analyzers: int
    readers: int
    pairs: int
    seconds: float
    alone_s: float
    pause_s: float
    processes: bool


@dataclass
class Outcome:
    """What came of it; `wrong` must be empty."""

    wrong: list[str] = field(default_factory=list)
    alone: list[Timed] = field(default_factory=list)
    crowded: list[Timed] = field(default_factory=list)
    commands: dict[str, list[Done]] = field(default_factory=dict)
    said: dict[str, int] = field(default_factory=dict)
    compared: int = 0
    files: int = 0
    stop_s: float = 0.0
    cut_off: int = 0


def storm(folder: Path, size: Size, crowd: Crowd, make_store: Callable[[], str | None]) -> Outcome:
    """Let all work on one store at once; then compare it with one that had them in turn.

    Parameters
    ----------
    folder : Path
        An empty folder.
    make_store : callable
        Makes an empty store and returns its address; None for the file of a crew folder.
    """
    outcome = Outcome()
    before, coming = write_files(folder / "files", size)
    crew, quiet = (_crew(folder / name, make_store()) for name in ("crew", "quiet"))
    first: list[tuple[object, ...]] = [*(("import", path) for path in before), ("analyze",)]
    _work(InThread(crew), first)
    if (crew / STORE_FILE).exists():
        shutil.copy(crew / STORE_FILE, quiet)
    else:
        _work(InThread(quiet), first)
    add_users(load_crew(crew).store or crew)
    log = Log()
    with ExitStack() as stack:
        server = stack.enter_context((_process if crowd.processes else _thread)(crew))
        if crowd.alone_s:
            alone = Reader(server.client("Lena"), "lead", log, 0, crowd.pause_s / 10)
            alone.look_once_at_all()  # so that it is not the first who pays for what is kept
            log.timed.clear()
            _for(crowd.alone_s, alone.read)
            outcome.alone, log.timed = log.timed, []
        make = Worker if crowd.processes else InThread
        workers = [make(crew) for _ in range(crowd.importers + crowd.analyzers + crowd.pairs)]
        for worker in workers:
            stack.callback(worker.close)
        _crowd(crowd, server, workers, coming, log, outcome)
    outcome.crowded, outcome.compared = log.timed, log.compared
    outcome.wrong += log.errors
    _compare(crew, quiet, folder / "files", outcome)
    return outcome


@dataclass
class Served:
    """A dashboard that is served, how it is told to stop, and what it then said."""

    port: int
    stop: Callable[[], None]
    ended: Callable[[], str]

    def client(self, name: str) -> Client:
        """A client that has signed in."""
        client = Client("127.0.0.1", self.port, timeout=600.0)  # slow is no error
        answer = client.sign_in(name)
        assert answer.status == 303, (name, answer)
        return client


def _crowd(
    crowd: Crowd,
    server: Served,
    workers: list[Command],
    coming: list[list[Path]],
    log: Log,
    outcome: Outcome,
) -> None:
    """Let everybody begin at once; tell the server to stop in the middle of it all."""
    stop, files = Event(), SimpleQueue[Path]()
    pace = crowd.seconds / sum(map(len, coming))
    importers, analyzers = workers[: crowd.importers], workers[crowd.importers :][: crowd.analyzers]
    outcome.commands = {"import": [], "analyze": []}

    def feed() -> None:
        for group in coming:
            for path in group:
                files.put(path)
            if stop.wait(pace * len(group)):
                return

    def take_in(command: Command) -> None:
        while not stop.is_set():
            try:
                path = files.get(timeout=0.05)
            except Empty:
                continue
            outcome.commands["import"].append(command("import", path))

    def analyze(command: Command) -> None:
        while not stop.is_set():
            outcome.commands["analyze"].append(command("analyze"))

    roles: tuple[tuple[str, Role], ...] = (
        ("Lena", "lead"),
        ("Tove", "trainer"),
        ("birch@work", "technician"),
    )
    readers = [
        Reader(server.client(name), role, log, seed, crowd.pause_s)
        for seed in range(crowd.readers)
        for name, role in [roles[seed % len(roles)]]
    ]
    pairs = [
        Pair(server.client("Lena"), server.client("Tove"), command, log, seed, crowd.pause_s)
        for seed, command in enumerate(workers[crowd.importers + crowd.analyzers :])
    ]
    people = [(reader.read, stop) for reader in readers] + [(pair.talk, stop) for pair in pairs]
    with ThreadPoolExecutor(len(people) + len(workers) + 1) as executor:
        running = [executor.submit(feed)]
        running += [executor.submit(take_in, command) for command in importers]
        running += [executor.submit(analyze, command) for command in analyzers]
        running += [executor.submit(work, until) for work, until in people]
        try:
            time.sleep(crowd.seconds)
            told_at, began = time.time(), time.perf_counter()
            server.stop()
            said = server.ended()
            outcome.stop_s = time.perf_counter() - began
        finally:
            stop.set()
        for future in running:
            future.result(timeout=120)
    if said:
        outcome.wrong.append(f"the server and the log said at the end: {said}")
    if outcome.stop_s > MAY_LAST_S:
        outcome.wrong.append(f"the server took {outcome.stop_s:.0f} s to stop")
    outcome.cut_off = len(log.refused)
    # what takes longer than the server's grace is cut off, on a machine with too much to do
    if outcome.stop_s < GRACE_SECONDS:
        outcome.wrong += [
            f"{each.what} was sent {told_at - each.asked_at:.1f} s before the stop and not answered"
            for each in log.refused
            if each.asked_at < told_at - UNDERWAY_S
        ]
    for name, done in outcome.commands.items():
        outcome.wrong += [f"{name}: {each.code} {each.said}" for each in done if each.code]
    for pair in pairs:
        for what, count in pair.sayings.counts.items():
            outcome.said[what] = outcome.said.get(what, 0) + count


def _compare(crew: Path, quiet: Path, files: Path, outcome: Outcome) -> None:
    """Import the same files one after the other into a store of its own, and compare."""
    _work(InThread(crew), [("analyze",)])
    stormy = open_crew_store(crew, load_crew(crew))
    named = file_order(stormy)
    calm = open_crew_store(quiet, load_crew(quiet))
    later = named[len(file_order(calm)) :]
    outcome.files = len(later)
    _work(InThread(quiet), [("import", files / name) for name in later] + [("analyze",)])
    outcome.wrong += [f"{name}: rows lost or doubled" for name in unaccounted_rows(stormy)]
    outcome.wrong += differences(stormy, calm)
    stormy.dispose()
    calm.dispose()


def _crew(folder: Path, store: str | None) -> Path:
    folder.mkdir()
    (folder / "crew.toml").write_text(settings(store), encoding="utf-8")
    open_store(store or folder).dispose()
    return folder


def _work(command: InThread, all_words: list[tuple[object, ...]]) -> None:
    for words in all_words:
        done = command(*words)
        assert done.code == 0, (words, done)
    command.close()


def _for(seconds: float, read: Callable[[Event], None]) -> None:
    stop = Event()
    thread = Thread(target=read, args=(stop,))
    thread.start()
    stop.wait(seconds)
    stop.set()
    thread.join()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def _process(folder: Path) -> Iterator[Served]:
    """Serve by the program itself."""
    port = _free_port()
    words = ["serve", "--sign-in", "--port", str(port), "--crew", str(folder)]
    environ = os.environ | {"PYTHONFAULTHANDLER": "1"}
    with subprocess.Popen(
        [*PROGRAM, *words], stderr=subprocess.PIPE, text=True, env=environ
    ) as server:
        assert server.stderr is not None

        def ended() -> str:
            try:
                code = server.wait(2 * MAY_LAST_S)
            except subprocess.TimeoutExpired:
                server.send_signal(signal.SIGABRT)  # says where each thread is
                code = server.wait()
            printed = server.stderr.read() if server.stderr else ""
            logged = (folder / "arcdrift.log").read_text(encoding="utf-8")
            wrong = [line for line in logged.splitlines() if '"level": "error"' in line.lower()]
            if code or "Traceback" in printed + logged:
                wrong += [printed, *(f"Traceback{each}" for each in logged.split("Traceback")[1:])]
            return "; ".join([*([] if code == 0 else [f"code {code}"]), *wrong])

        try:
            assert "Dashboard at" in server.stderr.readline()
            yield Served(port, lambda: os.kill(server.pid, signal.SIGTERM), ended)
        finally:
            if server.poll() is None:
                server.kill()


@contextmanager
def _thread(folder: Path) -> Iterator[Served]:
    """Serve from a thread of this process."""
    port = _free_port()
    data = CrewData(folder)
    data.prefetch_advice()
    app = create_app(folder, ServedAddress("127.0.0.1", port, sign_in=True), data)
    server = GracefulServer(app.server, "127.0.0.1", port, stopping=data.stop_prefetching)
    thread = Thread(target=server.run)
    thread.start()

    def ended() -> str:
        thread.join(2 * MAY_LAST_S)
        return "it did not end" if thread.is_alive() else ""

    try:
        yield Served(port, server.stop, ended)
    finally:
        server.stop()
        thread.join()
