"""What headers tell: their names and units, the kind of a file, and the columns they match."""

import pytest

from arcdrift.intake.draft.headers.header_match import guess_kind, match_headers
from arcdrift.intake.draft.headers.header_words import plain
from arcdrift.intake.draft.headers.word_lists import load_words
from arcdrift.intake.schema.kinds import KINDS


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("Loss (dB)", "loss", "dB"),
        ("Temp °F", "temp", "degF"),
        ("Temp. [°C]", "temp", "degC"),
        ("Temperatur Grad C", "temperatur", "degC"),
        ("Druck [hPa]", "druck", "hPa"),
        ("Feuchte %", "feuchte", "percent"),
        ("Humidity [% r.F.]", "humidity", "percent"),
        ("Humidité relative (%)", "humidite relative", "percent"),
        ("Presión, mbar", "presion", "mbar"),
        ('Pressure ("Hg)', "pressure", "inHg"),
        ("Baro (in Hg)", "baro", "inHg"),
        ("temp_f", "temp", "degF"),
        ("Versatz in µm", "versatz", "micrometer"),
        ("Offset \u03bcm", "offset", "micrometer"),
        ("Winkel links (Grad)", "winkel links", "degree"),
        ("Dämpfung/dB", "dampfung", "dB"),
        ("Core Offset (mils)", "core offset", "mil"),
        ("Spleißgerät", "spleissgerat", None),
        ("SpliceLoss", "splice loss", None),
        ("Arc #", "arc no", None),
        ("Left (L)", "left l", None),
    ],
)
def test_units_in_headers(header, name, unit):
    bare, found = load_words().named_and_unit(header)
    assert (plain(bare), found) == (name, unit)


@pytest.mark.parametrize(
    ("headers", "kind", "columns"),
    [
        (
            ("Date/Time", "Machine", "Est. Loss", "Temp (F)", "Result"),
            "splices",
            ["splicer", "loss_db", "outcome", "temperature_c"],
        ),
        (
            ("Datum", "Gerät", "Spleißdämpfung", "Winkel links", "Winkel rechts", "Bediener"),
            "splices",
            ["splicer", "loss_db", "technician", "cleave_left_deg", "cleave_right_deg"],
        ),
        (
            ("Horodatage", "Soudeuse", "Perte estimée", "Angle gauche", "Programme", "Remarque"),
            "splices",
            ["splicer", "loss_db", "program", "cleave_left_deg", "remark"],
        ),
        (
            ("Fecha", "Hora", "Fusionadora", "Atenuación", "Ángulo izquierdo", "Técnico"),
            "splices",
            ["splicer", "loss_db", "technician", "cleave_left_deg"],
        ),
        (
            ("Machine", "Check time", "Result", "Arc power", "Arcs", "Temp"),
            "arc-checks",
            ["splicer", "outcome", "arc_setting", "arc_count", "temperature_c"],
        ),
        (
            ("Zeit", "Standort", "Luftdruck", "Lufttemperatur", "Luftfeuchtigkeit"),
            "readings",
            ["site", "temperature_c", "pressure_hpa", "humidity_pct"],
        ),
        (("Date", "Machine", "Work done", "Notes"), "service", ["asset", "action", "remark"]),
    ],
)
def test_kind_and_columns_from_headers(headers, kind, columns):
    of_kind = guess_kind(headers, "log.csv", load_words())
    assert of_kind.name == kind
    assert list(match_headers(headers, of_kind, load_words())) == columns


@pytest.mark.parametrize("kind", KINDS)
def test_our_own_headers_match_themselves(kind):
    columns = KINDS[kind].columns
    found = match_headers(columns, KINDS[kind], load_words())
    wanted = {column: column for column in columns if column != KINDS[kind].time_column}
    assert {column: match.header for column, match in found.items()} == wanted
