"""A file read in many chunks gives exactly what it gives in one, wherever the chunks end."""

import gzip
import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from arcdrift.errors import BadInput
from arcdrift.intake.containers import files
from arcdrift.intake.layout.layouts import load_layout
from arcdrift.intake.layout.log_reader import LogReader
from arcdrift.intake.storing import staging
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.text import chunks
from arcdrift.intake.text.raw_rows import RawRows, read_rows
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from arcdrift.store.imports.import_list import read_imports
from tests.both_stores import both_stores, daily_on_postgresql
from tests.empty_store import empty_store

pytestmark = pytest.mark.usefixtures("_reads_every_row")

LONG = os.environ.get("ARCDRIFT_LONG") == "1"
CREW = Crew(name="Invented", time_zone="Europe/Oslo")
NOW = datetime(2026, 6, 1, tzinfo=UTC)
WHO = ("Heron", "Kestrel", "Plover")


def splice_log(seconds: bool, numbered: bool) -> bytes:
    """A log around the hour that comes twice in Oslo on 2025-10-26, with rows of many lines."""
    head = "splicer,spliced_at,loss_db,remark" + (",splice_number" if numbered else "")
    instants = pd.date_range("2025-10-25 22:20", periods=60, freq="5min", tz="UTC")
    local = instants.tz_convert("Europe/Oslo")
    lines = [head]
    for n, when in enumerate(local):
        at = when.strftime("%Y-%m-%d %H:%M" + (":%S" if seconds else ""))
        remark = f'"tray {n}, ""blue""\nfiber {n}"' if n % 5 == 0 else f"tray {n}"
        lines.append(f"{WHO[n % 3]},{at},0.0{n % 10},{remark}" + (f",{n}" if numbered else ""))
        if n % 11 == 0:
            lines.append(lines[-1])
        if n % 17 == 3:
            lines.append(f"{WHO[n % 3]},{at},99,too high" + (f",{n}" if numbered else ""))
    return ("\n".join(lines) + "\n").encode()


def reading_log() -> bytes:
    instants = pd.date_range("2025-10-26 00:00", periods=40, freq="7min", tz="UTC")
    local = instants.tz_convert("Europe/Oslo").strftime("%Y-%m-%d %H:%M")
    rows = [f"{at};{('Harbor', 'Pass')[n % 2]};{n}.5;1003" for n, at in enumerate(local)]
    return ("\r\n".join(["read_at;site;temperature_c;pressure_hpa", *rows]) + "\r\n").encode()


LOGS = {
    "to the second": splice_log(True, False),
    "to the minute": splice_log(False, False),
    "numbered": splice_log(False, True),
    "readings": reading_log(),
}
BITS = [b'"', b'""', b"\0", b"\n", b"\r", b",", b"\xff", b"\n\n", b'",', b"-", b"9", b'"\n', b";"]


def damaged(content: bytes, seed: int) -> bytes:
    rng = random.Random(seed)  # noqa: S311 - no secret
    for _ in range(rng.randrange(5)):
        at = rng.randrange(len(content) + 1)
        content = content[:at] + rng.choice(BITS) + content[at + rng.randrange(3) :]
    if rng.random() < 0.2:
        content = content + content
    if rng.random() < 0.2:
        content = content[: rng.randrange(len(content) + 1)]
    return content


