"""Options that several commands share."""

from pathlib import Path
from typing import Annotated, Literal

import typer

CrewFolder = Annotated[
    Path,
    typer.Option(
        "--crew",
        envvar="ARCDRIFT_CREW",
        metavar="DIR",
        readable=False,  # whoever opens it says what is wrong, with the exit code of files
        show_default="the current folder",
        help="The crew folder: the one that holds crew.toml.",
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print JSON for scripts instead of words and tables.")
]
CURRENT_FOLDER = Path()
RecordKind = Literal["arc-checks", "splices", "readings", "service"]
"""Kinds of log file; the same names as in ``arcdrift.intake.schema``, which is slow to import."""
