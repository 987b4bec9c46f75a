"""Drafting a layout: what the headers and the values of a sample tell, and what they do not."""

import csv
import io
import sys
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arcdrift.errors import BadInput
from arcdrift.intake.draft.draft_layout import ORDER_KEY, draft_layout
from arcdrift.intake.draft.headers.word_lists import load_words
from arcdrift.intake.draft.layout_trial import try_layout
from arcdrift.intake.draft.sample_table import find_table
from arcdrift.intake.layout.log_reader import LogReader
from arcdrift.intake.schema.kinds import KINDS
from arcdrift.intake.typing.convert import convert
from arcdrift.settings import Crew

LAYOUTS = Path(__file__).parents[3] / "data" / "layouts"
SAMPLES = Path(__file__).parents[1] / "samples"
NOW = datetime(2026, 12, 1, tzinfo=UTC)
CREW = Crew(name="Invented", time_zone="Europe/Oslo")


def draft(content, **options):
    return drafted(content.encode(), "log.csv", **options)


def drafted(content, name, **options):
    words = load_words()
    return draft_layout(find_table(content, name, words), name, now=NOW, words=words, **options)


def tried(made, content):
    return [
        (order, try_layout(content.encode(), layout, CREW, now=NOW, file="log.csv"))
        for order, layout in made.trials()
    ]


def test_headers_that_tell_no_kind():
    with pytest.raises(BadInput, match=r"do not tell what it holds .* say so with --kind"):
        draft("Time,Machine,Note\n2026-05-04 10:00,Heron,x\n")


GERMAN = (
    "Spleißlog der Kolonne\n"
    "\n"
    "Datum;Uhrzeit;Gerät;Dämpfung (dB);Winkel L/R (°);Lichtbögen;Temp °F;Ergebnis;Prüfsumme\n"
    "04.05.2026;10:00;Heron;0,03;0,4 / 0,7;1.234;71,6;OK;a\n"
    "13.05.2026;10:05;Heron;0,04;1/2;1.235;--;NG;b\n"
    "14.05.2026;10:07;Heron;0,05;1/0,7;1.236;70;seltsam;c\n"
    "Summe: 3\n"
)


def test_a_whole_draft():
    made = draft(GERMAN)
    raw = tomllib.loads(made.text())
    assert raw == {
        "kind": "splices",
        "delimiter": "semicolon",
        "decimal": ",",
        "missing": ["--"],
        "time_format": "%d.%m.%Y %H:%M",
        "header_starts_with": "Datum;Uhrzeit;Gerät",
        "ignore": ["Prüfsumme"],
        "undecided": ["columns.outcome.seltsam"],
        "columns": {
            "spliced_at": {"header": ["Datum", "Uhrzeit"]},
            "splicer": "Gerät",
            "loss_db": "Dämpfung (dB)",
            "outcome": {"header": "Ergebnis", "values": {"OK": "done", "NG": "redo"}},
            "arc_count": {"header": "Lichtbögen", "thousands": "."},
            "temperature_c": {"header": "Temp °F", "unit": "degF"},
            "cleave_left_deg": {"header": "Winkel L/R (°)", "split": "/", "part": 1},
            "cleave_right_deg": {"header": "Winkel L/R (°)", "split": "/", "part": 2},
        },
        "skip": [{"starts_with": ["Summe"]}],
    }
    assert made.unmatched == ("Prüfsumme",)
    assert made.absent == ()
    assert "not known: 'seltsam'" in made.text()
    [(order, trial)] = tried(made, GERMAN)
    assert order == ""
    assert (trial.rows, trial.sound, trial.skipped) == (3, 2, 3)
    assert [group.code for group in trial.problems] == ["word-unknown"]


BOTH = "When,Machine,Loss\n04/05/2026 10:00,Heron,0.03\n11/12/2025 10:00,Heron,0.04\n"


