"""Files mutated at random: nothing but BadInput ever escapes, and every line is accounted for.

``ARCDRIFT_LONG=1`` makes it ten thousand files.
"""

import os
from collections.abc import Callable
from datetime import UTC, datetime
from hashlib import sha256

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select

from arcdrift.errors import BadInput
from arcdrift.intake.storing import staging
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.text import chunks
from arcdrift.intake.text.raw_rows import read_rows
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = [both_stores, pytest.mark.usefixtures("_reads_every_row")]

LONG = os.environ.get("ARCDRIFT_LONG") == "1"
CASES = 2_500 if LONG else 4
STORE_CASES = 100
NO_HANG_MS = 600_000 if LONG else 60_000
"""The long form runs beside other work for an hour or more."""
CREW = Crew(name="Invented", time_zone="Europe/Oslo")
NOW = datetime(2025, 6, 1, tzinfo=UTC)
VALID = {
    "splices": (
        b"splicer,spliced_at,loss_db,outcome,splice_number,remark\n"
        + b"".join(
            b'Heron,2025-03-01 10:%02d:07,0.0%d,done,%d,"fiber %d, ""blue""\n(tray 2)"\n'
            % (n, n % 10, n, n)
            if n % 4 == 0
            else b"Kestrel,2025-03-01 10:%02d:07,0.0%d,,%d,\n" % (n, n % 10, n)
            for n in range(12)
        )
    ),
    "readings": (
        b"read_at;site;temperature_c;pressure_hpa\r\n"
        + b"".join(b"2025-10-26 %02d:30;Harbor;%d.5;1003\r\n" % (n % 24, n) for n in range(12))
    ),
    "arc-checks": (
        b"splicer\tchecked_at\toutcome\tarc_setting\ttechnician\n"
        + b"".join(
            b"Plover\t2025-03-%02d 07:30\t%s\t1%02d\tB\xc3\xb8rk\n"
            % (n + 1, (b"pass", b"fail")[n % 3 == 0], n)
            for n in range(12)
        )
    ),
    "service": (
        b"asset,serviced_at,action,remark\n"
        + b"".join(
            b'Dunlin,2025-03-%02d,%s,"old, worn"\n'
            % (n + 1, (b"cleaned", b"blade rotated", b"electrodes replaced")[n % 3])
            for n in range(12)
        )
    ),
}

Mutation = Callable[[bytes], bytes]


def splice(at: float, cut: int, new: bytes) -> Mutation:
    def mutate(content: bytes) -> bytes:
        place = int(at * len(content))
        return content[:place] + new + content[place + cut :]

    return mutate


bits = st.one_of(
    st.binary(min_size=1, max_size=3),
    st.sampled_from([b'"', b'""', b"\0", b"\n", b"\r", b",", b";", b"\xff", b"\n\n", b'",', b"-"]),
)
damage = st.builds(splice, st.floats(0, 1), st.integers(0, 3), bits)
truncation = st.builds(
    lambda at: lambda content: content[: int(at * len(content))], st.floats(0, 1)
)
doubling = st.just(lambda content: content + content)


def columns(changes: list[int]) -> Mutation:
    """Drop, repeat or swap cells of every line, quotes left aside."""

    def mutate(content: bytes) -> bytes:
        mark = next((m for m in (b"\t", b";", b",") if m in content), b",")
        lines = content.split(b"\n")
        for change in changes:
            for number, line in enumerate(lines):
                cells = line.split(mark)
                at = change % len(cells)
                if change % 3 == 0:
                    del cells[at]
                elif change % 3 == 1:
                    cells.insert(at, cells[at])
                else:
                    cells.append(cells.pop(at))
                lines[number] = mark.join(cells)
        return b"\n".join(lines)

    return mutate


def recoded(encoding: str) -> Mutation:
    return lambda content: content.decode("utf-8", "replace").encode(encoding, "replace")


