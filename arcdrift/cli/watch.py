"""``arcdrift import --watch``: a folder that logs are dropped into, until it is stopped."""

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from arcdrift.cli.analyze import review_crew, severity_words
from arcdrift.cli.crew_folder import OpenCrew
from arcdrift.cli.interruption import say_waiting
from arcdrift.cli.output import counted, say, tell
from arcdrift.errors import ArcdriftError, BadInput, StoreTrouble

if TYPE_CHECKING:
    from arcdrift.cli.import_files import Kind
    from arcdrift.intake.containers.folder_watch import Folder
    from arcdrift.intake.layout.layouts import Layout

EVERY_SECONDS = 30.0
LEAST_SECONDS = 0.1


@dataclass
class Watched:
    """What came of watching so far."""

    files: int = 0
    refused: int = 0
    accepted: int = 0
    quarantined: int = 0
    conflicting: int = 0


@dataclass(frozen=True)
class Watch:
    """How a folder is watched.

    Attributes
    ----------
    every : float
        Seconds between two looks.
    analyze : bool
        Whether to analyze anew after a look that brought new rows.
    """

    here: OpenCrew
    folder: Path
    kind: "Kind | None" = None
    layout: "Layout | None" = None
    every: float = EVERY_SECONDS
    analyze: bool = False

    def run(self, rounds: int | None = None) -> Watched:
        """Look, import what is new, wait; until stopped, or for some rounds."""
        from arcdrift.intake.containers.folder_watch import Folder

        if self.every < LEAST_SECONDS:
            raise BadInput(f"--every {self.every:g} is too often; give {LEAST_SECONDS} or more.")
        folder, went = Folder(self.here.engine, self.folder), Watched()
        folder.look()
        tell(
            f"Watching {self.folder} every {self.every:g} s; Ctrl-C ends it. A file is read when "
            f"it has not changed between two looks."
        )
        for sentence in folder.troubles:
            say(sentence)
        with _stoppable():
            try:
                while rounds is None or rounds > 0:
                    time.sleep(self.every)
                    self._round(folder, went)
                    rounds = None if rounds is None else rounds - 1
            except KeyboardInterrupt:
                pass  # the usual way to end it; an import under way was taken back whole
        tell(
            f"Stopped watching: {counted(went.files, 'file')} read, {went.accepted:,} rows "
            f"accepted, {went.conflicting:,} conflicting, {went.quarantined:,} quarantined; "
            f"{counted(went.refused, 'file')} refused."
        )
        return went

    def _round(self, folder: "Folder", went: Watched) -> None:
        before = went.accepted
        try:
            ready = folder.look()
        except ArcdriftError as problem:
            self._say_once(folder, problem)
            return
        for sentence in folder.troubles:
            say(sentence)
        for path in ready:
            try:
                self._take(folder, path, went)
            except StoreTrouble as problem:
                self._say_once(folder, problem)
                return
            except ArcdriftError as problem:
                self._say_once(folder, problem)
        if self.analyze and went.accepted > before:
            try:
                tell(f"{_clock()} analyzed: {severity_words(review_crew(self.here))}.")
            except ArcdriftError as problem:
                self._say_once(folder, problem)

    def _take(self, folder: "Folder", path: Path, went: Watched) -> None:
        digest = folder.digest(path)
        if folder.dealt_with(digest):
            folder.note(path, digest, waiting=say_waiting)
            return
        said = self._import(path, went)
        if folder.changed(path):
            return  # what was added meanwhile is read once it rests
        folder.note(path, digest, said, waiting=say_waiting)

    def _import(self, path: Path, went: Watched) -> str | None:
        """Import the logs in a file; the sentences about those that cannot be, or None."""
        from arcdrift.cli.import_files import import_one, logs_of
        from arcdrift.intake.containers.sources import Log, PassedOver

        wrong: list[str] = []
        for log in logs_of([path], self.layout):
            if isinstance(log, PassedOver):
                say(log.why)
                continue
            try:
                if not isinstance(log, Log):
                    raise log.problem
                report = import_one(
                    self.here, log.path, self.kind, self.layout, name=log.name, sheet=log.sheet
                )
            except StoreTrouble:
                raise
            except ArcdriftError as problem:
                say(f"{_clock()} {problem}")
                wrong.append(str(problem))
                continue
            balance = report.balance
            went.accepted += balance.accepted
            went.conflicting += balance.conflicting
            went.quarantined += balance.quarantined
            tell(
                f"{_clock()} {report.file}: {counted(balance.rows, 'row')} of {report.kind}, "
                f"{balance.accepted:,} accepted, {balance.already_stored:,} already stored, "
                f"{balance.conflicting:,} conflicting, {balance.quarantined:,} quarantined "
                f"(import {report.import_id})."
            )
        went.refused += bool(wrong)
        went.files += not wrong
        return " ".join(wrong) or None

    def _say_once(self, folder: "Folder", problem: ArcdriftError) -> None:
        if folder.once(str(problem)):
            say(f"{_clock()} {problem}")


@contextmanager
def _stoppable() -> Iterator[None]:
    """Let SIGTERM end the work like Ctrl-C."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    ours = threading.current_thread() is threading.main_thread()
    former = signal.signal(signal.SIGTERM, stop) if ours else None
    try:
        yield
    finally:
        if ours:
            signal.signal(signal.SIGTERM, former)


def _clock() -> str:
    return datetime.now().astimezone().strftime("%H:%M:%S")