def test_an_order_that_nothing_tells_is_left_open():
    made = draft(BOTH)
    lines = made.text().splitlines()
    assert '# time_format = "%d/%m/%Y %H:%M" # day first: from 2025-12-11 to 2026-05-04' in lines
    assert '# time_format = "%m/%d/%Y %H:%M" # month first: from 2025-11-12 to 2026-04-05' in lines
    raw = tomllib.loads(made.text())
    assert "time_format" not in raw
    assert raw["undecided"] == ["time_format"]
    assert [(order, trial.sound) for order, trial in tried(made, BOTH)] == [
        ("day first", 2),
        ("month first", 2),
    ]


@pytest.mark.parametrize(
    ("order", "time_format"),
    [("day first", "%d/%m/%Y %H:%M"), ("month first", "%m/%d/%Y %H:%M")],
)
def test_an_order_that_was_given(order, time_format):
    raw = tomllib.loads(draft(BOTH, answers={ORDER_KEY: order}).text())
    assert raw["time_format"] == time_format
    assert "undecided" not in raw


def test_an_order_that_the_values_rule_out():
    with pytest.raises(BadInput) as caught:
        draft(BOTH.replace("04/05", "04/25"), answers={ORDER_KEY: "day first"})
    assert str(caught.value) == (
        "The dates in log.csv, such as '04/25/2026 10:00', cannot be read day first; they are "
        "month first."
    )


def test_what_the_sample_does_not_name():
    made = draft("Date,Loss (dB),Temperature\n2026-05-04 10:00,0.03,20\n")
    assert made.absent == ("splicer",)
    assert made.unnamed == ("splicer",)
    text = made.text()
    assert '# splicer = "Heron"' in text.splitlines()
    # English headers, no unit and no time zone: degrees of either kind
    assert tomllib.loads(text)["undecided"] == ["columns.temperature_c.unit", "fixed.splicer"]
    [(_, trial)] = tried(made, "Date,Loss (dB),Temperature\n2026-05-04 10:00,0.03,20\n")
    assert (trial.rows, trial.sound) == (1, 1)


def test_a_line_of_units_below_the_header():
    content = "Time,Station,Temp,Pressure\n,,°F,kPa\n2026-05-04 10:00,Harbor,68,101.3\n"
    made = draft(content)
    raw = tomllib.loads(made.text())
    assert raw["skip_after_header"] == 1
    assert raw["columns"]["temperature_c"] == {"header": "Temp", "unit": "degF"}
    assert raw["columns"]["pressure_hpa"] == {"header": "Pressure", "unit": "kPa"}
    [(_, trial)] = tried(made, content)
    assert (trial.rows, trial.sound, trial.skipped) == (1, 1, 1)


def test_a_misspelled_header_is_a_guess_and_says_so():
    made = draft("Time,Machine,Loss,Core ofset (um)\n2026-05-04 10:00,Heron,0.03,0.2\n")
    assert (
        'core_offset_um = "Core ofset (um)" # a guess from a header that is only like a known word'
        in made.text().splitlines()
    )


def test_air_is_told_by_its_unit_alone():
    made = draft("Time,Station,T (°C),P (kPa)\n2026-05-04 10:00,Harbor,12,101.3\n")
    lines = made.text().splitlines()
    assert 'temperature_c = "T (°C)"' in lines
    assert (
        'pressure_hpa = { header = "P (kPa)", unit = "kPa" } # a guess from the unit alone' in lines
    )


def test_a_row_cut_short_is_no_footer():
    content = "Machine,Time,Loss\nHeron,2026-05-04 10:00,0.03\nHeron,2026-0"
    made = draft(content)
    assert "skip" not in tomllib.loads(made.text())
    [(_, trial)] = tried(made, content)
    assert (trial.rows, trial.sound) == (2, 1)
    assert [group.code for group in trial.problems] == ["cells-missing"]


def test_words_where_numbers_belong_are_not_matched():
    made = draft("Time,Machine,Loss,Temp\n2026-05-04 10:00,Heron,0.03,warm\n")
    assert made.unmatched == ("Temp",)


