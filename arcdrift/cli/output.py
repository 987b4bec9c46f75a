"""Printing: results go to standard output, progress and notices to standard error."""

import io
import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeVar

import typer

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import RenderableType
    from rich.progress import Progress, Task

Q = TypeVar("Q")
A = TypeVar("A")

PIPED_WIDTH = 140
"""Line width, in characters, of output that goes to a file or another program."""
_WHOLE_WORD = 12
"""Longest word without digits that a table never cuts."""
LISTED_PROBLEMS = 8
"""Most kinds of problem that are listed for one file."""


def printable(value: object) -> str:
    r"""Return text that is safe to print: control characters become escapes such as ``\x1b``."""
    text = "" if value is None else str(value)
    return "".join(
        char if char.isprintable() or char == "\n" else f"\\x{ord(char):02x}" for char in text
    )


def print_notice(sentence: object) -> None:
    """Print a sentence for the user on standard error."""
    typer.echo(printable(sentence), err=True)


def print_waiting() -> None:
    """Say that another process is writing to the store and must finish first."""
    print_notice("Waiting for another import or analysis to finish...")


def count_noun(number: int, noun: str) -> str:
    """Return a number with a noun in singular or plural: 1 row, 1,200 rows."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def print_lines(*lines: object) -> None:
    """Print lines of text on standard output, wrapped to the width of the terminal."""
    from rich.text import Text

    for line in lines:
        print_renderable(Text(printable(line)))


def print_list(items: Iterable[object]) -> None:
    """Print items on standard output as a list, each after a dash."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 1, 0, 0))
    for item in items:
        grid.add_row(Text("  -"), Text(printable(item)))
    print_renderable(grid)


def print_problems(problems: Sequence[object], hint: str = "") -> None:
    """Print the first `LISTED_PROBLEMS` problems as a list, and how many more there are."""
    if problems:
        print_list(problems[:LISTED_PROBLEMS])
    more = len(problems) - LISTED_PROBLEMS
    if more > 0:
        print_lines(f"  and {more} further kinds of problem{hint}.")


def print_renderable(renderable: "RenderableType") -> None:
    """Print a text, table or list of the rich library on standard output."""
    from rich.console import Console

    if sys.stdout.isatty():
        Console(file=sys.stdout, highlight=False, markup=False, emoji=False).print(renderable)
        return
    # output to a file or another program has no styles, no padding and a fixed width
    console = Console(file=io.StringIO(), width=PIPED_WIDTH, markup=False, emoji=False)
    with console.capture() as capture:
        console.print(renderable)
    typer.echo("\n".join(line.rstrip() for line in capture.get().splitlines()))


def print_json(data: Any) -> None:
    """Print JSON, and nothing else, on standard output.

    Instants become ISO 8601 text in UTC, missing values become null. Characters beyond ASCII are
    escaped, so that they survive any encoding of the terminal.
    """
    typer.echo(json.dumps(_json_value(data), indent=2, allow_nan=False))


def print_nothing(why: str, *, as_json: bool) -> None:
    """Say why there is nothing to print; as JSON, print an empty list and say it in a notice."""
    if as_json:
        print_notice(why)
        print_json([])
    else:
        print_lines(why)


def frame_records(frame: "pd.DataFrame") -> list[dict[str, Any]]:
    """Return the rows of a frame as dictionaries, with None for missing values."""
    objects = frame.astype(object).where(frame.notna(), None)
    names = [str(name) for name in objects.columns]
    rows = objects.itertuples(index=False, name=None)
    return [dict(zip(names, row, strict=True)) for row in rows]


