"""One file that was sent in, and how far its import is."""

from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic
from typing import Literal

from arcdrift.intake.draft.draft_toml import Draft
from arcdrift.intake.draft.questions import Question
from arcdrift.intake.schema.import_report import ImportReport
from dashboard.access.current_user import current_user

State = Literal["waiting", "reading", "open", "done"]


@dataclass(frozen=True)
class Sender:
    """Who sends files in.

    Attributes
    ----------
    name : str
        Of the sign-in; as typed where nobody signs in.
    session : str
        Who may see and answer what was sent: the name of the sign-in, or "" for everybody at this
        computer.
    only_splicer : str, optional
        The splicer whose records alone they may add; None for all.
    """

    name: str
    session: str = ""
    only_splicer: str | None = None


@dataclass
class Upload:
    """A file that was sent in.

    Attributes
    ----------
    token : str
        Names it in addresses and callbacks.
    path : Path
        The copy on this computer, which is deleted when the import has ended.
    state : str
        ``waiting`` for its turn, ``reading``, ``open`` (a person has to answer) or ``done``.
    rows_done, rows : int
        Progress of the log that is read.
    sentences : list of str
        How its logs were read, and what was passed over.
    reports : list of ImportReport
        Of the logs that were imported.
    problems : list of str
        Why logs of it were refused.
    draft : Draft or None
        Layout of a log of it about which something is open, as far as it is known.
    questions : tuple of Question
        What is open about it.
    answers : dict of str to str
        Answers so far, by the key of the question.
    changed_at : float
        When its state last changed, in seconds of the monotonic clock.
    """

    token: str
    name: str
    sender: Sender
    path: Path
    state: State = "waiting"
    rows_done: int = 0
    rows: int = 0
    sentences: list[str] = field(default_factory=list)
    reports: list[ImportReport] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    draft: Draft | None = None
    questions: tuple[Question, ...] = ()
    answers: dict[str, str] = field(default_factory=dict)
    changed_at: float = field(default_factory=monotonic)

    @property
    def is_active(self) -> bool:
        """Whether it will go on without anybody's doing."""
        return self.state in ("waiting", "reading")

    def begin(self) -> None:
        """Forget what an earlier attempt found."""
        self.state, self.rows_done, self.rows = "reading", 0, 0
        self.draft, self.questions = None, ()
        for found in (self.sentences, self.reports, self.problems):
            found.clear()

    def move_to(self, state: State) -> None:
        """Note a new state."""
        self.state, self.changed_at = state, monotonic()


def session_of_request() -> str:
    """Return whose uploads the present request may see."""
    user = current_user()
    return "" if user is None else user.name
