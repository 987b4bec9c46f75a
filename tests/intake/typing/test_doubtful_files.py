"""Files that are doubtful as a whole: fractions for percentages, times without a time of day."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.layout.layouts import load_layout
from arcdrift.intake.layout.log_reader import LogReader
from arcdrift.intake.typing.convert import convert
from arcdrift.intake.typing.whole_file_state import WholeFileState
from arcdrift.settings import Crew

NOW = datetime(2026, 12, 1, tzinfo=UTC)
CREW = Crew(name="Invented", time_zone="UTC")


def typed(content, *, layout=None, state=None):
    reader = LogReader("log.csv", layout=layout)
    rows = reader.divide(content.encode())
    kind = reader.kind_of(rows.header)
    return convert(rows, kind, layout, CREW, now=NOW, file="log.csv", state=state)


def humidity(*cells, **options):
    rows = [f"2026-05-04 10:{n:02},Harbor,{cell}" for n, cell in enumerate(cells)]
    return typed("\n".join(["read_at,site,humidity_pct", *rows]), **options)


def own_layout(folder: Path, humidity_map: str):
    path = folder / "own.toml"
    path.write_text(
        'kind = "readings"\n[columns]\nread_at = "read_at"\nsite = "site"\n'
        f"humidity_pct = {humidity_map}\n"
    )
    return load_layout(path)


@pytest.mark.parametrize(
    ("cells", "sentence"),
    [
        (["0.45", "0.5", ""], "All 2 values of humidity_pct in log.csv are 0.45..0.5"),
        (["0.45"], "All 1 values of humidity_pct in log.csv are 0.45..0.45"),
        (["0", "1"], "All 2 values of humidity_pct in log.csv are 0..1"),
        (["45%", "0.44"], "All 1 values of humidity_pct in log.csv are 0.44..0.44"),
        # a sensor of fractions goes a little above 1 in fog
        (["0.45", "0.98", "1.01"], "2 of 3 values of humidity_pct in log.csv are 0.45..0.98"),
        (["0", "0.4", "0.5", "45"], "3 of 4 values of humidity_pct in log.csv are 0..0.5"),
    ],
)
def test_percentages_that_may_be_fractions_are_a_question(cells, sentence):
    with pytest.raises(BadInput) as caught:
        humidity(*cells)
    assert str(caught.value) == (
        f"{sentence}, which may be fractions of 1 or percent; give a layout that states the unit, "
        "fraction or percent."
    )


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["0.45", "45"], [0.45, 45]),
        (["0", "0"], [0, 0]),  # 0 % either way
        (["0", "0", "0", "45"], [0, 0, 0, 45]),
        (["45%", "46 %"], [45, 46]),
        (["0.45%"], [0.45]),
        (["1.1"], [1.1]),
    ],
)
def test_percentages_that_are_clear(cells, expected):
    result = humidity(*cells)
    assert result.frame["humidity_pct"].tolist() == expected
    assert not result.problems.bad.any()


@pytest.mark.parametrize(
    ("humidity_map", "expected"),
    [
        ('{ header = "humidity_pct", unit = "fraction" }', [45, 0.5]),
        ('{ header = "humidity_pct", unit = "percent" }', [0.45, 0.5]),
    ],
)
def test_a_layout_answers_the_question(tmp_path, humidity_map, expected):
    layout = own_layout(tmp_path, humidity_map)
    # a sign in the cell goes before the unit of the column
    assert humidity("0.45", "0.5%", layout=layout).frame["humidity_pct"].tolist() == expected


def test_a_layout_that_says_nothing_of_the_unit_is_no_answer(tmp_path):
    with pytest.raises(BadInput, match="fractions of 1 or percent"):
        humidity("0.45", layout=own_layout(tmp_path, '"humidity_pct"'))


def test_a_percent_sign_measures_nothing_else():
    result = typed(
        "splicer,spliced_at,loss_db,temperature_c\nHeron,2026-05-04 10:00,3%,20\n"
        "Heron,2026-05-04 10:01,0.03,20%\n"
    )
    assert result.problems.bad.tolist() == [True, True]
    # the arc setting is in the splicer's own unit, which may be percent
    checks = typed("splicer,checked_at,outcome,arc_setting\nHeron,2026-05-04 10:00,pass,5%\n")
    assert checks.frame["arc_setting"].tolist() == [5]


def splices(*times, **options):
    rows = [f"Heron,{time},0.03" for time in times]
    return typed("\n".join(["splicer,spliced_at,loss_db", *rows]), **options)


@pytest.mark.parametrize(
    "times",
    [
        ["2026-05-04 00:00", "2026-05-05 00:00:00"],
        ["2026-05-04 00:00:00"] * 3,
        ["2026-05-04T00:00:00Z", "2026-05-05T00:00:00Z"],
        ["2026-05-04T00:00:00+02:00", "2026-05-05T00:00+0200"],
        ["2026-05-04 00:00:00.000", "2026-05-05 00:00"],
        ["46146", "46147"],
    ],
)
def test_times_without_a_time_of_day_are_refused(times):
    with pytest.raises(BadInput) as caught:
        splices(*times)
    assert str(caught.value) == (
        f"All {len(times)} times in log.csv are at 00:00:00, so their time of day was lost; export "
        "the log with it, or name its column in a layout, beside that of the date."
    )


@pytest.mark.parametrize(
    "times",
    [
        ["2026-05-04 00:00"],
        ["2026-05-04 00:00"] * 2,
        ["2026-05-04 00:00", "2026-05-05 00:01"],
        ["2026-05-04T00:00:00+02:00", "2026-05-05T02:00+0200"],
    ],
)
def test_times_that_may_be_at_midnight(times):
    assert not splices(*times).problems.bad.any()


def test_the_time_of_day_of_a_format_with_an_offset(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(
        'kind = "splices"\ntime_format = "%d.%m.%Y %H:%M %z"\n[columns]\nsplicer = "splicer"\n'
        'spliced_at = "spliced_at"\nloss_db = "loss_db"\n'
    )
    layout = load_layout(path)
    with pytest.raises(BadInput, match="time of day was lost"):
        splices("04.05.2026 00:00 +0200", "05.05.2026 00:00 +0200", layout=layout)
    splices("04.05.2026 02:00 +0200", "05.05.2026 02:00 +0200", layout=layout)


def test_readings_of_one_midnight_and_days_of_service():
    rows = "\n".join(f"2026-05-04 00:00,{site},20" for site in ("Harbor", "Pass", "Valley"))
    assert not typed(f"read_at,site,temperature_c\n{rows}\n").problems.bad.any()
    rows = "\n".join(f"Heron,2026-05-{day},cleaned" for day in ("04", "05", "06"))
    assert not typed(f"asset,serviced_at,action\n{rows}\n").problems.bad.any()


def test_what_one_chunk_does_not_tell_another_may():
    state = WholeFileState()
    splices("2026-05-04 00:00", "2026-05-05 00:00", state=state)
    assert state.clocks.rows_at_midnight(several_per_minute=True) == 2
    splices("2026-05-06 00:01", state=state)
    assert state.clocks.rows_at_midnight(several_per_minute=True) == 0
    humidity("0.4", state=state)
    assert state.percentages.fraction_column().present == 1
    humidity("40", state=state)
    assert state.percentages.fraction_column() is None
