"""Files mutated at random: nothing but BadInput ever escapes, and every line is accounted for."""

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select

from arcdrift.errors import BadInput
from arcdrift.intake.intake import import_file
from arcdrift.intake.reader import read_rows
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.connect import open_store, reading

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
mutations = st.lists(st.one_of(damage, damage, truncation, doubling), max_size=4)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("crew")
    return open_store(folder), folder / "log.csv"


def damaged(content: bytes, changes: list[Mutation]) -> bytes:
    for change in changes:
        content = change(content)
    return content


def stored(engine) -> dict[str, int]:
    with reading(engine) as connection:
        return {
            table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
            for table in (*schema.RECORDS.values(), schema.quarantine, schema.conflicts)
        }


@settings(max_examples=100, deadline=None, derandomize=True)
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
    max_examples=30,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@pytest.mark.parametrize("kind", VALID)
@given(changes=mutations)
def test_a_damaged_file_is_accounted_for(place, kind, changes):
    engine, path = place
    path.write_bytes(damaged(VALID[kind], changes))
    before = stored(engine)
    try:
        went = import_file(engine, CREW, path, now=NOW).balance
    except BadInput:
        assert stored(engine) == before
        return
    assert went.header + went.blank + went.skipped + went.row_lines == went.lines
    assert went.accepted + went.already_stored + went.conflicting + went.quarantined == went.rows
    added = {name: count - before[name] for name, count in stored(engine).items()}
    assert added.pop("quarantine") == went.quarantined
    assert added.pop("conflicts") == went.conflicting
    assert sum(added.values()) == went.accepted
    again = import_file(engine, CREW, path, now=NOW).balance
    assert again.already_stored == again.rows == went.rows