def print_table(
    heads: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    numeric_columns: Iterable[int] = (),
    title: str = "",
) -> None:
    """Print a table; the columns whose indices are in `numeric_columns` are right-aligned.

    Where the terminal is too narrow to show every number whole, each row is printed as lines
    instead, one for each column.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    numeric = set(numeric_columns)
    texts = [[printable(value) for value in row] for row in rows]
    widths = _column_widths(heads, texts, numeric, _line_width())
    if widths is None:
        _print_as_lines(heads, texts, title)
        return
    table = Table(
        title=printable(title) if title else None,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
        pad_edge=False,
    )
    for index, (head, width) in enumerate(zip(heads, widths, strict=True)):
        table.add_column(
            Text(head),
            justify="right" if index in numeric else "left",
            no_wrap=index in numeric,
            overflow="fold",
            width=width,
        )
    for row in texts:
        table.add_row(*map(Text, row))
    print_renderable(table)


def _line_width() -> int:
    """Characters in a line of standard output."""
    if not sys.stdout.isatty():
        return PIPED_WIDTH
    from rich.console import Console

    return Console(file=sys.stdout).width


def _column_widths(
    heads: Sequence[str], rows: Sequence[Sequence[str]], numeric: set[int], line_width: int
) -> list[int] | None:
    """Widths of the columns of a table in which no number is cut; None if it is too wide.

    Words without digits may be cut beyond `_WHOLE_WORD`. What room is left goes to the columns by
    how much more they need to be on one line.
    """
    from rich.cells import cell_len

    def least(text: str, index: int) -> int:
        if index in numeric:
            return full(text)
        return max(
            (
                cell_len(word)
                if any(char.isdigit() for char in word)
                else min(cell_len(word), _WHOLE_WORD)
                for word in text.split()
            ),
            default=0,
        )

    def full(text: str) -> int:
        return max(map(cell_len, text.splitlines()), default=0)

    columns = [[head, *(row[index] for row in rows)] for index, head in enumerate(heads)]
    lowest = [max(least(text, index) for text in column) for index, column in enumerate(columns)]
    wanted = [max(map(full, column)) for column in columns]
    # a space after each column, one between them, one at each edge
    room = line_width - 2 * len(heads) - 1
    if sum(lowest) > room:
        return None
    spare, need = room - sum(lowest), sum(wanted) - sum(lowest)
    share = min(spare / need, 1.0) if need else 0.0
    return [low + int((want - low) * share) for low, want in zip(lowest, wanted, strict=True)]


def _print_as_lines(heads: Sequence[str], rows: Sequence[Sequence[str]], title: str) -> None:
    """Print each row as lines "head: value", with an empty line after it."""
    from rich.text import Text

    if title:
        print_renderable(Text(printable(title), style="bold"))
    labels = [head.replace("-\n", "").replace("\n", " ") for head in heads]
    for row in rows:
        for label, value in zip(labels, row, strict=True):
            if value:
                print_renderable(Text(f"{label}: {value}" if label else value))
        print_renderable("")


class ProgressBar:
    """A progress bar on standard error; nothing is shown unless that is a terminal."""

    def __init__(self, progress: "Progress", description: str) -> None:
        self._progress = progress
        self._task = progress.add_task(printable(description), total=None)

    def __call__(self, description: str, done: int, total: int) -> None:
        """Show what is being done, how much of it is done, and how much there is in total."""
        self._progress.update(
            self._task, description=printable(description), completed=done, total=total
        )

    def around(self, ask: Callable[[Q], A] | None) -> Callable[[Q], A] | None:
        """A function that hides the bar while a person is asked something."""
        if ask is None:
            return None

        def hidden(question: Q) -> A:
            self._progress.stop()
            try:
                return ask(question)
            finally:
                self._progress.start()

        return hidden


@contextmanager
def progress_bar(description: str, unit: str) -> Iterator[ProgressBar]:
    """Show a progress bar while the block runs; it counts in `unit`, such as rows."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, ProgressColumn, TextColumn
    from rich.text import Text

    class Pace(ProgressColumn):
        def render(self, task: "Task") -> Text:
            speed = task.finished_speed or task.speed
            pace = f", {speed:,.0f} {unit}/s" if speed else ""
            return Text(f"{task.completed:,.0f} {unit}{pace}" if task.total else "")

    console = Console(file=sys.stderr, highlight=False, markup=False, emoji=False)
    progress = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        Pace(),
        console=console,
        transient=True,
        disable=not sys.stderr.isatty(),
    )
    with progress:
        yield ProgressBar(progress, description)


def _json_value(value: Any) -> Any:
    """Convert a value, also of numpy or pandas, to what the json module can write."""
    if isinstance(value, dict):
        return {str(key): _json_value(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_json_value(item) for item in value]
    if isinstance(value, datetime):
        if value != value:  # a missing instant is not equal to itself
            return None
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (str, int)) or value is None:
        return value
    return _json_value(value.item()) if hasattr(value, "item") else str(value)
