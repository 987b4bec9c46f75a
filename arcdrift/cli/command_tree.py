"""The commands of the ``arcdrift`` program."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from arcdrift.cli.closed_streams import PIPE_CLOSED, discard_output
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
from arcdrift.cli.interrupts import INTERRUPTED
from arcdrift.cli.output import print_notice

START, RECORDS, ANSWERS = "Start", "Records", "Answers"  # headings of --help


@contextmanager
def _quiet_exits() -> Iterator[None]:
    """Turn Ctrl-C and a closed output pipe into their exit codes."""
    try:
        yield
    except KeyboardInterrupt:
        print_notice("Interrupted.")
        raise typer.Exit(INTERRUPTED) from None
    except BrokenPipeError:
        discard_output()
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
        with _quiet_exits():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: Any) -> Any:
        """Run the chosen command."""
        with _quiet_exits():
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
