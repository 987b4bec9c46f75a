"""The commands of the ``arcdrift`` program; the module of one is imported when it is called."""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib import import_module
from typing import Annotated, Any, NamedTuple, NoReturn

import typer
from typer.core import TyperCommand, TyperGroup

from arcdrift.cli.closed_streams import PIPE_CLOSED, discard_output
from arcdrift.cli.interrupts import INTERRUPTED, ignore_interrupts, was_interrupted
from arcdrift.cli.output import print_notice

START, RECORDS, ANSWERS = "Start", "Records", "Answers"  # headings of --help


class ListedCommand(NamedTuple):
    """What ``arcdrift --help`` shows of a command.

    Attributes
    ----------
    heading : str
        Under which it stands.
    summary : str
        First paragraph of its docstring, as a test compares.
    module : str
        Where it is in `arcdrift.cli.commands`: a function of that name or, with subcommands, `app`.
    """

    heading: str
    summary: str
    module: str


COMMANDS = {
    "demo": ListedCommand(
        START,
        "Import and analyze the logs of an invented crew, and show the dashboard.",
        "demo",
    ),
    "init": ListedCommand(
        START, "Make a crew folder, which holds a crew's settings and records.", "init"
    ),
    "serve": ListedCommand(
        START,
        "Show the dashboard on this computer, or serve it to those who sign in; Ctrl-C ends it.",
        "serve",
    ),
    "user": ListedCommand(
        START,
        "Add, list or remove the users who may sign in to the dashboard, or reset a password.",
        "user",
    ),
    "import": ListedCommand(
        RECORDS,
        "Read log files into the crew's store. Importing a file twice adds nothing.",
        "import_files",
    ),
    "layout": ListedCommand(
        RECORDS,
        "Draft a layout, which maps a file's headers and units to arcdrift's, and try it.",
        "layout",
    ),
    "clock": ListedCommand(
        RECORDS, "List wrong splicer clocks, or record by how much one was wrong.", "clock"
    ),
    "simulate": ListedCommand(
        RECORDS,
        "Make up the logs of an invented crew, without faults unless --faults is given.",
        "simulate",
    ),
    "imports": ListedCommand(
        RECORDS, "List the imported files, or undo an import with `imports undo ID`.", "imports"
    ),
    "log": ListedCommand(
        RECORDS,
        "Write down a check, a service event or a remark, as a record beside the imported ones.",
        "log",
    ),
    "move": ListedCommand(
        RECORDS,
        "Move all records to another store, compare the copy, and write its address to crew.toml.",
        "move",
    ),
    "quarantine": ListedCommand(
        RECORDS,
        "Show the rows that were refused, in groups, with the reason and how to correct them.",
        "quarantine",
    ),
    "backup": ListedCommand(
        RECORDS,
        "Write all records and settings of a crew into one file, also while imports run.",
        "backup",
    ),
    "restore": ListedCommand(
        RECORDS, "Make a crew folder from a backup, after all of it was checked.", "restore"
    ),
    "analyze": ListedCommand(
        ANSWERS,
        "Work out from the stored records what drifted, what was missed and what is due.",
        "analyze",
    ),
    "findings": ListedCommand(
        ANSWERS,
        "List the findings: what needs attention, since when, and what to do next.",
        "findings",
    ),
    "cases": ListedCommand(
        ANSWERS,
        "List the cases: what is to be worked on, by whom, and what came of it.",
        "cases",
    ),
    "case": ListedCommand(
        ANSWERS,
        "Show one case with its history, or say that you take it, that the work is done, ...",
        "case",
    ),
    "digest": ListedCommand(
        ANSWERS,
        "Print what is new, or send it: cases, checks that were missed, splices to revisit.",
        "digest",
    ),
    "report": ListedCommand(
        ANSWERS,
        "Write a report as one file to print or to send: a week, a month, a splicer's card, ...",
        "report",
    ),
    "checks": ListedCommand(
        ANSWERS,
        "Show which daily arc checks were done in time: by splicer, and day by day.",
        "checks",
    ),
    "advise": ListedCommand(
        ANSWERS,
        "Say whether to recalibrate a splicer now or to keep working, with reasons and numbers.",
        "advise",
    ),
    "prep": ListedCommand(
        ANSWERS,
        "Show which technicians splice with more or less loss, apart from the machines they used.",
        "prep",
    ),
    "coach": ListedCommand(
        ANSWERS,
        "Add a note to the coaching log, or list its notes with what changed after each.",
        "coach",
    ),
    "usual": ListedCommand(
        ANSWERS,
        "List the usual loss of each splicer and program and what people set, or undo that.",
        "usual",
    ),
}
"""The commands by name, in the order of ``arcdrift --help``."""
FORMER_NAMES = {"baseline": "usual"}
"""Names that scripts may still call, and what they are called now; ``--help`` has the new ones."""


