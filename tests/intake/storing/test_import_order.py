"""The order of imports changes nothing, and undoing one leaves what the others make.

``ARCDRIFT_LONG=1`` tries many more sets of files.
"""

import itertools
import json
import os
import tempfile
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arcdrift.intake.schema.kinds import KINDS
from arcdrift.intake.storing.import_file import import_file
from arcdrift.settings import Crew
from arcdrift.store import schema
from arcdrift.store.events.event_candidates import candidate_key, row_json, stored_values
from arcdrift.store.events.record_matching import (
    MINUTE_US,
    RECORD_IDENTITIES,
    SourceRow,
    match_events,
)
from arcdrift.store.events.written_rows import WrittenRows
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.imports.import_undo import undo_import
from arcdrift.store.imports.set_aside_rows import read_conflicting, read_quarantined
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = [both_stores, pytest.mark.usefixtures("_reads_every_row")]

CREW = Crew(name="Invented", time_zone="Europe/Oslo")
NOW = datetime(2025, 6, 1, tzinfo=UTC)
LONG = os.environ.get("ARCDRIFT_LONG") == "1"
EXAMPLES = {"splices": 2, "arc-checks": 1, "readings": 1, "service": 1}
LONG_EXAMPLES = {"splices": 150, "arc-checks": 100, "readings": 75, "service": 75}


def every_day(kind):
    """Parametrize with all kinds, of which the everyday suite tries one."""
    return pytest.mark.parametrize(
        "kind",
        [kind, *(pytest.param(name, marks=pytest.mark.long) for name in KINDS if name != kind)],
    )


def few(kind):
    return settings(
        max_examples=(LONG_EXAMPLES if LONG else EXAMPLES)[kind],
        deadline=None,
        derandomize=True,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )


def file_of(head: str, rows: list[tuple[str, ...]]) -> str:
    return "\n".join([head, *(",".join(row) for row in rows), ""])


def rows_with(head: str, choices: dict[str, list[str]]) -> st.SearchStrategy[str]:
    row = st.tuples(*(st.sampled_from(choices[name]) for name in head.split(",")))
    # a file in which every loss is far out is refused whole
    rows = st.lists(row, min_size=1, max_size=4).filter(
        lambda rows: not all("99" in row for row in rows)
    )
    return rows.map(lambda rows: file_of(head, rows))


SECONDS = ["2025-03-01 10:00:05", "2025-03-01 10:00:40", "2025-03-01 10:01:05"]
MINUTES = ["2025-03-01 10:00", "2025-03-01 10:01"]
BROKEN = ["0.01", "0.01", "0.02", "0.02", "99"]


def splices(times: list[str]) -> st.SearchStrategy[str]:
    choices = {
        "splicer": ["Heron", "Heron", "Plover"],
        "spliced_at": times,
        "loss_db": BROKEN,
        "splice_number": ["7", "8", ""],
        "arc_count": ["100", "101", ""],
        "technician": ["Alder", ""],
        "outcome": ["done", "redo", ""],
    }
    base = "splicer,spliced_at,loss_db"
    more = ["splice_number", "arc_count", "technician", "outcome"]
    heads = [
        ",".join([base, *some])
        for count in range(4)
        for some in itertools.combinations(more, count)
    ]
    return st.sampled_from(heads).flatmap(lambda head: rows_with(head, choices))


def checks(times: list[str]) -> st.SearchStrategy[str]:
    choices = {
        "splicer": ["Heron"],
        "checked_at": times,
        "outcome": ["pass", "fail"],
        "arc_setting": ["10", "11", ""],
        "arc_count": ["100", "101"],
    }
    heads = ["splicer,checked_at,outcome,arc_setting"]
    return st.sampled_from([*heads, heads[0] + ",arc_count"]).flatmap(
        lambda head: rows_with(head, choices)
    )


