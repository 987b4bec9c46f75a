"""Quarantined rows exported, saved by a spreadsheet and imported back by their name alone."""

import csv
import io
import itertools
import json
import os
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arcdrift.intake.layout.file_start import FileStart
from arcdrift.intake.layout.layout_match import crew_layouts, fitting_layout
from arcdrift.intake.layout.layouts import DELIMITERS, load_layout
from arcdrift.intake.storing.import_file import import_file
from arcdrift.intake.storing.quarantine_export import export
from arcdrift.intake.text.raw_rows import numbered
from arcdrift.settings import Crew
from arcdrift.store.imports.import_list import read_imports
from arcdrift.store.imports.set_aside_rows import read_quarantined
from arcdrift.store.records.record_rows import read_records
from tests.both_stores import both_stores
from tests.empty_store import empty_store

pytestmark = both_stores

NOW = datetime(2026, 12, 1, tzinfo=UTC)
LONG = "ARCDRIFT_LONG"
CREW = Crew(name="Invented", time_zone="UTC")

_signs = st.sampled_from(list("abXY 019=+-@#|;,\t'\"/().%°é_"))
_name = st.text(_signs, min_size=1, max_size=10).map(str.strip).filter(bool)
_cell = st.text(st.one_of(_signs, st.just("\n")), max_size=8)


@st.composite
def logs(draw):
    """Headers, the name of the delimiter, the decimal mark and the cells of ignored columns."""
    headers = draw(st.lists(_name, min_size=3, max_size=3, unique=True))
    # the others may lack a name or have that of another column, but for the last one
    other = st.one_of(_name, st.just(""), st.sampled_from(headers))
    headers = [*headers, *draw(st.lists(other, max_size=3)), "end"]
    delimiter = draw(st.sampled_from(sorted(DELIMITERS)))
    decimal = "," if delimiter != "comma" and draw(st.booleans()) else "."
    more = [draw(st.lists(_cell, min_size=len(headers) - 3, max_size=len(headers) - 3))
            for _ in range(3)]  # fmt: skip
    return headers, delimiter, decimal, more


def layout_text(headers, delimiter, decimal):
    splicer, when, loss, *others = map(json.dumps, filter(None, numbered(headers)))
    return (
        f'kind = "splices"\ndelimiter = "{delimiter}"\ndecimal = "{decimal}"\nskip_lines = 1\n'
        f"ignore = [{', '.join(others)}]\n"
        f"[columns]\nsplicer = {splicer}\nspliced_at = {when}\nloss_db = {loss}\n"
    )


def log_text(headers, delimiter, decimal, more):
    out = io.StringIO()
    write = csv.writer(out, delimiter=DELIMITERS[delimiter], lineterminator="\n")
    write.writerow(headers)
    rows = [
        ["Heron", "2026-05-04 10:00:00", f"0{decimal}03"],
        ["Heron", "2026-05-04 10:01:00", "lots"],
        ["=Heron", "once", f"0{decimal}05"],
    ]
    write.writerows(
        # no row may look blank or like the header
        [*row, *cells]
        for row, cells in zip(rows, more, strict=True)
    )
    return "made by a splicer\n" + out.getvalue()


def exported(engine, import_id=1):
    rows = read_quarantined(engine, import_id)
    source = read_imports(engine).set_index("id").loc[rows["import_id"].iloc[0]]
    return export(rows, json.loads(source["header"]), source["delimiter"])


def saved_again(text, change, delimiter=","):
    """The export as a spreadsheet saves it, with its rows changed."""
    rows = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")))
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows([rows[0], *map(change, rows[1:])])
    return out.getvalue()


def counts(report):
    went = report.balance
    return went.accepted, went.already_stored, went.conflicting, went.quarantined