reshaped = st.builds(columns, st.lists(st.integers(0, 30), min_size=1, max_size=2))
recoding = st.sampled_from(["utf-16", "utf-16-le", "cp1252", "utf-8-sig", "utf-32"]).map(recoded)
blotting = st.builds(
    lambda at, many: splice(at, 0, b"\0" * many), st.floats(0, 1), st.integers(1, 400)
)
mutations = st.lists(
    st.one_of(damage, damage, damage, truncation, doubling, reshaped, recoding, blotting),
    max_size=4,
)


@pytest.fixture(scope="module")
def place(store_database, tmp_path_factory):
    """Gives a store and a path; the store is a new one now and then, so that it stays small."""
    left: list[int] = []
    engine = folder = None

    def places():
        nonlocal engine, folder
        if not left:
            folder = tmp_path_factory.mktemp("crew")
            engine = empty_store(folder)
            left.extend(range(STORE_CASES))
        left.pop()
        return engine, folder / "log.csv"

    return places


def damaged(content: bytes, changes: list[Mutation]) -> bytes:
    for change in changes:
        content = change(content)
    return content


def kept_of(engine, import_id: int) -> dict[str, int]:
    """Rows that the store holds of one import."""
    tables = (*schema.RECORDS.values(), schema.quarantine, schema.conflicts, schema.source_rows)
    with reading(engine) as connection:
        return {
            table.name: connection.execute(
                select(func.count()).select_from(table).where(table.c.import_id == import_id)
            ).scalar_one()
            for table in tables
        }


def stored(engine) -> dict[str, int]:
    with reading(engine) as connection:
        return {
            table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (*schema.RECORDS.values(), schema.quarantine, schema.conflicts)
        }


@settings(max_examples=max(CASES, 60), deadline=NO_HANG_MS, derandomize=True)
@pytest.mark.parametrize("kind", VALID)
@given(changes=mutations)
def test_a_damaged_file_is_read_to_the_line(kind, changes):
    content = damaged(VALID[kind], changes)
    try:
        rows = read_rows(content, "log.csv")
    except BadInput:
        return
    taken = [*zip(rows.first, rows.last, strict=True), *((b.first, b.last) for b in rows.broken)]
    lines = [line for first, last in taken for line in range(first, last + 1)]
    assert len(lines) == len(set(lines))
    other = rows.header_lines + rows.blank_lines + rows.skipped_lines
    assert len(lines) + other == len(rows.lines) == len(content.splitlines())


@settings(
    max_examples=CASES,
    deadline=NO_HANG_MS,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@pytest.mark.parametrize(
    "kind",
    [
        kind if kind in ("splices", "readings") else pytest.param(kind, marks=pytest.mark.long)
        for kind in VALID
    ],
)
@given(changes=mutations, many_chunks=st.integers(0, 7).map(lambda number: number == 1))
def test_a_damaged_file_is_accounted_for(place, kind, changes, many_chunks):
    engine, path = place()
    path.write_bytes(damaged(VALID[kind], changes))
    before = stored(engine)
    with reading(engine) as connection:
        files = connection.execute(select(schema.imports.c.sha256)).scalars().all()
    is_known = sha256(path.read_bytes()).hexdigest() in files
    with pytest.MonkeyPatch.context() as patch:
        if many_chunks:
            patch.setattr(chunks, "WHOLE_BYTES", 0)
            patch.setattr(chunks, "CHUNK_BYTES", 300)
            patch.setattr(staging, "BUCKET_ROWS", 5)
        try:
            report = import_file(engine, CREW, path, now=NOW)
        except BadInput:
            assert stored(engine) == before
            return
        went = report.balance
        assert went.header + went.blank + went.skipped + went.row_lines == went.lines
        outcomes = (went.accepted, went.already_stored, went.conflicting, went.quarantined)
        assert sum(outcomes) == went.rows
        # by import: a file may also bring two rows of earlier files apart, or together
        own = kept_of(engine, report.import_id)
        assert own.pop("quarantine") == went.quarantined
        assert own.pop("conflicts") == went.conflicting
        # a file that the store has already leaves no rows of its own
        assert own.pop("source_rows") >= (0 if is_known else went.already_stored)
        assert sum(own.values()) == went.accepted
        again = import_file(engine, CREW, path, now=NOW).balance
        assert again.already_stored == again.rows == went.rows
