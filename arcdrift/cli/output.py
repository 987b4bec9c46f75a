"""What commands print: results on standard output, progress and errors on standard error."""

import io
import json
import math
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import RenderableType
    from rich.progress import Progress, Task

PIPED_WIDTH = 140
"""Columns of a table that goes to a file or another program."""


def shown(value: object) -> str:
    """Text that is safe on a terminal: control characters of a log are spelled out."""
    text = "" if value is None else str(value)
    return "".join(
        char if char.isprintable() or char == "\n" else f"\\x{ord(char):02x}" for char in text
    )


def say(sentence: object) -> None:
    """Tell the person something on standard error."""
    typer.echo(shown(sentence), err=True)


def counted(number: int, noun: str) -> str:
    """Return a number with its noun: 1 row, 1,200 rows."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def tell(*lines: object) -> None:
    """Print lines of words on standard output, wrapped to the terminal."""
    from rich.text import Text

    for line in lines:
        emit(Text(shown(line)))


def tell_list(items: Iterable[object]) -> None:
    """Print a list of sentences on standard output, each with a dash."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1, 0, 0))
    for item in items:
        grid.add_row(Text("  -"), Text(shown(item)))
    emit(grid)


def emit(what: "RenderableType") -> None:
    """Print words, a table or a list on standard output."""
    from rich.console import Console

    if sys.stdout.isatty():
        Console(file=sys.stdout, highlight=False, markup=False, emoji=False).print(what)
        return
    # files and other programs get no styles, no padding and one fixed width
    console = Console(file=io.StringIO(), width=PIPED_WIDTH, markup=False, emoji=False)
    with console.capture() as capture:
        console.print(what)
    typer.echo("\n".join(line.rstrip() for line in capture.get().splitlines()))


def print_json(data: Any) -> None:
    """Print JSON, and nothing else, on standard output.

    Instants become ISO 8601 in UTC, missing values null; letters beyond ASCII are escaped, so
    that no terminal's encoding can damage them.
    """
    typer.echo(json.dumps(_plain(data), indent=2, allow_nan=False))


def records_of(frame: "pd.DataFrame") -> list[dict[str, Any]]:
    """Rows of a frame as objects, missing values None."""
    plain = frame.astype(object).where(frame.notna(), None)
    names = [str(name) for name in plain.columns]
    return [dict(zip(names, row, strict=True)) for row in plain.itertuples(index=False, name=None)]


def print_table(
    heads: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    numbers: Iterable[int] = (),
    title: str = "",
) -> None:
    """Print a table; the columns counted in `numbers` are set flush right."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    right = set(numbers)
    table = Table(
        title=shown(title) if title else None,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
        pad_edge=False,
    )
    for place, head in enumerate(heads):
        flush = place in right
        table.add_column(
            Text(head),
            justify="right" if flush else "left",
            no_wrap=flush,
            overflow="fold",
        )
    for row in rows:
        cells: list[RenderableType] = [Text(shown(value)) for value in row]
        table.add_row(*cells)
    emit(table)


class Working:
    """Progress of long work on standard error; silent unless that is a terminal."""

    def __init__(self, show: "Progress", what: str) -> None:
        self._show = show
        self._task = show.add_task(shown(what), total=None)

    def __call__(self, what: str, done: int, total: int) -> None:
        """Say what is being done, how much of it is done, and how much there is."""
        self._show.update(self._task, description=shown(what), completed=done, total=total)


@contextmanager
def working(what: str, unit: str) -> Iterator[Working]:
    """Show that work has begun; the `Working` it yields moves a bar that counts in `unit`."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, ProgressColumn, TextColumn
    from rich.text import Text

    class Pace(ProgressColumn):
        def render(self, task: "Task") -> Text:
            speed = task.finished_speed or task.speed
            pace = f", {speed:,.0f} {unit}/s" if speed else ""
            return Text(f"{task.completed:,.0f} {unit}{pace}" if task.total else "")

    console = Console(file=sys.stderr, highlight=False, markup=False, emoji=False)
    show = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        Pace(),
        console=console,
        transient=True,
        disable=not sys.stderr.isatty(),
    )
    with show:
        yield Working(show, what)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, datetime):
        if value != value:  # a missing instant is not equal to itself
            return None
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (str, int)) or value is None:
        return value
    return _plain(value.item()) if hasattr(value, "item") else str(value)
