"""Layouts: read strictly, units converted, files of other headers taken."""

from pathlib import Path

import numpy as np
import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.layout.layouts import Layout, load_layout
from arcdrift.intake.schema.units import to_stored

EXAMPLES = sorted((Path(__file__).parents[3] / "data" / "layouts").glob("*.toml"))
START = 'kind = "readings"\n'
COLUMNS = '[columns]\nread_at = "t"\nsite = "s"\ntemperature_c = "x"\n'


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_examples_are_sound(path):
    layout = load_layout(path)
    assert layout.name == path.name
    assert layout.text == path.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("unit", "column", "given", "expected"),
    [
        # exact by the definition of the unit: SI Brochure, ISO 80000, NIST SP 811 app. B
        ("degF", "temperature_c", 39.02, 3.9),
        ("degF", "temperature_c", -40.0, -40.0),
        ("kelvin", "temperature_c", 273.15, 0.0),
        ("mbar", "pressure_hpa", 1012.6, 1012.6),
        ("kPa", "pressure_hpa", 101.325, 1013.25),
        ("Pa", "pressure_hpa", 101325.0, 1013.25),
        ("mmHg", "pressure_hpa", 760.0, 1013.25014),
        ("inHg", "pressure_hpa", 29.92, 1013.207),
        ("psi", "pressure_hpa", 14.7, 1013.529),
        ("fraction", "humidity_pct", 0.5, 50.0),
        ("%", "humidity_pct", 50.0, 50.0),
        ("mrad", "cleave_left_deg", 17.453292519943, 1.0),
        ("inch", "sleeve_mm", 2.5, 63.5),
        ("nm", "core_offset_um", 250.0, 0.25),
    ],
)
def test_units(unit, column, given, expected):
    got = to_stored(np.array([given, np.nan]), unit, column)
    assert got[0] == pytest.approx(expected, rel=2e-6, abs=1e-9)
    assert np.isnan(got[1])


def test_a_unit_of_our_own_changes_nothing():
    values = np.array([0.1 + 0.2])
    assert to_stored(values, "hPa", "pressure_hpa") is values


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (START + "utcc = true\n" + COLUMNS, "the key utcc is not known (the nearest is utc)"),
        (
            START + COLUMNS + 'humidity_pct = {header = "h", units = "%"}\n',
            "the key columns.humidity_pct.units is not known (the nearest is unit)",
        ),
        (
            START + COLUMNS + 'humidty = "h"\n',
            "humidty is not a column of readings (the nearest is humidity_pct)",
        ),
        (
            START + COLUMNS + '[fixed]\nsite = "Harbor"\n',
            "site is both in columns and fixed; keep one",
        ),
        (
            START + COLUMNS + 'humidity_pct = {header = "h", unit = "hPa"}\n',
            "the unit 'hPa' cannot measure humidity_pct",
        ),
        (
            START + COLUMNS + 'humidity_pct = {header = "h", unit = "furlongz"}\n',
            "the unit 'furlongz' of humidity_pct is not known",
        ),
        (
            START + COLUMNS + 'source = {header = "h", unit = "hPa"}\n',
            "source is not a number and takes no unit",
        ),
        (
            START + COLUMNS + 'source = {header = "h", scale = 0.1}\n',
            "source is not a number and takes no scale",
        ),
        (
            START + 'preamble = "GMT"\n' + COLUMNS,
            "preamble needs header_starts_with; give it",
        ),
        (START + COLUMNS + 'source = ["h", "i"]\n', "source has several headers; only read_at may"),
        (
            START + 'utc = true\ntime_zone = "Europe/Oslo"\n' + COLUMNS,
            "utc and time_zone exclude each other; keep one",
        ),
        (
            START + 'time_zone = "Oslo"\n' + COLUMNS,
            "time_zone: time zone 'Oslo' is not known; use a name such as Europe/Oslo",
        ),
        (
            'kind = "roster"\n' + COLUMNS,
            "kind: Input should be 'arc-checks', 'splices', 'readings' or 'service'",
        ),
        (START, "columns: Field required"),
        (
            START + COLUMNS.replace('"x"', '{header = "x", split = "/"}'),
            "columns.temperature_c: split and part go together; give both",
        ),
        (
            START
            + COLUMNS.replace('"x"', '{header = "x", split = "/", part = 1, pattern = "(a)"}'),
            "columns.temperature_c: split and pattern exclude each other; keep one",
        ),
        (
            START + COLUMNS.replace('"t"', '{header = ["t", "u"], split = "/", part = 1}'),
            "columns.read_at: several headers cannot be parted; keep one header",
        ),
        (
            START + COLUMNS.replace('"x"', '{header = "x", pattern = "a"}'),
            "columns.temperature_c.pattern: 'a' needs one group in parentheses around the value; "
            "use (?:...) for others",
        ),
        (
            START + COLUMNS.replace('"x"', '{header = "x", pattern = "(a"}'),
            "columns.temperature_c.pattern: '(a' is not a regular expression",
        ),
        (
            START + COLUMNS.replace('"x"', '{header = "x", thousands = "."}'),
            "decimal and thousands of temperature_c are the same mark; change one",
        ),
        (
            START + COLUMNS + '[[skip]]\nheader = "t"\nequal = "x"\n',
            "the key skip.0.equal is not known (the nearest is equals)",
        ),
        (
            START + COLUMNS + '[[skip]]\nheader = "t"\n',
            "skip.0: a rule needs one of equals, starts_with and matches",
        ),
        (
            START + COLUMNS + '[[skip]]\nequals = "t"\n',
            "skip.0: a rule without header looks at whole lines and needs starts_with",
        ),
        (
            START + COLUMNS + '[[skip]]\nstarts_with = ""\n',
            "skip.0.starts_with: an empty text would pass over every row; write some",
        ),
        (
            START + 'skip_lines = 1\nheader_starts_with = "t"\n' + COLUMNS,
            "skip_lines and header_starts_with exclude each other; keep one",
        ),
        (
            START + 'encoding = "latin"\n' + COLUMNS,
            "encoding: Input should be 'utf-8', 'utf-16' or 'windows-1252'",
        ),
        (
            START + 'months = ["Jan", "Feb"]\n' + COLUMNS,
            "months must have the names of all 12 months",
        ),
        (START + "columns = 3\n", "columns: Input should be a valid dictionary"),
        (
            START + "skip_lines = -1\n" + COLUMNS,
            "skip_lines: Input should be greater than or equal to 0",
        ),
    ],
)
def test_a_layout_that_cannot_be_used_is_refused(tmp_path, text, reason):
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        load_layout(path)
    assert str(caught.value) == f"The layout own.toml cannot be used: {reason}."


