"""The logs of an invented crew, cut into a part that is there before and files that come in."""

import gzip
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

SAMPLE = Path(__file__).parents[3] / "data" / "sample"
REPEATED = 3
"""Rows of the file before that a file has, too."""
BROKEN_EVERY = 4
"""One file in so many has a row that cannot be believed, and one that contradicts a stored one."""
TWIN_EVERY = 6
"""One file in so many comes in twice, from two importers."""


@dataclass(frozen=True)
class Size:
    """How much of the sample, and how it is cut.

    Attributes
    ----------
    splicers : tuple of str
        Empty for all of them.
    first_day, first_file_day : str
        ISO days: earlier splices are left out; from the second on they come in file by file.
    readings_at : tuple of str
        Times of day of the readings that are kept; empty for all.
    """

    splicers: tuple[str, ...]
    first_day: str
    first_file_day: str
    readings_at: tuple[str, ...]


MIDDLE = Size(("Heron", "Plover", "Dunlin"), "2026-09-15", "2026-10-20", ("06:00", "12:00"))
SMALL = Size(("Plover",), "2026-10-26", "2026-11-06", ("06:00",))


def write_files(folder: Path, size: Size) -> tuple[list[Path], list[list[Path]]]:
    """Write crew.toml and the logs.

    Returns
    -------
    list of Path
        Logs of the time before.
    list of list of Path
        Files that come in, in the order of their days; those of one list do so at the same time.
    """
    folder.mkdir(parents=True, exist_ok=True)
    before = []
    for name in ("arc-checks.csv", "service.csv", "readings.csv"):
        header, *rows = (SAMPLE / name).read_text(encoding="utf-8").splitlines()
        if name == "arc-checks.csv":
            rows = [row for row in rows if not size.splicers or row.split(",")[0] in size.splicers]
        if name == "readings.csv" and size.readings_at:
            rows = [row for row in rows if row[11:16] in size.readings_at]
        before.append(_write(folder / name, header, rows))
    packed = (SAMPLE / "splices.csv.gz").read_bytes()
    header, *rows = gzip.decompress(packed).decode("utf-8").splitlines()
    days: dict[tuple[str, str], list[str]] = {}
    earlier = []
    for row in rows:
        if row.count(",") != header.count(","):
            continue  # the sample has some broken rows
        splicer, at, _ = row.split(",", 2)
        if (size.splicers and splicer not in size.splicers) or at < size.first_day:
            continue
        if at < size.first_file_day:
            earlier.append(row)
        else:
            days.setdefault((at[:10], splicer), []).append(row)
    before.append(_write(folder / "splices.csv", header, earlier))
    coming, last = [], earlier[-REPEATED:]
    for number, (day, splicer) in enumerate(sorted(days)):
        part = days[day, splicer]
        more = [*part[-1:], *last]
        if number % BROKEN_EVERY == 0:
            more += [_changed(part[0], "lots"), _changed(part[-1], "0.99")]
        path = _write(folder / f"{day}-{splicer}.csv", header, part + more)
        coming.append([path, path] if number % TWIN_EVERY == 0 else [path])
        last = part[-REPEATED:]
    return before, coming


def _changed(row: str, loss: str) -> str:
    cells = row.split(",")
    cells[2] = loss
    return ",".join(cells)


def _write(path: Path, header: str, rows: Sequence[str]) -> Path:
    path.write_text("\n".join((header, *rows)) + "\n", encoding="utf-8")
    return path


def settings(store: str | None) -> str:
    """Return the text of crew.toml; `store` is the address of a store on a server."""
    text = (SAMPLE / "crew.toml").read_text(encoding="utf-8")
    return text if store is None else f'store = "{store}"\n{text}'
