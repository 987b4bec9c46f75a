"""The ``arcdrift`` program: its commands, and the exit code of every kind of error."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from arcdrift.cli.commands import (
    advise,
    analyze,
    baseline,
    checks,
    clock,
    coach,
    demo,
    findings,
    import_files,
    imports,
    init,
    layout,
    prep,
    quarantine,
    serve,
    simulate,
)
from arcdrift.cli.error_messages import EXIT_CODE, log_unexpected
from arcdrift.cli.output import print_notice
from arcdrift.errors import ArcdriftError

PIPE_CLOSED = 141
"""Exit code that a shell shows when the reader of a pipe has closed it (128 + SIGPIPE)."""
START, RECORDS, ANSWERS = "Start", "Records", "Answers"  # headings of --help


@contextmanager
def _exit_on_closed_pipe() -> Iterator[None]:
    """Turn a closed output pipe into `PIPE_CLOSED` without an error message."""
    try:
        yield
    except BrokenPipeError:
        _discard_output()
        raise typer.Exit(PIPE_CLOSED) from None
    except SystemExit as done:
        # Rich ends the process itself with code 1, which means findings here
        if isinstance(done.__context__, BrokenPipeError):
            raise typer.Exit(PIPE_CLOSED) from None
        raise


class Commands(TyperGroup):
    """The commands; they end without an error when a reader such as ``head`` closes the pipe."""

    def make_context(self, *args: Any, **kwargs: Any) -> Any:
        """Parse the command line; ``--help`` already prints here."""
        with _exit_on_closed_pipe():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: Any) -> Any:
        """Run the chosen command."""
        with _exit_on_closed_pipe():
            return super().invoke(ctx)


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
        "cannot be used, 4 trouble with the store, 70 an error inside arcdrift."
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


app.command("demo", rich_help_panel=START)(demo.demo)
app.command("init", rich_help_panel=START)(init.init)
app.command("serve", rich_help_panel=START)(serve.serve)
app.command("import", rich_help_panel=RECORDS)(import_files.import_files)
app.add_typer(imports.app, name="imports", rich_help_panel=RECORDS)
app.add_typer(quarantine.app, name="quarantine", rich_help_panel=RECORDS)
app.command("layout", rich_help_panel=RECORDS)(layout.layout)
app.command("clock", rich_help_panel=RECORDS)(clock.clock)
app.command("simulate", rich_help_panel=RECORDS)(simulate.simulate)
app.command("analyze", rich_help_panel=ANSWERS)(analyze.analyze)
app.command("findings", rich_help_panel=ANSWERS)(findings.findings)
app.command("checks", rich_help_panel=ANSWERS)(checks.checks)
app.command("advise", rich_help_panel=ANSWERS)(advise.advise)
app.command("prep", rich_help_panel=ANSWERS)(prep.prep)
app.add_typer(baseline.app, name="baseline", rich_help_panel=ANSWERS)
app.command("coach", rich_help_panel=ANSWERS)(coach.coach)


def run(arguments: list[str] | None = None) -> None:
    """Run the program and exit; this is the installed entry point.

    Parameters
    ----------
    arguments : list of str, optional
        What follows ``arcdrift``; by default the arguments of this process.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a character that the terminal cannot show must not end a command
            stream.reconfigure(errors="replace")
    sys.exit(_exit_code(arguments))


def _exit_code(arguments: list[str] | None) -> int:
    """Run the program and return its exit code; a traceback is never printed."""
    try:
        try:
            app(args=arguments, prog_name="arcdrift")
        except SystemExit as done:
            sys.stdout.flush()
            return done.code if isinstance(done.code, int) else 1
        except ArcdriftError as problem:
            sys.stdout.flush()
            print_notice(problem)
            return problem.exit_code
        except KeyboardInterrupt:
            return 130
        except BrokenPipeError:
            raise
        except Exception as problem:
            sys.stdout.flush()
            print_notice(log_unexpected(problem))
            return EXIT_CODE
    except BrokenPipeError:
        _discard_output()
        return PIPE_CLOSED
    return 0


def _discard_output() -> None:
    """Redirect standard output to the null device, so that the final flush cannot fail."""
    null_device = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null_device, sys.stdout.fileno())
    os.close(null_device)