def test_a_layout_that_cannot_be_read_is_refused(tmp_path):
    path = tmp_path / "own.toml"
    with pytest.raises(BadInput) as caught:
        load_layout(path)
    assert str(caught.value) == f"The layout {path} does not exist; check the name."
    path.write_text("kind =")
    with pytest.raises(BadInput, match=r"The layout own.toml is not valid TOML: Invalid value"):
        load_layout(path)
    path.unlink()
    path.mkdir()
    with pytest.raises(BadInput, match=r"The layout own.toml cannot be read: is a directory"):
        load_layout(path)


def layout(**changes) -> Layout:
    values = {
        "kind": "readings",
        "columns": {"read_at": "t", "site": "s", "temperature_c": "x"},
        "ignore": ["wind"],
    }
    made = Layout.model_validate(values | changes)
    made._name = "own.toml"
    return made


def test_headers_must_be_those_of_the_layout():
    own = layout()
    own.check_headers(("t", "s", "x"), "log.csv")
    own.check_headers(("wind", "x", "s", "t"), "log.csv")
    layout(ignore_unknown=True).check_headers(("rain", "x", "s", "t"), "log.csv")
    with pytest.raises(BadInput) as caught:
        own.check_headers(("t", "x"), "log.csv")
    assert str(caught.value) == (
        "log.csv has no column 's', which the layout own.toml asks for; correct the layout or "
        "choose another."
    )
    with pytest.raises(BadInput) as caught:
        own.check_headers(("t", "s", "x", "rain"), "log.csv")
    assert str(caught.value) == (
        "log.csv has the column 'rain', which the layout own.toml does not speak of; add it to "
        "columns or to ignore."
    )
    with pytest.raises(BadInput) as caught:
        layout(columns={"read_at": "t", "temperature_c": "x"}).check_headers(("t", "x"), "log.csv")
    assert str(caught.value) == (
        "The layout own.toml says nothing about site or splicer or station, which a file of "
        "readings needs; add it to columns or to fixed."
    )
    fixed = layout(columns={"read_at": "t", "temperature_c": "x"}, fixed={"site": "Harbor"})
    fixed.check_headers(("t", "x"), "log.csv")
