"""Watching a folder: importing the logs that people drop into it, until interrupted."""

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

from arcdrift.cli.analysis_run import review_crew, review_findings_text
from arcdrift.cli.crew_folder import CrewSession
from arcdrift.cli.importing.import_run import find_logs, import_found
from arcdrift.cli.interrupts import errors_as_interrupts
from arcdrift.cli.options import RecordKind
from arcdrift.cli.output import count_noun, print_lines, print_notice, print_waiting
from arcdrift.errors import ArcdriftError, BadInput, StoreTrouble

if TYPE_CHECKING:
    from arcdrift.cli.executors.worker_processes import LastingWorkers
    from arcdrift.intake.containers.folder_watch import WatchedFolder
    from arcdrift.intake.layout.layouts import Layout

DEFAULT_INTERVAL_S = 30.0
MIN_INTERVAL_S = 0.1


@dataclass
class WatchTotals:
    """Files read and refused, and their rows by outcome, since the watch began."""

    files: int = 0
    refused: int = 0
    accepted: int = 0
    quarantined: int = 0
    conflicting: int = 0


@dataclass(frozen=True)
class FolderWatch:
    """A watched folder and what to do with its files.

    Attributes
    ----------
    kind, layout
        As for an import: the kind of record and the layout, if they are not to be recognized.
    interval_s : float
        Seconds between two looks at the folder.
    analyze : bool
        Whether to run the analysis after a look that brought new rows.
    """

    session: CrewSession
    folder: Path
    kind: RecordKind | None = None
    layout: "Layout | None" = None
    interval_s: float = DEFAULT_INTERVAL_S
    analyze: bool = False

    def run(self, rounds: int | None = None) -> WatchTotals:
        """Look at the folder and import new files, for `rounds` rounds or until interrupted."""
        from arcdrift.cli.executors.worker_processes import LastingWorkers
        from arcdrift.intake.containers.folder_watch import WatchedFolder

        if self.interval_s < MIN_INTERVAL_S:
            raise BadInput(
                f"--every {self.interval_s:g} is too often; give {MIN_INTERVAL_S} or more."
            )
        folder, totals = WatchedFolder(self.session.engine, self.folder), WatchTotals()
        folder.finished_files()
        print_lines(
            f"Watching {self.folder} every {self.interval_s:g} s; Ctrl-C ends it. A file is read "
            f"when it has not changed between two looks."
        )
        for sentence in folder.troubles:
            print_notice(sentence)
        with LastingWorkers(self.session.engine) as workers, _interrupt_on_sigterm():
            try:
                while rounds is None or rounds > 0:
                    time.sleep(self.interval_s)
                    with errors_as_interrupts():
                        self._run_round(folder, totals, workers)
                    rounds = None if rounds is None else rounds - 1
            except KeyboardInterrupt:
                pass  # the usual end; the store has rolled back an import that was running
        print_lines(
            f"Stopped watching: {count_noun(totals.files, 'file')} read, {totals.accepted:,} rows "
            f"accepted, {totals.conflicting:,} conflicting, {totals.quarantined:,} quarantined; "
            f"{count_noun(totals.refused, 'file')} refused."
        )
        return totals

    def _run_round(
        self, folder: "WatchedFolder", totals: WatchTotals, workers: "LastingWorkers"
    ) -> None:
        accepted_before = totals.accepted
        try:
            ready = folder.finished_files()
        except ArcdriftError as problem:
            self._print_once(folder, problem)
            return
        for sentence in folder.troubles:
            print_notice(sentence)
        for path in ready:
            try:
                self._handle_file(folder, path, totals)
            except StoreTrouble as problem:
                self._print_once(folder, problem)
                return
            except ArcdriftError as problem:
                self._print_once(folder, problem)
        if self.analyze and totals.accepted > accepted_before:
            try:
                with errors_as_interrupts():
                    findings = review_findings_text(review_crew(self.session, lasting=workers))
                print_lines(f"{_time_of_day()} analyzed: {findings}.")
            except ArcdriftError as problem:
                self._print_once(folder, problem)

    def _handle_file(self, folder: "WatchedFolder", path: Path, totals: WatchTotals) -> None:
        """Import a file whose content is new, and note its content as handled."""
        digest = folder.digest(path)
        if folder.is_handled(digest):
            folder.record_handled(path, digest, waiting=print_waiting)
            return
        errors = self._import(path, totals)
        if folder.has_changed(path):
            return  # read again, with what was added meanwhile, when it no longer changes
        folder.record_handled(path, digest, errors, waiting=print_waiting)

    def _import(self, path: Path, totals: WatchTotals) -> str | None:
        """Import the logs in a file; return the errors of those that failed, or None."""
        errors: list[str] = []
        for log in find_logs(self.session.folder, [path], self.layout):
            try:
                with errors_as_interrupts():
                    report = import_found(self.session, log, self.kind, self.layout)
            except StoreTrouble:
                raise
            except ArcdriftError as problem:
                print_notice(f"{_time_of_day()} {problem}")
                errors.append(str(problem))
                continue
            balance = report.balance
            totals.accepted += balance.accepted
            totals.conflicting += balance.conflicting
            totals.quarantined += balance.quarantined
            print_lines(
                f"{_time_of_day()} {report.file}: {count_noun(balance.rows, 'row')} of "
                f"{report.kind}, {balance.accepted:,} accepted, {balance.already_stored:,} already "
                f"stored, {balance.conflicting:,} conflicting, {balance.quarantined:,} quarantined "
                f"(import {report.import_id})."
            )
        totals.refused += bool(errors)
        totals.files += not errors
        return " ".join(errors) or None

    def _print_once(self, folder: "WatchedFolder", problem: ArcdriftError) -> None:
        if folder.is_new(str(problem)):
            print_notice(f"{_time_of_day()} {problem}")


@contextmanager
def _interrupt_on_sigterm() -> Iterator[None]:
    """Let SIGTERM raise KeyboardInterrupt, as Ctrl-C does."""

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    # only the main thread may set signal handlers
    is_main = threading.current_thread() is threading.main_thread()
    former = signal.signal(signal.SIGTERM, interrupt) if is_main else None
    try:
        yield
    finally:
        if is_main:
            signal.signal(signal.SIGTERM, former)


def _time_of_day() -> str:
    return datetime.now().astimezone().strftime("%H:%M:%S")
