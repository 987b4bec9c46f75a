"""The kinds of file: recognized by their headers, checked by their schemas."""

import numpy as np
import pandas as pd
import pandera.errors
import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.schema.kinds import KINDS, recognize
from arcdrift.quantities import QUANTITIES
from arcdrift.store.schema import RECORDS, TIME_COLUMN


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_a_kind_has_the_columns_of_its_table(kind):
    table = RECORDS[kind.name]
    assert set(kind.columns) == set(table.columns.keys()) - {"id", "import_id", "line"}
    assert kind.time_column == TIME_COLUMN[kind.name]


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_words_fit_their_columns(kind):
    # a shared database would refuse a longer word
    for name in kind.texts:
        length = getattr(RECORDS[kind.name].columns[name].type, "length", None)
        assert length is None or kind.allowed_words(name)
        assert all(len(word) <= length for word in kind.allowed_words(name))


def typed(kind, rows: int = 1, **columns) -> pd.DataFrame:
    frame = pd.DataFrame(index=range(rows))
    for name in kind.columns:
        if name == kind.time_column:
            frame[name] = pd.Timestamp("2025-03-01", tz="UTC").as_unit("us")
        elif name in kind.numbers:
            frame[name] = np.nan
        else:
            frame[name] = pd.Series(pd.NA, index=frame.index, dtype="str")
    for name, value in columns.items():
        frame[name] = pd.Series(value, index=frame.index, dtype=frame[name].dtype)
    return frame


SOUND = {
    "arc-checks": {"splicer": "Heron", "outcome": "pass", "arc_setting": 3.0},
    "splices": {
        "splicer": "Heron",
        "loss_db": 0.03,
        "outcome": "done",
        "purpose": "production",
    },
    "readings": {"site": "Harbor", "temperature_c": 3.0},
    "service": {"asset": "Heron", "action": "electrodes replaced"},
}


def codes(kind, frame):
    return [(code, column) for code, column, where in KINDS[kind].failures(frame) if where[-1]]


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_row_passes(kind):
    frame = typed(KINDS[kind], **SOUND[kind])
    assert not list(KINDS[kind].failures(frame))
    KINDS[kind].schema.validate(frame, lazy=True)


@pytest.mark.parametrize(
    ("kind", "change", "code", "column"),
    [
        ("arc-checks", {"splicer": None}, "value-missing", "splicer"),
        ("arc-checks", {"outcome": None}, "value-missing", "outcome"),
        ("arc-checks", {"outcome": "NG"}, "word-unknown", "outcome"),
        ("arc-checks", {"arc_setting": np.nan}, "setting-missing", "arc_setting"),
        ("arc-checks", {"arc_count": 12.5}, "not-whole", "arc_count"),
        ("arc-checks", {"melt_back_um": 500.1}, "value-too-high", "melt_back_um"),
        ("splices", {"spliced_at": pd.NaT}, "value-missing", "spliced_at"),
        ("splices", {"loss_db": np.nan}, "loss-missing", "loss_db"),
        ("splices", {"loss_db": -0.01}, "value-too-low", "loss_db"),
        ("splices", {"loss_db": 10.01}, "value-too-high", "loss_db"),
        ("splices", {"measured_ab_db": -5.1}, "value-too-low", "measured_ab_db"),
        ("splices", {"cleave_left_deg": 20.1}, "value-too-high", "cleave_left_deg"),
        ("splices", {"purpose": "other"}, "word-unknown", "purpose"),
        ("readings", {"site": None}, "place-missing", "site"),
        ("readings", {"dew_point_c": 22.0}, "dew-point-too-high", "dew_point_c"),
        ("readings", {"pressure_hpa": 449.9}, "value-too-low", "pressure_hpa"),
        ("readings", {"humidity_pct": 100.1}, "value-too-high", "humidity_pct"),
        ("readings", {"temperature_c": -60.1}, "value-too-low", "temperature_c"),
        ("readings", {"pressure_reference": "here"}, "word-unknown", "pressure_reference"),
        ("service", {"action": "painted"}, "word-unknown", "action"),
    ],
)
def test_a_wrong_row_fails_the_check_of_that_name(kind, change, code, column):
    # the sound row before it must stay out of it
    wrong = typed(KINDS[kind], **(SOUND[kind] | change))
    frame = pd.concat([typed(KINDS[kind], **SOUND[kind]), wrong], ignore_index=True)
    assert codes(kind, frame) == [(code, column)]
    failures = [where.tolist() for _, _, where in KINDS[kind].failures(frame)]
    assert failures == [[False, True]]
    with pytest.raises(pandera.errors.SchemaErrors) as caught:
        KINDS[kind].schema.validate(frame, lazy=True)
    cases = caught.value.failure_cases
    assert set(cases["index"].dropna()) == {1}