def test_headers_with_quotes_and_control_characters_stay_valid_toml():
    content = 'Time,Machine,Loss,"a ""b"" \\ c","d\x7f"\n2026-05-04 10:00,Heron,0.03,x,y\n'
    made = draft(content)
    assert made.unmatched == ('a "b" \\ c', "d\x7f")
    assert tomllib.loads(made.text())["ignore"] == list(made.unmatched)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "log.csv is empty."),
        ("\n\n", "log.csv is empty."),
        ("one,two\n1,2\n", "No header of log.csv is known"),
        ("Time,Machine,Loss\n", "log.csv has a header but no rows"),
    ],
)
def test_no_table_to_draft_from(content, sentence):
    with pytest.raises(BadInput, match=sentence):
        draft(content)


def test_a_draft_states_the_encoding():
    made = draft("Time,Machine,Loss\n2026-05-04 10:00,Heron,0.03\n", encoding="windows-1252")
    assert tomllib.loads(made.text())["encoding"] == "windows-1252"


@pytest.mark.parametrize("path", sorted(SAMPLES.iterdir()), ids=lambda path: path.stem)
def test_the_samples_can_be_drafted(path):
    made = drafted(path.read_bytes(), path.name)
    layouts = [layout for _, layout in made.trials()]
    assert all(layout.kind == made.kind.name for layout in layouts)
    raw = tomllib.loads(made.text())
    own = tomllib.loads((LAYOUTS / f"{path.stem}.toml").read_text(encoding="utf-8"))
    assert (raw["kind"], raw["delimiter"]) == (own["kind"], own["delimiter"])
    assert raw.get("decimal", ".") == own.get("decimal", ".")
    if "undecided" not in raw and "time_format" in own:
        assert raw["time_format"] == own["time_format"]


def test_a_unit_behind_every_number():
    content = (
        "Time,Machine,Loss,Air\n"
        "2026-05-04 10:00,Heron,0.03 dB,20 °F\n"
        "2026-05-04 10:01,Heron,0.05dB,\n"
    )
    made = draft(content.replace("Air", "Temperature"))
    columns = tomllib.loads(made.text())["columns"]
    assert columns["loss_db"] == {"header": "Loss", "pattern": r"(.*?)\s*(?:dB)?"}
    assert columns["temperature_c"]["unit"] == "degF"
    [(_, trial)] = tried(made, content.replace("Air", "Temperature"))
    assert (trial.rows, trial.sound) == (2, 2)


HEADERS = st.one_of(
    st.sampled_from(["Time", "Date", "Machine", "Loss (dB)", "Temp °F", "Result", "Arc power"]),
    st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=12),
)
CELLS = st.one_of(
    st.sampled_from(
        ["0.03", "0,03", "1.234,5", "04/05/2026 10:00", "10:00", "OK", "", "--", "a/b"]
    ),
    st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=8),
)


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(
    st.lists(HEADERS, min_size=2, max_size=6),
    st.lists(st.lists(CELLS, min_size=2, max_size=6), max_size=5),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from([None, *KINDS]),
)
def test_any_table_gives_a_sound_draft_or_a_sentence(headers, rows, delimiter, kind):
    written = io.StringIO()
    csv.writer(written, delimiter=delimiter).writerows([headers, *rows])
    content = written.getvalue()
    said = "."
    try:
        made = draft(content, kind=kind)
        assert tomllib.loads(made.text())["kind"] == made.kind.name
        assert all(trial.sound <= trial.rows for _, trial in tried(made, content))
    except BadInput as problem:
        said = str(problem)
    assert said.endswith(".")


@pytest.mark.parametrize("mark", [":", ".", "-"])
@pytest.mark.parametrize("day", ["2026-05-{:02}", "{:02}.05.2026", "5/{}/2026"])
def test_a_time_beside_a_date_is_kept_whatever_its_numbers_are(day, mark):
    clocks = [mark.join(parts) for parts in (("09", "05", "12"), ("10", "11", "07"))]
    rows = [
        f"{day.format(n)},{clock},Heron,0.02" for n, clock in zip((13, 14), clocks, strict=True)
    ]
    assert times_of(rows) == ["13 09:05:12", "14 10:11:07"]