@cache
def load_command(name: str) -> Any:
    """Import a command's module and return the command."""
    listed = COMMANDS[name]
    module = import_module(f"arcdrift.cli.commands.{listed.module}")
    tree = typer.Typer(rich_markup_mode="rich", pretty_exceptions_enable=False)
    if hasattr(module, "app"):
        tree.add_typer(module.app, name=name, rich_help_panel=listed.heading)
    else:
        function = getattr(module, listed.module)
        tree.command(name, rich_help_panel=listed.heading)(function)
    return typer.main.get_group(tree).commands[name]


@contextmanager
def _quiet_exits() -> Iterator[None]:
    """Turn Ctrl-C and a closed output pipe into their exit codes."""
    try:
        yield
    except KeyboardInterrupt:
        _exit_interrupted()
    except typer.Exit:
        raise
    except BrokenPipeError:
        discard_output()
        raise typer.Exit(PIPE_CLOSED) from None
    except SystemExit as done:
        # Rich ends the process itself with code 1, which means findings here
        if isinstance(done.__context__, BrokenPipeError):
            raise typer.Exit(PIPE_CLOSED) from None
        raise
    except Exception:
        if was_interrupted():  # some library made another error of it
            _exit_interrupted()
        raise


def _exit_interrupted() -> NoReturn:
    print_notice("Interrupted.")
    raise typer.Exit(INTERRUPTED) from None


class Commands(TyperGroup):
    """The commands; they end without an error when a reader such as ``head`` closes the pipe.

    The group itself holds only what ``--help`` shows of them.
    """

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        for name, listed in COMMANDS.items():
            self.commands[name] = TyperCommand(
                name, help=listed.summary, rich_help_panel=listed.heading
            )

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Find a command by its name, or by the one that it had."""
        return super().get_command(ctx, FORMER_NAMES.get(cmd_name, cmd_name))

    def resolve_command(self, *args: Any) -> Any:
        """Find the command of a command line and load it."""
        name, found, rest = super().resolve_command(*args)
        return name, None if found is None else load_command(found.name), rest

    def make_context(self, *args: Any, **kwargs: Any) -> Any:
        """Parse the command line; ``--help`` already prints here."""
        with _quiet_exits():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: Any) -> Any:
        """Run the chosen command."""
        with _quiet_exits():
            try:
                return super().invoke(ctx)
            finally:
                if not was_interrupted():
                    ignore_interrupts()


app = typer.Typer(
    cls=Commands,
    name="arcdrift",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=(
        "Exit codes: 0 fine, 1 findings with --fail-on, 2 wrong use, 3 a file or setting that "
        "cannot be used, 4 trouble with the store, 70 an error inside arcdrift, 130 Ctrl-C."
    ),
)


def _print_version(requested: bool) -> None:
    if requested:
        from arcdrift import __version__

        typer.echo(f"arcdrift {__version__}")
        raise typer.Exit


@app.callback()
def arcdrift(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Find what drifted in a fiber crew's splicing: the arc, the air, the electrodes or the hand.

    New here? Run [bold]arcdrift demo[/bold]: it shows an invented crew's logs on a dashboard.
    For your own crew: arcdrift init, then import, analyze and serve.
    """
