"""Invented exports in many languages and styles are read rightly, or not at all.

Headers are drawn from the word lists, values are written in the style of a language; the truth is
known. A draft without questions must give exactly the true records; one with a question is safe.
"""

import csv
import io
import os
import tomllib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arcdrift.intake.draft import headers
from arcdrift.intake.draft.draft_layout import draft_layout
from arcdrift.intake.draft.headers.header_match import UnclearKind
from arcdrift.intake.draft.headers.word_lists import load_words
from arcdrift.intake.draft.reading_summary import reading_summary
from arcdrift.intake.draft.sample_table import find_table
from arcdrift.intake.layout.log_reader import LogReader
from arcdrift.intake.text.encodings import utf8
from arcdrift.intake.typing.convert import convert
from arcdrift.settings import Crew

LONG = os.environ.get("ARCDRIFT_LONG") == "1"

LISTS = {
    path.stem: tomllib.loads(path.read_text(encoding="utf-8"))
    for path in (Path(headers.__file__).parent / "words").glob("*.toml")
}
LANGUAGES = ("english", "german", "french", "spanish", "portuguese", "italian")
NOW = datetime(2026, 12, 1, tzinfo=UTC)
CREW = Crew(name="Invented", time_zone="America/Sao_Paulo")
TIMES = {
    "splices": "spliced_at",
    "arc-checks": "checked_at",
    "readings": "read_at",
    "service": "serviced_at",
}
NUMBERS = {  # decimals, lowest, highest
    "loss_db": (2, 0.0, 0.4),
    "cleave_left_deg": (1, 0.1, 2.5),
    "cleave_right_deg": (1, 0.1, 2.5),
    "arc_count": (0, 100, 9999),
    "splice_number": (0, 1, 9999),
    "arc_setting": (1, 50, 200),
    "temperature_c": (1, -20, 35),
    "pressure_hpa": (1, 880, 1050),
    "humidity_pct": (0, 20, 95),
}
UNITS = {
    "loss_db": ("dB",),
    "cleave_left_deg": ("°", "deg"),
    "cleave_right_deg": ("°", "deg"),
    "temperature_c": ("°C",),
    "pressure_hpa": ("hPa", "mbar"),
    "humidity_pct": ("%",),
}
OPTIONAL = {
    "splices": [
        *("outcome", "technician", "program", "cleave_left_deg", "cleave_right_deg"),
        *("splice_number", "arc_count", "error_reason", "holding"),
    ],
    "arc-checks": ["technician", "arc_count", "temperature_c", "pressure_hpa", "humidity_pct"],
    "readings": ["pressure_hpa", "humidity_pct"],
    "service": ["remark"],
}
NEEDED = {
    "splices": ["splicer", "loss_db"],
    "arc-checks": ["splicer", "outcome", "arc_setting"],
    "readings": ["site", "temperature_c"],
    "service": ["asset", "action"],
}
OUTCOMES = {
    "splices": {"good": "done", "redo": "redo", "error": "error"},
    "arc-checks": {"good": "pass", "bad": "fail"},
}
NAMES = {
    "splicer": ["Heron", "Dunlin"],
    "asset": ["Heron", "Cleaver 3"],
    "site": ["Harbor", "Pass"],
    "technician": ["Ahorn", "Chêne", "Olmo"],
    "program": ["SM adaptive", "mixed"],
    "remark": ["", "checked", "on site"],
    "error_reason": ["", "Fiber position", "E 12"],
    "holding": ["clamp", "holder"],
}
DATES = {
    "iso": ["%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M"],
    "dotted": ["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d.%m.%y %H:%M"],
    "slashed": ["%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M", "%d-%m-%Y %H:%M"],
    "american": ["%m/%d/%Y %I:%M:%S %p", "%m/%d/%Y %H:%M"],
}
STYLES = {  # usual dates, decimal signs and delimiters of a language
    "english": (("iso", "american"), (".",), (",", ";", "\t")),
    "german": (("iso", "dotted"), (",",), (";", "\t")),
    "french": (("iso", "slashed"), (",",), (";", "\t")),
    "spanish": (("iso", "slashed"), (",", "."), (";", "\t")),
    "portuguese": (("iso", "slashed"), (",",), (";", "\t")),
    "italian": (("iso", "slashed", "dotted"), (",",), (";", "\t")),
}