@pytest.mark.parametrize(
    ("kind", "change"),
    [
        ("arc-checks", {"outcome": "fail", "arc_setting": np.nan}),
        ("splices", {"outcome": "error", "loss_db": np.nan}),
        ("readings", {"site": None, "splicer": "Heron"}),
        ("readings", {"temperature_c": np.nan, "humidity_pct": 50.0}),
    ],
)
def test_what_may_be_absent(kind, change):
    assert codes(kind, typed(KINDS[kind], **(SOUND[kind] | change))) == []


@pytest.mark.parametrize("name", QUANTITIES)
def test_bounds_are_those_of_the_one_table(name):
    quantity = QUANTITIES[name]
    for kind in KINDS.values():
        if name in kind.numbers:
            checks = {check.name: check for check in kind.schema.columns[name].checks}
            assert checks["value-too-low"].statistics["min_value"] == quantity.low
            assert checks["value-too-high"].statistics["max_value"] == quantity.high


@pytest.mark.parametrize(
    ("headers", "kind"),
    [
        ("splicer checked_at outcome", "arc-checks"),
        ("splicer spliced_at loss_db outcome remark", "splices"),
        ("read_at splicer humidity_pct", "readings"),
        ("asset serviced_at action", "service"),
    ],
)
def test_headers_tell_the_kind(headers, kind):
    assert recognize(headers.split(), "log.csv").name == kind
    assert recognize(headers.split(), "log.csv", kind).name == kind


@pytest.mark.parametrize(
    ("headers", "asked", "sentence"),
    [
        (
            "splicer spliced_at",
            None,
            "log.csv is not recognized: it comes nearest to splices, but has no column loss_db; "
            "rename its headers or give a layout.",
        ),
        (
            "foo bar",
            None,
            "log.csv is not recognized: it comes nearest to arc-checks, but has no column "
            "splicer and no column checked_at and no column outcome; rename its headers or give "
            "a layout.",
        ),
        (
            "read_at temperature_c",
            None,
            "log.csv is not recognized: it comes nearest to readings, but has no column site or "
            "splicer or station; rename its headers or give a layout.",
        ),
        (
            "splicer spliced_at loss_db",
            "arc-checks",
            "log.csv is a file of splices, not of arc-checks as asked.",
        ),
        (
            "splicer spliced_at",
            "splices",
            "log.csv is not recognized: it comes nearest to splices, but has no column loss_db; "
            "rename its headers or give a layout.",
        ),
        (
            "splicer spliced_at loss_db Temperatur",
            None,
            "log.csv is a file of splices, but its column 'Temperatur' is not known (the nearest "
            "is temperature_c); rename it, or give a layout that leaves it out.",
        ),
        (
            "splicer spliced_at loss_db zzz",
            None,
            "log.csv is a file of splices, but its column 'zzz' is not known; rename it, or give "
            "a layout that leaves it out.",
        ),
        (
            "splicer",
            "roster",
            "'roster' is not a kind of file; use one of arc-checks, splices, readings, service.",
        ),
    ],
)
def test_headers_that_tell_no_kind_are_refused(headers, asked, sentence):
    with pytest.raises(BadInput) as caught:
        recognize(headers.split(), "log.csv", asked)
    assert str(caught.value) == sentence