FILES = {
    "splices": st.sampled_from([SECONDS, MINUTES]).flatmap(splices),
    "arc-checks": st.sampled_from([SECONDS, MINUTES]).flatmap(checks),
    "readings": st.sampled_from(
        ["read_at,site,splicer,temperature_c", "read_at,site,temperature_c,humidity_pct"]
    ).flatmap(
        lambda head: rows_with(
            head,
            {
                "read_at": SECONDS[:2],
                "site": ["Harbor", "Pass", ""],
                "splicer": ["Heron", ""],
                "temperature_c": ["3", "4", "x"],
                "humidity_pct": ["40", "50", ""],
            },
        )
    ),
    "service": st.sampled_from(
        ["asset,serviced_at,action", "asset,serviced_at,action,remark"]
    ).flatmap(
        lambda head: rows_with(
            head,
            {
                "asset": ["Heron"],
                "serviced_at": SECONDS[:2],
                "action": ["cleaned", "other", "polished"],
                "remark": ["brush", "cloth", ""],
            },
        )
    ),
}


def bring(engine, place, files, order):
    for number in order:
        path = Path(place) / f"file {number}.csv"
        path.write_text(files[number], encoding="utf-8")
        import_file(engine, CREW, path, now=NOW)


def versions(engine, kind):
    """Records and versions in conflict of each splicer's minute or place's instant, unordered."""
    identity, stored = RECORD_IDENTITIES[kind], {}
    groups: dict[tuple, list] = {}
    for row in stored_values(read_records(engine, kind)):
        who = {name: row[name] for name in identity.subject}
        key = candidate_key(identity, list(who.values()), row[identity.time], WrittenRows())
        stored[row["id"]] = key
        found = groups.setdefault(key, [0, Counter()])
        found[0] += 1
        found[1][row_json(identity, who, 0, row)] += 1
    for row in stored_values(read_conflicting(engine)):
        version = json.loads(row["record"])
        who = {name: version[name] for name in identity.subject}
        groups[stored[row["stored_id"]]][1][row_json(identity, who, 0, version)] += 1
    return groups


def times(engine, kind):
    return Counter(read_records(engine, kind)[RECORD_IDENTITIES[kind].time])


def apart(engine):
    return Counter(read_quarantined(engine)[["raw", "code", "message"]].itertuples(index=False))


def content(engine, kind):
    """All there is but ids, and the lists by which imports are counted."""
    table = schema.RECORDS[kind]
    names = {row["id"]: row["file_name"] for row in stored_values(read_imports(engine))}
    stored = {}
    for row in stored_values(read_records(engine, kind)):
        number, source = row.pop("id"), names[row.pop("import_id")]
        stored[number] = (source, *(row[n] for n in table.columns.keys() if n in row))
    rivals = [
        (
            r["file_name"],
            r["line"],
            stored[r["stored_id"]],
            r["differs"],
            r["record"],
            r["raw"],
            r["kept"],
        )
        for r in stored_values(read_conflicting(engine, decided=True))
    ]
    kept = [
        tuple(r[n] for n in ("file_name", "line", "last_line", "column", "code", "message", "raw"))
        for r in stored_values(read_quarantined(engine, closed=True))
    ]
    return Counter(stored.values()), Counter(rivals), Counter(kept)


@every_day("splices")  # may repeat within a minute
def test_the_order_of_imports_changes_nothing(kind):
    @few(kind)
    @given(files=st.lists(FILES[kind], min_size=2, max_size=3))
    def holds(files):
        results = []
        count = len(files)
        for order in (range(count), range(count - 1, -1, -1), (*range(1, count), 0))[:count]:
            with tempfile.TemporaryDirectory() as place:
                engine = empty_store(Path(place))
                bring(engine, place, files, order)
                results.append((versions(engine, kind), times(engine, kind), apart(engine)))
                engine.dispose()
        assert all(result == results[0] for result in results)

    holds()


@every_day("readings")  # may not
def test_undoing_leaves_what_the_others_make(kind):
    @few(kind)
    @given(files=st.lists(FILES[kind], min_size=2, max_size=3), data=st.data())
    def holds(files, data):
        gone = data.draw(st.integers(0, len(files) - 1))
        order = range(len(files))
        with tempfile.TemporaryDirectory() as place, tempfile.TemporaryDirectory() as other:
            engine, alone = empty_store(Path(place)), empty_store(Path(other))
            bring(engine, place, files, order)
            undo_import(engine, gone + 1)
            bring(alone, other, files, [number for number in order if number != gone])
            assert content(engine, kind) == content(alone, kind)
            engine.dispose()
            alone.dispose()

    holds()