class Export:
    """One export and the records that it holds."""

    def __init__(self, seed: int, language: str, kind: str) -> None:
        self.rng = np.random.default_rng(seed)
        self.language, self.kind = language, kind
        self.words = LISTS[language]
        dates, decimals, delimiters = STYLES[language]
        self.style = self.pick(dates)
        self.time_format = self.pick(DATES[self.style])
        self.decimal, self.delimiter = self.pick(decimals), self.pick(delimiters)
        self.grouped = bool(self.rng.random() < 0.3) and self.delimiter != ","
        self.encoding = self.pick(["utf-8", "utf-8-sig", "utf-16", "cp1252"])
        self.in_header = bool(self.rng.random() < 0.6)
        self.split_time = bool(self.rng.random() < 0.4)
        optional = [name for name in OPTIONAL[kind] if self.rng.random() < 0.6]
        self.columns = [*NEEDED[kind], *optional]
        self.rng.shuffle(self.columns)
        self.truth = self.records(int(self.rng.integers(8, 30)))

    def pick(self, choices: object) -> str:
        return list(choices)[int(self.rng.integers(len(list(choices))))]

    def records(self, count: int) -> pd.DataFrame:
        begin = datetime.combine(date(2026, 3, 2), datetime.min.time()) + timedelta(
            days=int(self.rng.integers(0, 200)), hours=7
        )
        step = timedelta(hours=13, minutes=int(self.rng.integers(1, 50)), seconds=7)
        moments = [begin + step * number for number in range(count)]
        if "%S" not in self.time_format:
            moments = [moment.replace(second=0) for moment in moments]
        frame = pd.DataFrame({TIMES[self.kind]: moments})
        for name in self.columns:
            if name in NUMBERS:
                decimals, low, high = NUMBERS[name]
                frame[name] = self.rng.uniform(low, high, count).round(decimals)
            elif name == "outcome":
                frame[name] = self.rng.choice(list(OUTCOMES[self.kind].values()), count)
            elif name == "action":
                frame[name] = self.rng.choice(list(self.words["actions"]), count)
            else:
                frame[name] = self.rng.choice(NAMES[name], count)
        if self.kind == "arc-checks":
            frame["outcome"] = "pass"
            frame.loc[1, "outcome"] = "fail"
        return frame

    def header(self, name: str) -> str:
        if name.startswith("cleave_"):
            sides = self.words["angles"][name.split("_")[1]]
            text = f"{self.pick(self.words['angles']['angle'])} {self.pick(sides)}"
        else:
            text = self.pick(self.words["columns"][name])
        text = self.pick([text, text.capitalize(), text.title(), text.upper()])
        if self.in_header and name in UNITS:
            unit = self.pick(UNITS[name])
            text += self.pick([f" ({unit})", f" [{unit}]"])
            self.units[name] = ""
        elif name in UNITS:
            self.units[name] = self.pick(UNITS[name])
        return text

    def number(self, name: str, value: float) -> str:
        decimals = NUMBERS[name][0]
        text = f"{value:{',' if self.grouped else ''}.{decimals}f}"
        other = "." if self.decimal == "," else ","
        text = text.translate({ord(","): other, ord("."): self.decimal})
        unit = self.units.get(name, "")
        return f"{text} {unit}" if unit else text

    def cell(self, name: str, value: object) -> str:
        if name in NUMBERS:
            return self.number(name, float(value))
        if name == "outcome":
            concepts = {ours: concept for concept, ours in OUTCOMES[self.kind].items()}
            return self.pick(self.words["outcomes"][concepts[str(value)]])
        if name == "holding":
            return self.pick(self.words["holdings"][str(value)])
        return self.pick(self.words["actions"][value]) if name == "action" else str(value)

    def text(self) -> str:
        self.units: dict[str, str] = {}
        time, names = self.words["time"], {}
        written = [moment.strftime(self.time_format) for moment in self.truth[TIMES[self.kind]]]
        day, _, clock = zip(*(text.partition(" ") for text in written), strict=True)
        if self.split_time:
            names = {self.pick(time["date"]): day, self.pick(time["clock"]): clock}
        else:
            names = {self.pick([*time["moment"], *time[self.kind]]): written}
        for name in self.columns:
            column = self.truth[name]
            names[self.header(name)] = [self.cell(name, value) for value in column]
        names[f"{self.language} extra {len(names)}"] = ["x"] * len(written)
        out = io.StringIO()
        write = csv.writer(out, delimiter=self.delimiter, lineterminator=self.pick(["\n", "\r\n"]))
        if self.rng.random() < 0.4:
            write.writerows([["Report (invented)"], []])
        write.writerow(list(names))
        write.writerows(zip(*names.values(), strict=True))
        if self.rng.random() < 0.4:
            total = self.pick(self.words["summary"]["words"])
            write.writerow([total, *[""] * (len(names) - 2), "9"])
        return out.getvalue()

    def is_read(self) -> bool:
        """Whether the export is read without a question; then its records must be the true ones."""
        text = self.text()
        content = utf8(text.encode(self.encoding, "replace"), "log.csv")
        if content.decode(errors="replace") != text.removeprefix("\ufeff"):
            return True  # letters that Windows-1252 does not have, or too few to tell it
        try:
            words = load_words()
            table = find_table(content, "log.csv", words)
            made = draft_layout(table, "log.csv", now=NOW, words=words, crew=CREW)
        except UnclearKind:
            return False
        if made.questions:
            return False
        layout = made.layout()
        rows = LogReader("log.csv", layout=layout).divide(content)
        typed = convert(rows, made.kind, layout, CREW, now=NOW, file="log.csv")
        assert made.kind.name == self.kind, text
        assert not typed.problems.bad.any(), text
        wanted = self.truth.replace("", pd.NA)
        local = typed.frame[TIMES[self.kind]].dt.tz_convert(CREW.time_zone).dt.tz_localize(None)
        found = typed.frame.assign(**{TIMES[self.kind]: local})[list(wanted.columns)]
        pd.testing.assert_frame_equal(found, wanted, check_dtype=False, obj=text)
        return True