def test_any_header_and_layout_come_back(tmp_path):
    engine = empty_store(tmp_path)
    number = itertools.count()

    @settings(max_examples=300 if os.environ.get(LONG) == "1" else 4, deadline=None)
    @given(log=logs(), saved_with=st.sampled_from([",", ";", "\t"]), in_folder=st.booleans())
    def check(log, saved_with, in_folder):
        folder = tmp_path / str(next(number))
        place = folder / "layouts" if in_folder else folder
        place.mkdir(parents=True)
        comes_back(engine, folder, place, log, saved_with)

    check()
    engine.dispose()


def comes_back(engine, folder, place, log, saved_with):
    """Import a log, its export, and the export with one of two rows corrected."""
    headers, delimiter, decimal, _ = log
    (place / "own.toml").write_text(layout_text(headers, delimiter, decimal), encoding="utf-8")

    def bring(text, file, layout=None):
        path = folder / file
        path.write_bytes(text.encode("utf-8"))
        layout = layout or fitting_layout(crew_layouts(folder).layouts, FileStart(path, path.name))
        assert layout is None or layout.name == "own.toml"
        return import_file(engine, CREW, path, now=NOW, layout=layout)

    text = log_text(*log).replace("Heron", f"Heron {folder.name}")
    first = bring(text, f"{folder.name}.csv", load_layout(place / "own.toml"))
    assert counts(first) == (1, 0, 0, 2)
    both = exported(engine, first.import_id)
    assert counts(bring(both, "rows.csv")) == (0, 2, 0, 0)

    def corrected(row):
        at = len(row) - len(headers) + 2
        return [*row[:at], f"0{decimal}04" if row[at] == "lots" else row[at], *row[at + 1 :]]

    report = bring(saved_again(both, corrected, saved_with), "mended.csv")
    assert (counts(report), report.mended) == ((1, 1, 0, 0), 1)
    assert read_quarantined(engine, first.import_id)["code"].tolist() == ["time-unreadable"]
    stored = read_records(engine, "splices", splicers=[f"Heron {folder.name}"])
    assert stored["loss_db"].tolist() == [0.03, 0.04]


def test_the_layout_of_the_store_decides_where_several_fit(tmp_path):
    engine = empty_store(tmp_path)
    headers = ["Fiber 1", "=when", "#loss"]
    (tmp_path / "layouts").mkdir()
    for number in (1, 2):
        text = layout_text(headers, "semicolon", ",").replace(
            "skip_lines = 1", f"skip_lines = {number}"
        )
        (tmp_path / "layouts" / f"{number}.toml").write_text(text)
    path = tmp_path / "log.csv"
    path.write_text(log_text(headers, "semicolon", ",", [[], [], []]))
    import_file(engine, CREW, path, now=NOW, layout=tmp_path / "layouts" / "1.toml")
    path.write_text(exported(engine))
    assert fitting_layout(crew_layouts(tmp_path).layouts, FileStart(path, path.name)) is None
    report = import_file(engine, CREW, path, now=NOW)
    assert counts(report) == (0, 2, 0, 0)
    assert read_imports(engine)["layout"].str.startswith("# 1.toml").all()


@pytest.mark.parametrize("encoding", ["utf-16", "windows-1252"])
def test_the_encoding_of_a_layout_is_not_that_of_an_export(tmp_path, encoding):
    engine = empty_store(tmp_path)
    headers = ["Gerät", "Zeit", "Dämpfung"]
    layout = tmp_path / "own.toml"
    layout.write_text(
        f'encoding = "{encoding}"\n{layout_text(headers, "comma", ".")}', encoding="utf-8"
    )
    path = tmp_path / "log.csv"
    path.write_bytes(log_text(headers, "comma", ".", [[], [], []]).encode(encoding))
    import_file(engine, CREW, path, now=NOW, layout=layout)
    path.write_text(exported(engine).removeprefix("\ufeff"), encoding="utf-8")
    assert counts(import_file(engine, CREW, path, now=NOW)) == (0, 2, 0, 0)
