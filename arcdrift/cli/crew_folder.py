"""Opens a crew folder for a command: its settings and its store."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from arcdrift.cli.error_messages import Unforeseen
from arcdrift.cli.options import HERE
from arcdrift.errors import ArcdriftError, UsageError

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from arcdrift.settings import Crew


@dataclass(frozen=True)
class OpenCrew:
    """A crew folder in use."""

    folder: Path
    crew: "Crew"
    engine: "Engine"


@contextmanager
def open_crew(folder: Path) -> Iterator[OpenCrew]:
    """Open a crew folder; what goes wrong unforeseen while it is open is logged in it.

    Raises
    ------
    BadInput, StoreTrouble
        When the folder, its crew.toml or its store cannot be used.
    """
    from arcdrift.settings import load_crew
    from arcdrift.store.connect import open_store

    crew = load_crew(folder)
    try:
        engine = open_store(folder)
        try:
            yield OpenCrew(folder, crew, engine)
        finally:
            engine.dispose()
    except (ArcdriftError, typer.Exit, BrokenPipeError):
        raise
    except Exception as problem:
        raise Unforeseen(folder) from problem


def command(words: str, folder: Path) -> str:
    """Words of a command as they must be typed for this crew folder."""
    return f"`arcdrift {words}`" if folder == HERE else f"`arcdrift {words} --crew {folder}`"


def require_analysis(here: OpenCrew) -> None:
    """Refuse to show results there are none of; say when they are out of date.

    Raises
    ------
    UsageError
        When nothing has been analyzed yet: no result would look like a clean one.
    """
    from arcdrift import __version__
    from arcdrift.cli.output import say
    from arcdrift.store import read

    analyze = command("analyze", here.folder)
    run = read.result(here.engine, "analysis_run")
    if run.empty:
        raise UsageError(f"Nothing has been analyzed yet; run {analyze} first.")
    assessed, version = run["assessed_on"].iloc[-1], run["version"].iloc[-1]
    if read.changed_since(here.engine, assessed):
        say(
            "Records or baselines have changed since the last analysis; "
            f"run {analyze} to include them."
        )
    elif version != __version__:
        say(f"The last analysis was made by arcdrift {version}; run {analyze} anew.")