said = st.fixed_dictionaries(
    {"loss_db": st.sampled_from([0.01, 0.02])},
    optional={
        "splice_number": st.sampled_from([7.0, 8.0, None]),
        "arc_count": st.sampled_from([100.0, 101.0, None]),
        "technician": st.sampled_from(["Alder", None]),
    },
)


@st.composite
def logs(draw):
    """Rows of one minute of one file: with seconds or without, all with the same columns."""
    exact = draw(st.booleans())
    head = draw(said)
    rows = []
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.sampled_from([5, 40])) * 1_000_000 if exact else 0
        row = {"loss_db": draw(st.sampled_from([0.01, 0.02]))}
        for name in head:
            if name == "technician":
                row[name] = draw(st.sampled_from(["Alder", None]))
            elif name != "loss_db":
                row[name] = draw(st.sampled_from([7.0, 8.0, None]))
        rows.append((exact, at, row))
    return rows


def settled(files, order):
    claims = [
        SourceRow((place, line), exact, at, row)
        for place, number in enumerate(order)
        for line, (exact, at, row) in enumerate(files[number])
    ]
    events = match_events(claims, RECORD_IDENTITIES["splices"])
    assert sorted(c.origin for e in events for c in e.rows) == sorted(c.origin for c in claims)
    accounts = Counter(
        frozenset((name, value) for name, value in version.values.items() if value is not None)
        for event in events
        for version in event.versions
    )
    return Counter(event.time_us for event in events), accounts


@settings(max_examples=2500 if LONG else 100, deadline=None, derandomize=True)
@given(files=st.lists(logs(), min_size=2, max_size=3))
def test_versions_of_a_minute_do_not_depend_on_the_order(files):
    orders = itertools.permutations(range(len(files)))
    results = [settled(files, order) for order in orders]
    assert all(result == results[0] for result in results)


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_minutes_and_seconds_of_the_same_splices(tmp_path, order):
    head = "splicer,spliced_at,loss_db,splice_number,arc_count,technician\n"
    minutes = (
        head
        + "Heron,2025-03-01 10:00,0.01,7,100,Alder\nHeron,2025-03-01 10:00,0.02,8,101,Alder\n"
        + "Heron,2025-03-01 10:01,0.03,9,102,Alder\n"
    )
    seconds = (
        head.replace(",technician", "")
        + "Heron,2025-03-01 10:00:05,0.01,7,100\nHeron,2025-03-01 10:00:50,0.02,8,101\n"
        + "Heron,2025-03-01 10:01:20,0.07,9,102\n"
    )
    engine = empty_store(tmp_path)
    bring(engine, str(tmp_path), [minutes, seconds], order)
    frame = read_records(engine, "splices").sort_values("spliced_at")
    assert list(frame["spliced_at"].dt.second) == [5, 50, 20]
    assert list(frame["technician"]) == ["Alder"] * 3
    (rival,) = stored_values(read_conflicting(engine))
    differs = json.loads(rival["differs"])
    assert set(differs) == {"loss_db"}
    assert sorted(differs["loss_db"]) == [0.03, 0.07]
    engine.dispose()


def test_shapes_and_kinds_agree():
    assert set(RECORD_IDENTITIES) == set(KINDS)
    for name, kind in KINDS.items():
        identity = RECORD_IDENTITIES[name]
        defaults = {n: c.default for n, c in kind.schema.columns.items() if c.default is not None}
        assert identity.defaults == defaults
        assert {*identity.subject, "splice_number"} >= set(kind.identity) >= set(identity.subject)
        assert (identity.time, identity.several_per_minute) == (
            kind.time_column,
            kind.repeats,
        )
    assert MINUTE_US == 60 * 1_000_000
