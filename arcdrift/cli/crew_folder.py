"""Opening a crew folder for a command: its settings and its store."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from arcdrift.cli.error_messages import UnexpectedError
from arcdrift.cli.options import CURRENT_FOLDER
from arcdrift.cli.output import print_notice
from arcdrift.cli.time_arguments import zone_of_splicer
from arcdrift.errors import ArcdriftError, UsageError

if TYPE_CHECKING:
    from sqlalchemy import Engine

    from arcdrift.settings import Crew


@dataclass(frozen=True)
class CrewSession:
    """An open crew folder.

    Attributes
    ----------
    folder : Path
        Its path.
    crew : Crew
        Its settings.
    engine : Engine
        Database engine for its store.
    """

    folder: Path
    crew: "Crew"
    engine: "Engine"
    _printed: set[str] = field(default_factory=set)

    def print_once(self, sentence: str) -> None:
        """Print a notice, unless this session printed the same one before."""
        if sentence not in self._printed:
            self._printed.add(sentence)
            print_notice(sentence)


@contextmanager
def open_crew(folder: Path) -> Iterator[CrewSession]:
    """Open a crew folder; close its store at the end.

    Raises
    ------
    BadInput, StoreTrouble
        If the folder, its crew.toml or its store cannot be used.
    UnexpectedError
        In place of any unexpected exception, so that it is logged in this folder.
    """
    from arcdrift.settings import load_crew
    from arcdrift.store.database.connect import open_crew_store
    from arcdrift.store.database.soundness import require_sound

    crew = load_crew(folder)
    try:
        engine = open_crew_store(folder, crew)
        try:
            yield CrewSession(folder, crew, engine)
        except (ArcdriftError, typer.Exit, BrokenPipeError):
            raise
        except Exception as problem:
            require_sound(engine, problem)
            raise
        finally:
            engine.dispose()
    except (ArcdriftError, typer.Exit, BrokenPipeError):
        raise
    except Exception as problem:
        raise UnexpectedError(folder) from problem


def command_text(arguments: str, folder: Path) -> str:
    """Return a command as it must be typed for this crew folder, in backticks."""
    option = "" if folder == CURRENT_FOLDER else f" --crew {folder}"
    return f"`arcdrift {arguments}{option}`"


def subcommand_folder(context: typer.Context, folder: Path) -> Path:
    """Return the ``--crew`` folder given after a subcommand, or else the one given before it."""
    before: Path = context.obj
    return before if folder == CURRENT_FOLDER else folder


def require_analysis(session: CrewSession) -> None:
    """Check that there are results to show; print a notice if they or the records seem wrong.

    A notice is printed when the results are out of date, and when records lie in the future.

    Raises
    ------
    UsageError
        If nothing has been analyzed yet; empty results would look like a crew without findings.
    """
    from arcdrift import __version__
    from arcdrift.store.results.result_rows import last_analysis
    from arcdrift.store.results.store_versions import is_outdated

    analyze = command_text("analyze", session.folder)
    run = last_analysis(session.engine)
    if run is None:
        raise UsageError(f"Nothing has been analyzed yet; run {analyze} first.")
    if is_outdated(session.engine, session.crew):
        print_notice(
            "Records, or what people set, have changed since the last analysis; "
            f"run {analyze} to include them."
        )
    elif run.version != __version__:
        print_notice(f"The last analysis was made by arcdrift {run.version}; run {analyze} anew.")
    print_records_in_future(session)


def print_records_in_future(session: CrewSession) -> None:
    """Print a notice if records lie in the future by this computer's clock."""
    from datetime import UTC, datetime

    from arcdrift.store.records.future_records import future_sentence, records_in_future

    ahead = records_in_future(session.engine, datetime.now(UTC))
    if sentence := future_sentence(ahead, zone_of_splicer(session.crew) or "UTC"):
        print_notice(sentence)