@settings(
    max_examples=settings().max_examples // (1 if LONG else 3),
    suppress_health_check=[HealthCheck.too_slow],
)
@given(st.integers(0, 2**32 - 1), st.sampled_from(LANGUAGES), st.sampled_from(list(TIMES)))
def test_an_export_is_never_read_wrongly(seed, language, kind):
    Export(seed, language, kind).is_read()


@pytest.mark.parametrize(
    "language",
    [
        name if name in ("english", "portuguese") else pytest.param(name, marks=pytest.mark.long)
        for name in LANGUAGES
    ],
)
def test_most_exports_need_no_question(language):
    seeds = range(6 if LONG else 1)
    read = [Export(seed, language, kind).is_read() for seed in seeds for kind in TIMES]
    assert np.mean(read) >= 0.8, read


@pytest.mark.parametrize("language", LANGUAGES)
def test_reasons_of_errors_and_what_held_the_fibers_are_read(language):
    """Under every header for them, vague ones too; a message comes before a code."""
    words = LISTS[language]
    vague = words["columns_if_no_other"]
    for reason in [*words["columns"]["error_reason"], *vague["error_reason"]]:
        for holding in [*words["columns"]["holding"], *vague["holding"]]:
            rows = [
                ["splicer", "spliced_at", "loss_db", reason, holding],
                ["Heron", "2026-03-02 07:00:05", "0.03", "", words["holdings"]["clamp"][-1]],
                ["Heron", "2026-03-02 07:04:05", "0.04", "E 12", words["holdings"]["holder"][-1]],
            ]
            text = "\n".join(";".join(row) for row in rows) + "\n"
            made = drafted(text)
            found = {column.ours: column.header for column in made.columns}
            assert (found["error_reason"], found["holding"]) == (reason, holding)
            assert not made.questions
    text = "splicer;spliced_at;loss_db;Fehlercode;Fehlertext\nHeron;2026-03-02 07:00:05;0.03;;\n"
    found = {column.ours: column.header for column in drafted(text).columns}
    assert found["error_reason"] == "Fehlertext"


def drafted(text):
    words = load_words()
    table = find_table(text.encode(), "log.csv", words)
    return draft_layout(table, "log.csv", now=NOW, words=words, crew=CREW)


def test_outcomes_that_say_why_are_errors_with_a_reason():
    made = drafted(
        "splicer;spliced_at;loss_db;Ergebnis\n"
        "Heron;2026-03-02 07:00:05;0.03;i.O.\nHeron;2026-03-02 07:04:05;;Bruchwinkel links\n"
        "Heron;2026-03-02 07:08:05;0.31;wiederholt\nHeron;2026-03-02 07:12:05;;Fehler\n"
    )
    assert not made.questions
    columns = tomllib.loads(made.text())["columns"]
    assert columns["outcome"]["values"] == {
        "i.O.": "done", "Bruchwinkel links": "error", "wiederholt": "redo", "Fehler": "error",
    }  # fmt: skip
    assert columns["error_reason"] == {
        "header": "Ergebnis", "values": {"i.O.": "", "wiederholt": "", "Fehler": ""},
    }  # fmt: skip
    assert "Ergebnis = error_reason (but i.O., wiederholt, Fehler)" in reading_summary(made)


def test_a_number_of_a_holder_is_not_what_held_the_fiber():
    made = drafted(
        "splicer;spliced_at;loss_db;Holder\n"
        "Heron;2026-03-02 07:00:05;0.03;H-12\nHeron;2026-03-02 07:04:05;0.03;H-13\n"
    )
    assert "holding" not in {column.ours for column in made.columns}
    assert not made.questions


def test_no_word_means_two_things():
    seen: dict[tuple[str, tuple[str, ...]], set[str]] = {}
    words = load_words()
    for (kind, column), meanings in words.meanings.items():
        for key, ours in meanings.items():
            seen.setdefault((f"{kind} {column}", key), set()).add(ours)
    assert {name: ours for name, ours in seen.items() if len(ours) > 1} == {}