def test_checks_with_groups_of_headers_are_no_readings():
    content = (
        "Gerät;Zeitpunkt;;Ergebnis;Lichtbogen;;Luft;\n"
        ";Datum;Uhrzeit;;Leistung;Anzahl;Temperatur °C;rel. Feuchte\n"
        "Reiher;14.05.2026;07:50;i.O.;101;1200;12,5;45\n"
        "Reiher;15.05.2026;07:51;n.i.O.;;1210;13,5;46\n"
    )
    made = draft(content)
    assert made.kind.name == "arc-checks"
    assert {column.ours for column in made.columns} >= {"outcome", "arc_setting", "arc_count"}
    assert not made.questions


def test_a_date_and_a_time_below_one_name():
    content = (
        "Machine,Time,,Loss,,Result\n,Date,Clock,Est.,Limit,\n"
        "Heron,2026-05-13,09:05:12,0.02,0.1,Pass\nHeron,2026-05-13,10:11:07,0.03,0.1,Pass\n"
    )
    made = draft(content)
    assert made.time == ("Time Date", "Time Clock")
    assert not made.questions


@pytest.mark.parametrize("no_day", ["", "1899-12-30 ", "12/31/1899 "])
@pytest.mark.parametrize(
    "day",
    [
        "2026-05-{:02} 00:00:00",
        "2026-05-{:02}T00:00",
        "{:02}.05.2026 0:00",
        "5/{}/2026 12:00:00 AM",
    ],
)
def test_a_midnight_beside_a_time_is_a_date(day, no_day):
    rows = [
        f"{day.format(n)},{no_day}{clock},Heron,0.02"
        for n, clock in ((13, "09:05:12"), (13, "10:11:07"))
    ]
    assert times_of(rows) == ["13 09:05:12", "13 10:11:07"]


# abbreviations and names of the months as Unicode CLDR has them, from memory
@pytest.mark.parametrize(
    ("form", "months"),
    [
        ("{} {} 2025", "Jan February Mar April May June Jul August Sep October Nov December"),
        pytest.param(
            "{}-{}-25", "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec", marks=pytest.mark.long
        ),
        ("{}. {} 2025", "Januar Feb. März Apr. Mai Juni Juli Aug. Sept. Okt. Nov. Dez."),
        pytest.param(
            "{} {} 2025",
            "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.",
            marks=pytest.mark.long,
        ),
        ("{} de {} de 2025", "enero feb marzo abr mayo jun julio ago sept oct noviembre dic"),
        pytest.param(
            "{} de {} de 2025",
            "jan. fev. março abr. maio jun. jul. ago. set. out. nov. dez.",
            marks=pytest.mark.long,
        ),
        pytest.param(
            "{} {} 2025",
            "gen febbraio MAR apr maggio giu luglio ago settembre ott nov dic",
            marks=pytest.mark.long,
        ),
    ],
)
def test_names_of_months(form, months):
    names = months.split()
    rows = [f"{form.format(13, name)},09:05:12,Heron,0.02" for name in names]
    assert times_of(rows, "%m-%d %H") == [f"{month:02}-13 09" for month in range(1, 13)]


@pytest.mark.parametrize(
    ("clocks", "expected"),
    [
        (["8:05:12 a. m.", "3:07:00 p. m."], ["13 08:05:12", "13 15:07:00"]),
        (["12:05:12\u00a0a.\u00a0m.", "12:07:00\u00a0p.\u00a0m."], ["13 00:05:12", "13 12:07:00"]),
        (["8:05:12 A.M.", "3:07:00 P.M."], ["13 08:05:12", "13 15:07:00"]),
    ],
)
def test_halves_of_the_day_with_points(clocks, expected):
    assert times_of([f"13/5/2026,{clock},Heron,0.02" for clock in clocks]) == expected


