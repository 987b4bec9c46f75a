"""Asking a person in the terminal what is not clear about a file."""

import sys
from typing import TYPE_CHECKING

import typer

from arcdrift.cli.output import printable

if TYPE_CHECKING:
    from arcdrift.intake.draft.questions import Question

_REPLIES = 3
"""Replies that are no answer are heard so many times."""


def terminal_question(question: "Question") -> str | None:
    """Ask a question in the terminal; return the answer, or None if it is left open."""
    typer.echo(printable(question.text), err=True)
    for number, option in enumerate(question.options, 1):
        typer.echo(printable(f"  {number}  {option.label}"), err=True)
    wanted = "Number" if question.options else "Name"
    for _ in range(_REPLIES):
        try:
            reply = typer.prompt(
                f"{wanted} (Enter to leave it open)" if not question.suggestion else wanted,
                default=question.suggestion,
                show_default=bool(question.suggestion),
                err=True,
            )
        except typer.Abort:
            return None
        if not reply.strip():
            return None
        answer = question.answer_to(reply)
        if answer is not None:
            return answer
    return None


def is_terminal() -> bool:
    """Whether a person can be asked: input and messages are those of a terminal."""
    return sys.stderr.isatty() and sys.stdin.isatty()
