"""Options that several commands share, worded once."""

from pathlib import Path
from typing import Annotated

import typer

CrewFolder = Annotated[
    Path,
    typer.Option(
        "--crew",
        envvar="ARCDRIFT_CREW",
        metavar="DIR",
        show_default="the current folder",
        help="The crew folder: the one that holds crew.toml.",
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print JSON for scripts instead of words and tables.")
]
HERE = Path()
