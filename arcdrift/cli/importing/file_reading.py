"""Reading a log without a layout: what its headers and values tell, and what has to be asked."""

import re
import shlex
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from arcdrift.cli.crew_folder import CrewSession, command_text
from arcdrift.cli.output import print_notice
from arcdrift.errors import BadInput

if TYPE_CHECKING:
    from arcdrift.intake.draft.draft_toml import Draft
    from arcdrift.intake.draft.headers.word_lists import WordLists
    from arcdrift.intake.draft.questions import Question
    from arcdrift.intake.draft.sample_table import Table
    from arcdrift.intake.layout.layouts import Encoding, Layout
    from arcdrift.intake.text.log_text import LogText

MOST_QUESTIONS = 3
"""With more open questions about a file none is asked, and a draft is saved."""
_SAMPLE_BYTES = 64 << 20
"""A draft is made from as much of the beginning of a log."""
KIND_KEY = "kind"

Ask = Callable[["Question"], str | None]
"""Asks a question; returns the answer, or None if it is left open."""


@dataclass(frozen=True)
class _LogSample:
    """The beginning of a log, its table, and the words by which that was found."""

    name: str
    encoding: "Encoding | None"
    content: bytes
    table: "Table"
    words: "WordLists"


@dataclass(frozen=True)
class FileReading:
    """How logs without a layout are read.

    Attributes
    ----------
    session : CrewSession
        The crew.
    kind : str, optional
        Kind of the files that was asked for.
    ask : callable, optional
        Asks a person; None to leave open what is not clear.
    draft : Path, optional
        Draft of an earlier attempt, which is replaced once everything is answered.
    """

    session: CrewSession
    kind: str | None = None
    ask: Ask | None = None
    draft: Path | None = None

    def layout_for(self, log: "LogText") -> "Layout | None":
        """Find how a log is to be read; None if it is in our own format, or cannot be told.

        Prints how it is read. Answers that hold for later files are kept as a layout of the crew.

        Raises
        ------
        BadInput
            When something is not clear: names the draft that was saved, and what is open.
        """
        from arcdrift.intake.draft.headers.word_lists import load_words
        from arcdrift.intake.draft.own_format import is_own_format
        from arcdrift.intake.draft.reading_summary import reading_summary
        from arcdrift.intake.layout.layouts import load_layout

        if is_own_format(log, partial(load_words, self.session.folder)):
            return None
        sample = _log_sample(log, self.session.folder)
        if sample is None:
            return None
        answers: dict[str, str] = {}
        lasting = True
        draft = self._draft(sample, answers)
        while draft is not None and draft.questions:
            question = draft.questions[0]
            if self.ask is None or len(draft.questions) + len(answers) > MOST_QUESTIONS:
                raise BadInput(self._save_open(draft))
            answer = None if question.key in answers else self.ask(question)
            if answer is None:
                raise BadInput(self._save_open(draft))
            answers[question.key] = answer
            lasting &= question.lasting
            draft = self._draft(sample, answers)
        if draft is None:
            return None
        print_notice(reading_summary(draft))
        if not answers or not lasting:
            return draft.layout()
        path = self.draft or self._free_path(draft.name)
        _write(path, draft.text())
        print_notice(f"The answers are kept in {path}, for later files with these headers.")
        return load_layout(path)

    def _draft(self, sample: "_LogSample", answers: dict[str, str]) -> "Draft | None":
        """Draft a layout; None if the table tells nothing that could be drafted."""
        from arcdrift.intake.draft.draft_layout import draft_layout
        from arcdrift.intake.draft.headers.header_match import UnclearKind
        from arcdrift.intake.draft.layout_trial import with_trial_question

        now = datetime.now(UTC)
        try:
            draft = draft_layout(
                sample.table,
                sample.name,
                now=now,
                words=sample.words,
                kind=answers.get(KIND_KEY) or self.kind,
                encoding=sample.encoding,
                answers=answers,
                crew=self.session.crew,
            )
        except UnclearKind as problem:
            if not problem.kinds:
                return None
            question = _kind_question(sample.name, problem.kinds)
            answer = None if self.ask is None else self.ask(question)
            if answer is None or KIND_KEY in answers:
                raise
            answers[KIND_KEY] = answer
            return self._draft(sample, answers)
        except BadInput:
            return None  # the import says what is wrong with the file
        if draft.questions:
            return draft
        return with_trial_question(draft, sample.content, self.session.crew, now)

    def _save_open(self, draft: "Draft") -> str:
        """Save a draft, unless there is one already; return a sentence about what is open."""
        path = self.draft
        if path is None:
            path = self._free_path(draft.name)
            _write(path, draft.text())
        texts = " ".join(question.text for question in draft.questions)
        # a sheet, or a file in an archive, is imported with the file that holds it
        file_name = shlex.quote(draft.name.partition("/")[0])
        command = command_text(f"import {file_name}", self.session.folder)
        return (
            f"{draft.name} is not imported yet, as this is open: {texts} The rest is in the draft "
            f"{path}: decide there what stands under undecided, then run {command} again."
        )

    def _free_path(self, name: str) -> Path:
        """Path for a draft in the crew's layouts folder that is not taken."""
        from arcdrift.intake.layout.layout_match import LAYOUTS

        folder = self.session.folder / LAYOUTS
        stem = (
            re.sub(r"[^\w.-]+", "-", name.removesuffix(".gz").rsplit(".", 1)[0]).strip("-.")
            or "log"
        )
        names = (f"{stem}.toml", *(f"{stem}-{number}.toml" for number in range(2, 1000)))
        return next(folder / name for name in names if not (folder / name).exists())


def _log_sample(log: "LogText", crew_folder: Path) -> _LogSample | None:
    """Read the sample that a draft is made from; None if no table is found in it."""
    from arcdrift.intake.draft.headers.word_lists import load_words
    from arcdrift.intake.draft.sample_table import find_table

    words = load_words(crew_folder)
    content = log.whole_lines(_SAMPLE_BYTES)
    try:
        table = find_table(content, log.name, words)
    except BadInput:
        return None  # the import says what is wrong with the file
    return _LogSample(log.name, log.encoding, content, table, words)


def _kind_question(name: str, kinds: "tuple[str, ...]") -> "Question":
    from arcdrift.intake.draft.questions import Option, Question

    options = tuple(Option(kind, kind) for kind in kinds)
    return Question(KIND_KEY, f"The headers of {name} do not tell what it holds. Is it", options)


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise BadInput(f"{path} cannot be written: {reason}.") from None
