"""All files that were sent in lately: imported one after the other, in the background."""

import logging
import secrets
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from time import monotonic
from typing import IO

import pandas as pd
from sqlalchemy import Connection, Engine, select

from arcdrift.errors import ArcdriftError, BadInput, UsageError
from arcdrift.intake.containers.files import open_file, open_text
from arcdrift.intake.containers.sources import Log, PassedOver, Refused
from arcdrift.intake.draft.draft_toml import Draft
from arcdrift.intake.draft.headers.header_match import UnclearKind
from arcdrift.intake.draft.layout_trial import first_rows
from arcdrift.intake.draft.questions import Question
from arcdrift.intake.reading.file_reading import FileReading, OpenQuestions, kind_question
from arcdrift.intake.reading.import_log import import_log, logs_of_file
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.records.record_overview import newest_records
from dashboard.error_page import sentence
from dashboard.uploads.upload import Sender, Upload

MAX_UNPACKED_BYTES = 1 << 30
"""Largest size that a file may unpack to."""
MOST_OPEN = 50
"""Files of one sender that may wait or be open at the same time."""
KEPT_SECONDS = 3600.0
"""How long a file that waits for an answer is kept, and how it ended is told."""
_BLOCK_BYTES = 1 << 20
_START_BYTES = 1 << 18

log = logging.getLogger("arcdrift.dashboard")


