"""Adding damaged and repeated rows to log files, as real exports have them."""

import gzip
from collections.abc import Callable
from pathlib import Path

import numpy as np

from arcdrift.simulate.output.log_files import (
    CHECKS_FILE,
    READINGS_FILE,
    SERVICE_FILE,
    SPLICES_FILE,
    open_binary,
)
from arcdrift.simulate.output.truth import BrokenRow

Damage = Callable[[list[str], list[str]], str]


def _replace_field(column: str, value: str) -> Damage:
    def damage(header: list[str], fields: list[str]) -> str:
        index = header.index(column)
        return ",".join([*fields[:index], value, *fields[index + 1 :]])

    return damage


def _truncate_line(header: list[str], fields: list[str]) -> str:
    """Cut the line in the middle of the second field, as when a copy is interrupted."""
    return f"{fields[0]},{fields[1][:12]}"


_DAMAGES: dict[str, tuple[tuple[str, str | None, Damage], ...]] = {
    CHECKS_FILE: (
        ("unknown outcome word", "outcome", _replace_field("outcome", "perhaps")),
        ("text in a number column", "arc_count", _replace_field("arc_count", "many")),
    ),
    SPLICES_FILE: (
        ("truncated line", None, _truncate_line),
        ("text in a number column", "loss_db", _replace_field("loss_db", "low")),
        ("unknown outcome word", "outcome", _replace_field("outcome", "so-so")),
        ("number out of bounds", "cleave_left_deg", _replace_field("cleave_left_deg", "88.0")),
        (
            "date that does not exist",
            "spliced_at",
            _replace_field("spliced_at", "2026-09-31T09:15:00-06:00"),
        ),
    ),
    READINGS_FILE: (
        ("pressure 0.0", "pressure_hpa", _replace_field("pressure_hpa", "0.0")),
        ("pressure 0.0", "pressure_hpa", _replace_field("pressure_hpa", "0.0")),
        ("number out of bounds", "humidity_pct", _replace_field("humidity_pct", "250")),
        ("truncated line", None, _truncate_line),
    ),
    SERVICE_FILE: (("missing time", "serviced_at", _replace_field("serviced_at", "")),),
}
_REPEATS = {CHECKS_FILE: 2, SPLICES_FILE: 3, READINGS_FILE: 2, SERVICE_FILE: 1}


def add_broken_rows(folder: Path, rng: np.random.Generator) -> list[BrokenRow]:
    """Add damaged copies of rows and exact repeats to the files of a simulation.

    All rows remain, so that the truth about the crew does not change.
    """
    broken_rows: list[BrokenRow] = []
    for name, damages in _DAMAGES.items():
        lines = _read_lines(folder / name)
        header = lines[0].split(",")
        additions = [
            (damage, column, change_line, "quarantined") for damage, column, change_line in damages
        ] + [("exact repeat", None, _repeat_line, "already-stored")] * _REPEATS[name]
        source_lines = np.sort(rng.choice(np.arange(1, len(lines)), len(additions), replace=False))
        order = rng.permutation(len(additions))
        new_lines: list[str] = []
        next_line = 0
        for source_line, number in zip(source_lines.tolist(), order.tolist(), strict=True):
            new_lines += lines[next_line : source_line + 1]
            next_line = source_line + 1
            damage, column, change_line, expected = additions[number]
            new_lines.append(change_line(header, lines[source_line].split(",")))
            broken_rows.append(BrokenRow(name, len(new_lines), damage, column, expected))
        new_lines += lines[next_line:]
        with open_binary(folder / name) as file:
            file.write(("\n".join(new_lines) + "\n").encode())
    return broken_rows


def _repeat_line(header: list[str], fields: list[str]) -> str:
    return ",".join(fields)


def _read_lines(path: Path) -> list[str]:
    content = path.read_bytes()
    text = gzip.decompress(content) if path.suffix == ".gz" else content
    return text.decode().splitlines()
