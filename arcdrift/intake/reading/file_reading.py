"""Reading a log without a layout: what its headers and values tell, and what has to be asked."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from arcdrift.errors import BadInput
from arcdrift.intake.draft.draft_layout import draft_layout
from arcdrift.intake.draft.draft_toml import Draft
from arcdrift.intake.draft.headers.header_match import UnclearKind
from arcdrift.intake.draft.headers.word_lists import WordLists, load_words
from arcdrift.intake.draft.layout_trial import with_trial_question
from arcdrift.intake.draft.own_format import is_own_format
from arcdrift.intake.draft.questions import Option, Question
from arcdrift.intake.draft.reading_summary import reading_summary
from arcdrift.intake.draft.sample_table import Table, find_table
from arcdrift.intake.layout.layout_match import LAYOUTS
from arcdrift.intake.layout.layouts import Encoding, Layout, load_layout
from arcdrift.intake.text.log_text import LogText
from arcdrift.settings import Crew

MOST_QUESTIONS = 3
"""With more open questions about a file a person in a terminal is asked none."""
_SAMPLE_BYTES = 64 << 20
"""A draft is made from as much of the beginning of a log."""
KIND_KEY = "kind"

Ask = Callable[[Question], str | None]
"""Asks a question; returns the answer, or None if it is left open."""
Say = Callable[[str], None]
"""Called with a sentence for whoever imports."""


class OpenQuestions(BadInput):
    """A log is not imported, as something about it is not clear.

    Attributes
    ----------
    draft : Draft
        Its layout as far as it is known, and the open questions.
    saved_as : Path or None
        File in which an earlier attempt has saved the draft.
    """

    def __init__(self, draft: Draft, saved_as: Path | None) -> None:
        self.draft, self.saved_as = draft, saved_as
        super().__init__(f"{draft.name} is not imported yet, as this is open: {self.texts}")

    @property
    def texts(self) -> str:
        """The open questions, one after the other."""
        return " ".join(question.text for question in self.draft.questions)


@dataclass(frozen=True)
class _LogSample:
    """The beginning of a log, its table, and the words by which that was found."""

    name: str
    encoding: Encoding | None
    content: bytes
    table: Table
    words: WordLists


@dataclass(frozen=True)
class FileReading:
    """How logs without a layout are read.

    Attributes
    ----------
    folder : Path
        The crew folder.
    crew : Crew
        Its settings.
    say : callable
        Called with how a log is read.
    kind : str, optional
        Kind of the files that was asked for.
    ask : callable, optional
        Asks a person; None to leave open what is not clear.
    most_questions : float
        With more open questions about a file none is asked.
    draft : Path, optional
        Draft of an earlier attempt, which is replaced once everything is answered.
    """

    folder: Path
    crew: Crew
    say: Say
    kind: str | None = None
    ask: Ask | None = None
    most_questions: float = MOST_QUESTIONS
    draft: Path | None = None

    def layout_for(self, log: LogText) -> Layout | None:
        """Find how a log is to be read; None if it is in our own format, or cannot be told.

        Says how it is read. Answers that hold for later files are kept as a layout of the crew.

        Raises
        ------
        OpenQuestions, UnclearKind
            When something is not clear.
        """
        if is_own_format(log, partial(load_words, self.folder)):
            return None
        sample = _log_sample(log, self.folder)
        if sample is None:
            return None
        answers: dict[str, str] = {}
        lasting = True
        draft = self._draft(sample, answers)
        while draft is not None and draft.questions:
            question = draft.questions[0]
            if self.ask is None or len(draft.questions) + len(answers) > self.most_questions:
                raise OpenQuestions(draft, self.draft)
            answer = None if question.key in answers else self.ask(question)
            if answer is None:
                raise OpenQuestions(draft, self.draft)
            answers[question.key] = answer
            lasting &= question.lasting
            draft = self._draft(sample, answers)
        if draft is None:
            return None
        self.say(reading_summary(draft))
        if not answers or not lasting:
            return draft.layout()
        path = self.draft or free_layout_path(self.folder, draft.name)
        write_layout(path, draft.text())
        self.say(f"The answers are kept in {path}, for later files with these headers.")
        return load_layout(path)

    def drafted(self, log: LogText, answers: dict[str, str]) -> Draft | None:
        """Draft how a log is read under some answers; None where nothing tells.

        Raises
        ------
        UnclearKind
            When its kind is not clear, and no answer says it.
        """
        sample = _log_sample(log, self.folder)
        return None if sample is None else self._draft(sample, dict(answers))

    def _draft(self, sample: _LogSample, answers: dict[str, str]) -> Draft | None:
        """Draft a layout; None if the table tells nothing that could be drafted."""
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
                crew=self.crew,
            )
        except UnclearKind as problem:
            if not problem.kinds:
                return None
            question = kind_question(sample.name, problem.kinds)
            answer = None if self.ask is None else self.ask(question)
            if answer is None or KIND_KEY in answers:
                raise
            answers[KIND_KEY] = answer
            return self._draft(sample, answers)
        except BadInput:
            return None  # the import says what is wrong with the file
        if draft.questions:
            return draft
        return with_trial_question(draft, sample.content, self.crew, now)


def free_layout_path(folder: Path, name: str) -> Path:
    """Path for a layout in the crew's layouts folder that is not taken, after a log's name."""
    stem = re.sub(r"[^\w.-]+", "-", name.removesuffix(".gz").rsplit(".", 1)[0]).strip("-.") or "log"
    names = (f"{stem}.toml", *(f"{stem}-{number}.toml" for number in range(2, 1000)))
    return next(folder / LAYOUTS / name for name in names if not (folder / LAYOUTS / name).exists())


def write_layout(path: Path, text: str) -> None:
    """Write a layout or a draft of one.

    Raises
    ------
    BadInput
        When the file cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as problem:
        reason = (problem.strerror or str(problem)).lower()
        raise BadInput(f"{path} cannot be written: {reason}.") from None


def _log_sample(log: LogText, crew_folder: Path) -> _LogSample | None:
    """Read the sample that a draft is made from; None if no table is found in it."""
    words = load_words(crew_folder)
    content = log.whole_lines(_SAMPLE_BYTES)
    try:
        table = find_table(content, log.name, words)
    except BadInput:
        return None  # the import says what is wrong with the file
    return _LogSample(log.name, log.encoding, content, table, words)


def kind_question(name: str, kinds: tuple[str, ...]) -> Question:
    """Ask what a log holds whose headers fit several kinds."""
    options = tuple(Option(kind, kind) for kind in kinds)
    return Question(KIND_KEY, f"The headers of {name} do not tell what it holds. Is it", options)