class Uploads:
    """Files sent in to one crew folder; safe to share between threads.

    Files are imported one at a time, so that readers of pages are not kept waiting. Once none is
    left, the results are brought up to date by a process of its own.
    """

    def __init__(self, folder: Path, engine: Engine, settings: Callable[[], Crew]) -> None:
        """Take files in for a crew folder; ``settings`` returns the settings in force."""
        self._folder, self._engine, self._settings = folder, engine, settings
        self._scratch: Path | None = None
        self._uploads: dict[str, Upload] = {}
        self._lock = Lock()
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="uploads")
        self._analyst = ThreadPoolExecutor(1, thread_name_prefix="analysis")
        self._analysis: subprocess.Popen[bytes] | None = None
        self._analysis_failed = ""
        self._to_analyze = self._is_analyzing = False

    def receive(self, name: str, content: IO[bytes], sender: Sender) -> Upload:
        """Take a file in, and import it when it is its turn.

        Parameters
        ----------
        name : str
            As the sender's computer calls it, with the folders it was in.

        Raises
        ------
        UsageError
            When the sender has too many files open.
        """
        self._forget_old()
        with self._lock:
            ours = [each for each in self._uploads.values() if each.sender == sender]
            if sum(each.state != "done" for each in ours) >= MOST_OPEN:
                raise UsageError(
                    f"{MOST_OPEN} files wait already; answer what is open about them first."
                )
            if self._scratch is None:
                self._scratch = Path(tempfile.mkdtemp(prefix="arcdrift-uploads-"))
        token = secrets.token_hex(8)
        # its ending tells how a file is packed
        path = self._scratch / (token + "".join(Path(name).suffixes[-2:])[-20:].replace("/", ""))
        with path.open("wb") as copy:
            shutil.copyfileobj(content, copy, _BLOCK_BYTES)
        upload = Upload(token, name, sender, path)
        with self._lock:
            self._uploads[token] = upload
        self._worker.submit(self._import, upload)
        return upload

    def of(self, session: str) -> list[Upload]:
        """Return the files of a session, the latest first."""
        with self._lock:
            found = [each for each in self._uploads.values() if each.sender.session == session]
        return found[::-1]

    def find(self, token: str, session: str) -> Upload:
        """Return a file of a session.

        Raises
        ------
        UsageError
            When there is none.
        """
        found = next((each for each in self.of(session) if each.token == token), None)
        if found is None:
            raise UsageError("That file is no longer here; send it in again.")
        return found

    def answer(self, token: str, session: str, answers: Mapping[str, str]) -> None:
        """Answer what is open about a file, and import it when it is its turn.

        Raises
        ------
        UsageError
            When there is no such file, or nothing is open about it.
        """
        upload = self.find(token, session)
        with self._lock:
            if upload.state != "open":
                raise UsageError("Nothing is open about that file.")
            upload.answers |= {key: value.strip() for key, value in answers.items()}
            upload.move_to("waiting")
        self._worker.submit(self._import, upload)

    def give_up(self, token: str, session: str) -> None:
        """Take back a file about which something is open; nothing of it was stored."""
        upload = self.find(token, session)
        with self._lock:
            self._uploads.pop(token, None)
        upload.path.unlink(missing_ok=True)

    def preview(
        self, token: str, session: str, answers: Mapping[str, str]
    ) -> tuple[Draft | None, pd.DataFrame]:
        """Return how a file would be read under some answers, and its first rows so read.

        Raises
        ------
        ArcdriftError
            When it cannot be read.
        """
        upload = self.find(token, session)
        crew = self._settings()
        reading = FileReading(self._folder, crew, say=lambda _sentence: None)
        upload.answers |= {key: value.strip() for key, value in answers.items()}
        chosen = {key: value for key, value in upload.answers.items() if value}
        for found in logs_of_file(self._folder, upload.path, upload.name):
            if not isinstance(found, Log) or (upload.draft and found.name != upload.draft.name):
                continue
            with (
                open_file(found.path, found.name, max_bytes=MAX_UNPACKED_BYTES) as file,
                open_text(file, max_bytes=MAX_UNPACKED_BYTES, sheet=found.sheet) as text,
            ):
                draft = reading.drafted(text, chosen)
                if draft is None:
                    return None, pd.DataFrame()
                start = text.whole_lines(_START_BYTES)
                return draft, first_rows(draft, start, crew, datetime.now(UTC))
        return None, pd.DataFrame()

    def is_busy(self, session: str) -> bool:
        """Whether something of a session, or the results, will change without anybody's doing."""
        goes_on = any(upload.is_active for upload in self.of(session))
        return goes_on or self._to_analyze or self.analyzing

    @property
    def analyzing(self) -> bool:
        """Whether the results are being brought up to date."""
        return self._is_analyzing

    @property
    def analysis_failed(self) -> str:
        """Why the results could not be brought up to date; empty where they could."""
        return self._analysis_failed

    def analyze(self) -> None:
        """Bring the results up to date, once all files are imported."""
        with self._lock:
            self._to_analyze = True
        self._analyst.submit(self._analyze)

    def _import(self, upload: Upload) -> None:
        upload.begin()
        crew = self._settings()
        try:
            for found in logs_of_file(
                self._folder, upload.path, upload.name, max_bytes=MAX_UNPACKED_BYTES
            ):
                if isinstance(found, PassedOver):
                    upload.sentences.append(found.why)
                elif isinstance(found, Refused):
                    upload.problems.append(sentence(found.problem))
                else:
                    self._import_log(upload, found, crew)
        except Exception as problem:  # whatever it is, the sender is told
            upload.problems.append(sentence(problem))
        if any(report.balance.accepted or report.mended for report in upload.reports):
            self._to_analyze = True
        if upload.questions:
            upload.move_to("open")
            return
        upload.path.unlink(missing_ok=True)
        upload.move_to("done")
        self._analyst.submit(self._analyze)

    def _import_log(self, upload: Upload, found: Log, crew: Crew) -> None:
        def ask(question: Question) -> str | None:
            return question.answer_to(upload.answers.get(question.key, ""))

        def note_progress(done: int, rows: int) -> None:
            upload.rows_done, upload.rows = done, rows

        sender = upload.sender
        try:
            upload.reports.append(
                import_log(
                    self._engine,
                    crew,
                    self._folder,
                    found.path,
                    name=found.name,
                    sheet=found.sheet,
                    say=upload.sentences.append,
                    refused=upload.sentences.append,
                    ask=ask,
                    most_questions=float("inf"),
                    progress=note_progress,
                    max_bytes=MAX_UNPACKED_BYTES,
                    imported_by=sender.name or None,
                    require=None
                    if sender.only_splicer is None
                    else _only(self._engine, sender.only_splicer, found.name),
                )
            )
        except OpenQuestions as problem:
            upload.draft, upload.questions = problem.draft, problem.draft.questions
        except UnclearKind as problem:
            if problem.kinds:
                upload.questions = (kind_question(found.name, problem.kinds),)
            else:
                upload.problems.append(sentence(problem))
        except ArcdriftError as problem:
            upload.problems.append(sentence(problem))

    def _analyze(self) -> None:
        """Analyze if something new is stored and no file waits for its turn."""
        with self._lock:
            waits = any(each.is_active for each in self._uploads.values())
            if waits or not self._to_analyze:
                return
            self._to_analyze, self._is_analyzing = False, True
        try:
            # with only readings or services so far there is nothing to work out
            if newest_records(self._engine):
                self._run_analysis()
        finally:
            self._is_analyzing = False

    def _run_analysis(self) -> None:
        """Analyze in a process of its own, so that readers of pages are not kept waiting."""
        program = "from arcdrift.cli.main import run; run()"
        self._analysis_failed = ""
        with tempfile.TemporaryFile() as printed:
            self._analysis = subprocess.Popen(  # noqa: S603 - our own program
                [sys.executable, "-c", program, "analyze", "--crew", str(self._folder)],
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=printed,
            )  # fmt: skip
            if self._analysis.wait() > 0:  # else it was ended with the server
                printed.seek(0)
                log.error("analyze: %s", printed.read().decode("utf-8", "replace"))
                self._analysis_failed = (
                    "The new records are stored, but the results could not be brought up to date. "
                    "Try again, or let a lead run arcdrift analyze, which says why."
                )

    def _forget_old(self) -> None:
        with self._lock:
            old = [
                each
                for each in self._uploads.values()
                if not each.is_active and monotonic() - each.changed_at > KEPT_SECONDS
            ]
            for upload in old:
                del self._uploads[upload.token]
        for upload in old:
            upload.path.unlink(missing_ok=True)

    def close(self) -> None:
        """Begin nothing more, end an analysis, and delete what was kept of the files."""
        for executor in (self._worker, self._analyst):
            executor.shutdown(wait=False, cancel_futures=True)
        if self._analysis is not None and self._analysis.poll() is None:
            self._analysis.terminate()
        with suppress(OSError):
            if self._scratch is not None:
                shutil.rmtree(self._scratch)


def _only(engine: Engine, splicer: str, name: str) -> Callable[[Connection, int], None]:
    """Return a check that an import has added records of one splicer and its cleavers alone."""

    def require(connection: Connection, import_id: int) -> None:
        blades = schema.RESULTS["result_blades"].columns
        found = connection.execute(select(blades.cleaver, blades.splicers))
        allowed = {splicer} | {row.cleaver for row in found if splicer in row.splicers.split(", ")}
        assets: set[str | None] = set()
        for kind, column in _ASSETS.items():
            t = schema.RECORDS[kind].columns
            added = select(t[column]).where(t.import_id == import_id).distinct()
            assets.update(connection.execute(added).scalars())
        others = sorted(asset for asset in assets - allowed if asset)
        if others or None in assets:
            what = ", ".join(others[:3]) or "no splicer, but of a place"
            raise BadInput(
                f"{name} was not imported: it holds records of {what}, and you may add those of "
                f"{splicer}, which is your splicer on this device. Ask a trainer or a lead to add "
                "this file."
            )

    return require


_ASSETS = {"arc-checks": "splicer", "splices": "splicer", "readings": "splicer", "service": "asset"}
"""Column of each kind that says what a record is about."""