@contextmanager
def small_chunks(size: int, bucket: int = 1000) -> Iterator[None]:
    """Read every log as a large one, in chunks of a few bytes and buckets of a few rows."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(files, "MEMORY_BYTES", 0)
        patch.setattr(chunks, "WHOLE_BYTES", 0)
        patch.setattr(chunks, "CHUNK_BYTES", size)
        patch.setattr(staging, "BUCKET_ROWS", bucket)
        yield


def in_chunks(path: Path, size: int) -> list[RawRows]:
    with small_chunks(size), files.open_log(path, "log.csv") as text:
        divide = LogReader("log.csv").divide
        return [chunk.rows for chunk in chunks.row_chunks(text, divide)]


def outcome(work: Callable[[], Any]) -> Any:
    """The result of some work, or the sentence that refuses it."""
    try:
        return work()
    except BadInput as problem:
        return str(problem)


def rows_of(parts: list[RawRows]) -> list[tuple[object, ...]]:
    """Every row with its lines, its text and its cells; every broken row with its code."""
    found: list[tuple[object, ...]] = []
    for rows in parts:
        cells = list(zip(*(column.to_pylist() for column in rows.cells.columns), strict=True))
        for first, last, row in zip(rows.first, rows.last, cells, strict=True):
            found.append((int(first), int(last), rows.lines.raw(first, last), row))
        found += [(r.first, r.last, rows.lines.raw(r.first, r.last), r.code) for r in rows.broken]
    return sorted(found, key=lambda row: row[0])


def other_lines(parts: list[RawRows]) -> tuple[int, ...]:
    names = ("header_lines", "blank_lines", "skipped_lines")
    return (*(sum(getattr(p, n) for p in parts) for n in names), sum(len(p.lines) for p in parts))


@settings(
    max_examples=2000 if LONG else 8,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],  # a seed cannot be simplified
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@pytest.mark.parametrize(
    "log",
    [
        name if name in ("numbered", "readings") else pytest.param(name, marks=pytest.mark.long)
        for name in LOGS
    ],
)
@given(seed=st.integers(0, 10**6), size=st.integers(1, 1500))
def test_rows_are_the_same_wherever_chunks_end(tmp_path, log, seed, size):
    content = damaged(LOGS[log], seed)
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    whole = outcome(lambda: [read_rows(content, "log.csv")])
    parts = outcome(lambda: in_chunks(path, size))
    if isinstance(whole, str):
        assert parts == whole
        return
    assert rows_of(parts) == rows_of(whole)
    assert other_lines(parts) == other_lines(whole)


def test_an_overlong_line_is_one_broken_row(tmp_path, monkeypatch):
    path = tmp_path / "log.csv"
    head = b"splicer,spliced_at,loss_db\nHeron,2025-03-01 10:00,0.1\n"
    monkeypatch.setattr(chunks, "OVERLONG_BYTES", 1 << 18)
    for inside, code in ((b"x", "line-long"), (b"\0", "nul-byte"), (b"\xff", "not-utf8")):
        path.write_bytes(head + inside * (20 << 16) + b"\r\nHeron,2025-03-01 10:01,0.2\n")
        parts = in_chunks(path, 1 << 16)
        assert [row.code for rows in parts for row in rows.broken] == [code]
        assert rows_of(parts) == rows_of([read_rows(path.read_bytes(), "log.csv")])


@pytest.fixture
def both(tmp_path):
    """Imports a file as one chunk into one store, and in many chunks into another."""
    stores = []
    for name in ("one", "many"):
        (tmp_path / name).mkdir()
        stores.append(empty_store(tmp_path / name))

    def bring(path: Path, size: int, bucket: int, **options):
        outcomes = []
        for engine, measures in zip(
            stores, (nullcontext(), small_chunks(size, bucket)), strict=True
        ):
            with measures:
                done = outcome(partial(import_file, engine, CREW, path, now=NOW, **options))
                # numbers of refused imports are not given again by every database
                outcomes.append(
                    done if isinstance(done, str) else replace(done, seconds=0.0, import_id=0)
                )
        assert outcomes[0] == outcomes[1]
        assert contents(stores[0]) == contents(stores[1])
        return outcomes[0]

    return bring


def contents(engine) -> dict[str, list[tuple[object, ...]]]:
    """All a store holds, without ids, which follow time for a file of many chunks.

    Imports are numbered in their order, as a database may give no number of a refused one again.
    """
    done = read_imports(engine).drop(columns=["seconds", "started_at"])
    ids = done["id"].sort_values().tolist()
    number = {None: None, **dict(zip(ids, range(1, len(ids) + 1), strict=True))}
    names: dict[tuple[str, int], tuple[int, int]] = {}
    held: dict[str, list[tuple[object, ...]]] = {}
    with reading(engine) as connection:
        for table in (*schema.RECORDS.values(), schema.quarantine):
            for row in connection.execute(table.select()).mappings():
                names[table.name, row["id"]] = (number[row["import_id"]], row["line"])
        for table in (
            *schema.RECORDS.values(),
            schema.quarantine,
            schema.source_rows,
            schema.conflicts,
        ):
            rows = []
            for row in connection.execute(table.select()).mappings():
                values = {k: v for k, v in row.items() if k not in ("id", "stored_id", "record_id")}
                if "closed_at" in values:  # when is not compared, only whether
                    values["closed_at"] = values["closed_at"] is not None
                if "import_id" in values:
                    values["import_id"] = number[values["import_id"]]
                kind = row.get("kind", "splices" if "spliced_at" in str(row.get("record")) else "")
                whose = "quarantine" if kind == "quarantine" else kind or "readings"
                for column in ("stored_id", "record_id"):
                    if column in row:
                        values[column] = names[whose.replace("-", "_"), row[column]]
                rows.append(tuple((k, v) for k, v in sorted(values.items())))
            held[table.name] = sorted(rows, key=repr)
    done["id"] = done["id"].map(number)
    held["imports"] = [(done.to_json(orient="records", date_format="iso"),)]
    return held


@both_stores
@pytest.mark.parametrize(
    "log",
    [
        "to the second",
        pytest.param("numbered", marks=pytest.mark.long),
        # whole, these two are compared in the next test
        pytest.param("to the minute", marks=pytest.mark.long),
        pytest.param("readings", marks=pytest.mark.long),
    ],
)
def test_the_store_is_the_same_wherever_chunks_end(tmp_path, both, log):
    path = tmp_path / "log.csv"
    for case in range(100 if LONG else 1):
        rng = random.Random(f"{log} {case}")  # noqa: S311 - no secret
        path.write_bytes(damaged(LOGS[log], rng.randrange(10**6)))
        size, bucket = rng.randrange(80 if LONG else 600, 1500), rng.randrange(1, 40)
        both(path, size, bucket)
        if LONG:  # imported again, in other chunks
            both(path, size + 7, bucket)


@daily_on_postgresql
@both_stores
def test_a_repeated_hour_is_resolved_across_chunks(tmp_path, both):
    path = tmp_path / "log.csv"
    for name in LOGS if LONG else ("to the minute", "readings"):
        path.write_bytes(LOGS[name])
        assert both(path, 700, 20).balance.quarantined < 10


@both_stores
def test_a_wrong_unit_is_found_from_all_chunks(tmp_path, both):
    path = tmp_path / "log.csv"
    rows = [f"2025-03-01 10:{n:02d},Harbor,29.9{n % 10}" for n in range(50)]
    path.write_text("\n".join(["read_at,site,pressure_hpa", *rows]))
    assert "are they inHg?" in both(path, 400, 20)
    path.write_text("\n".join(["read_at,site,pressure_hpa", *rows, "2025-03-01 12:00,Harbor,1003"]))
    assert both(path, 400, 20).balance.quarantined == 50


@both_stores
def test_a_layout_holds_for_every_chunk(tmp_path, both):
    layout = tmp_path / "layout.toml"
    layout.write_text(
        'kind = "readings"\nutc = true\nheader_starts_with = "when"\nskip_footer = 2\n'
        'skip = [{header = "place", equals = "test"}]\n'
        '[columns]\nread_at.header = "when"\nsite.header = "place"\n'
        'temperature_c = {header = "warmth", unit = "degF"}\n'
    )
    rows = [
        f"2025-03-01 10:{n:02d},{'test' if n % 7 == 0 else 'Harbor'},6{n % 10}" for n in range(50)
    ]
    path = tmp_path / "log.csv"
    path.write_text(
        "\n".join(["made by a logger", "", "when,place,warmth", *rows, "sum,1,2", "", "end"])
    )
    report = both(path, 250, 15, layout=load_layout(layout))
    assert (report.balance.accepted, report.balance.quarantined) == (42, 0)


@both_stores
def test_packed_and_recoded_texts_are_read_in_chunks(tmp_path, both):
    path = tmp_path / "log.csv"
    text = "site,read_at,temperature_c\n" + "".join(
        f"Fjærland,2025-03-01 {n // 60:02d}:{n % 60:02d},1{n % 10}.5\n" for n in range(150)
    )
    contents = [gzip.compress(text.encode()), text.encode("cp1252"), text.encode("utf-16")]
    for content in contents if LONG else contents[:2]:
        path.write_bytes(content)
        both(path, 1500, 100)
    path.write_bytes(gzip.compress(text.encode())[:-20])
    assert both(path, 2500, 100) == "log.csv is cut short; copy the packed file again."


@both_stores
def test_a_utf16_text_cut_within_a_character_is_refused(tmp_path, both):
    path = tmp_path / "log.csv"
    path.write_bytes(LOGS["numbered"].decode().encode("utf-16") + b"x")
    assert both(path, 2500, 100).endswith("cut within a character; copy the file again.")
