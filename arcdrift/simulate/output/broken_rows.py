"""Damaged and repeated rows, the kind every export holds a few of."""

import gzip
from collections.abc import Callable
from pathlib import Path

import numpy as np

from arcdrift.simulate.output.log_files import (
    CHECKS_FILE,
    READINGS_FILE,
    SERVICE_FILE,
    SPLICES_FILE,
    open_rows,
)
from arcdrift.simulate.output.truth import BrokenRow

Damage = Callable[[list[str], list[str]], str]


def _put(column: str, value: str) -> Damage:
    def damage(header: list[str], fields: list[str]) -> str:
        place = header.index(column)
        return ",".join([*fields[:place], value, *fields[place + 1 :]])

    return damage


def _cut(header: list[str], fields: list[str]) -> str:
    """Break off in the middle of the second field, as when a copy is interrupted."""
    return f"{fields[0]},{fields[1][:12]}"


_PLAN: dict[str, tuple[tuple[str, str | None, Damage], ...]] = {
    CHECKS_FILE: (
        ("unknown outcome word", "outcome", _put("outcome", "perhaps")),
        ("text in a number column", "arc_count", _put("arc_count", "many")),
    ),
    SPLICES_FILE: (
        ("truncated line", None, _cut),
        ("text in a number column", "loss_db", _put("loss_db", "low")),
        ("unknown outcome word", "outcome", _put("outcome", "so-so")),
        ("number out of bounds", "cleave_left_deg", _put("cleave_left_deg", "88.0")),
        ("date that does not exist", "spliced_at", _put("spliced_at", "2026-09-31T09:15:00-06:00")),
    ),
    READINGS_FILE: (
        ("pressure 0.0", "pressure_hpa", _put("pressure_hpa", "0.0")),
        ("pressure 0.0", "pressure_hpa", _put("pressure_hpa", "0.0")),
        ("number out of bounds", "humidity_pct", _put("humidity_pct", "250")),
        ("truncated line", None, _cut),
    ),
    SERVICE_FILE: (("missing time", "serviced_at", _put("serviced_at", "")),),
}
_REPEATS = {CHECKS_FILE: 2, SPLICES_FILE: 3, READINGS_FILE: 2, SERVICE_FILE: 1}


def break_rows(folder: Path, rng: np.random.Generator) -> list[BrokenRow]:
    """Put damaged copies of rows, and exact repeats, into the files of a simulation.

    Every sound row stays, so the truth about the crew does not change.
    """
    told: list[BrokenRow] = []
    for name, plan in _PLAN.items():
        lines = _read(folder / name)
        header = lines[0].split(",")
        additions = [(damage, column, make, "quarantined") for damage, column, make in plan] + [
            ("exact repeat", None, _same, "already-stored")
        ] * _REPEATS[name]
        sources = np.sort(rng.choice(np.arange(1, len(lines)), len(additions), replace=False))
        order = rng.permutation(len(additions))
        out: list[str] = []
        begin = 0
        for source, number in zip(sources.tolist(), order.tolist(), strict=True):
            out += lines[begin : source + 1]
            begin = source + 1
            damage, column, make, expected = additions[number]
            out.append(make(header, lines[source].split(",")))
            told.append(BrokenRow(name, len(out), damage, column, expected))
        out += lines[begin:]
        with open_rows(folder / name) as sink:
            sink.write(("\n".join(out) + "\n").encode())
    return told


def _same(header: list[str], fields: list[str]) -> str:
    return ",".join(fields)


def _read(path: Path) -> list[str]:
    packed = path.read_bytes()
    text = gzip.decompress(packed) if path.suffix == ".gz" else packed
    return text.decode().splitlines()