def times_of(rows, form="%d %H:%M:%S"):
    """Local times of splices, from a draft without questions."""
    content = "\n".join(["Date,Time,Machine,Est. Loss (dB)", *rows]) + "\n"
    made = draft(content)
    assert made.time == ("Date", "Time")
    ((_, trial),) = tried(made, content)
    assert (trial.rows, trial.sound) == (len(rows), len(rows))
    (_, layout) = next(made.trials())
    typed = convert(
        LogReader("log.csv", layout=layout).divide(content.encode()),
        KINDS["splices"], layout, CREW, now=NOW, file="log.csv",
    )  # fmt: skip
    local = typed.frame["spliced_at"].dt.tz_convert("Europe/Oslo")
    return local.dt.strftime(form).tolist()


@pytest.mark.parametrize("header", ["Humidity", "Humidity (%)"])
def test_percentages_that_may_be_fractions_are_left_open(header):
    content = f"Time,Site,{header}\n2026-05-13 10:00,Harbor,0.45\n2026-05-13 11:00,Harbor,0.5\n"
    made = draft(content, kind="readings")
    raw = tomllib.loads(made.text())
    assert raw["undecided"] == ["columns.humidity_pct.unit"]
    assert raw["columns"]["humidity_pct"] == {"header": header, "unit": "fraction"}
    ((_, trial),) = tried(made, content)
    assert (trial.rows, trial.sound) == (2, 2)


def test_percent_signs_need_no_layout_of_their_own():
    content = "Time,Site,Humidity\n2026-05-13 10:00,Harbor,0.45%\n2026-05-13 11:00,Harbor,45 %\n"
    made = draft(content, kind="readings")
    assert made.questions == ()
    assert tomllib.loads(made.text())["columns"]["humidity_pct"] == "Humidity"
    ((_, trial),) = tried(made, content)
    assert (trial.rows, trial.sound) == (2, 2)


@pytest.mark.parametrize("header", ["Date/Time", "When"])
def test_day_numbers_of_a_spreadsheet(header):
    content = f"{header},Machine,Est. Loss (dB)\n45789.51042,Heron,0.02\n45790.25,Heron,0.03\n"
    made = draft(content)
    assert made.time == (header,)
    ((_, trial),) = tried(made, content)
    assert (trial.rows, trial.sound) == (2, 2)


@pytest.mark.parametrize("days", [("45789", "45790"), ("2025-05-13", "2025-05-14")])
@pytest.mark.parametrize("clocks", [("0.510416666666667", "0.25"), ("09:05:12", "10:00:00")])
def test_day_numbers_in_two_columns(days, clocks):
    rows = [f"{day},{clock},Heron,0.02\n" for day, clock in zip(days, clocks, strict=True)]
    content = "".join(["Date,Time,Machine,Loss (dB)\n", *rows])
    made = draft(content, kind="splices")
    assert made.time == ("Date", "Time")
    ((_, trial),) = tried(made, content)
    assert (trial.rows, trial.sound) == (2, 2)


def test_a_number_that_is_like_a_day_is_no_time():
    content = "Lot,Machine,Spliced at,Loss (dB)\n45789,Heron,2026-05-04 10:00,0.02\n"
    assert draft(content).time == ("Spliced at",)


def calls_of(columns: int) -> int:
    """Number of function calls that a draft takes with some unknown columns."""
    names = [f"unknown quantity {columns}-{number}" for number in range(columns)]
    lines = [",".join(["Date", "Time", "Machine", "Est. Loss (dB)", *names])]
    lines += [f"2026-05-{day:02},09:{day}:00,Heron,0.02" + ",7" * columns for day in (11, 12)]
    content = "\n".join(lines).encode()
    calls = 0

    def count(_frame: object, event: str, _argument: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        made = drafted(content, "log.csv")
        made.text()
    finally:
        sys.setprofile(None)
    assert len(made.unmatched) == columns
    return calls


def test_the_work_grows_as_the_number_of_columns_does():
    calls_of(20)  # what is done once in a process does not count
    assert calls_of(100) < 2.5 * calls_of(50)
