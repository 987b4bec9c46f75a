"""Plain import of files with other headers: what is printed, asked, saved and refused."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from arcdrift.store.database.connect import open_store
from arcdrift.store.records.record_rows import read_records
from tests.terminal import Terminal

GERMAN = (
    "Spleißprotokoll (erfunden)\n\n"
    "Datum;Uhrzeit;Gerät;Bediener;Dämpfung (dB);Ergebnis;Bemerkung2\n"
    "04.05.2026;10:00:05;Heron;Ahorn;0,03;i.O.;a\n"
    "04.05.2026;10:07:31;Heron;Ahorn;<0,01;wiederholt;b\n"
    "05.05.2026;10:05:12;Heron;Buche;---;Fehler;c\n"
    "Mittelwert;;;;0,02;;\n"
)
ORDER = "When,Machine,Loss (dB)\n04/05/2026 10:00:00,Heron,0.03\n04/05/2026 10:09:00,Heron,0.04\n"
WORD = GERMAN.replace("wiederholt", "naja")


@pytest.fixture
def at_terminal(monkeypatch: pytest.MonkeyPatch, arcdrift: Any) -> Any:
    """Runs the program as if a person at a terminal typed the replies."""

    def runs(replies: str, *arguments: object) -> Any:
        monkeypatch.setattr("sys.stdin", Terminal(replies))
        monkeypatch.setattr("arcdrift.cli.commands.import_files.is_terminal", lambda: True)
        return arcdrift(*arguments)

    return runs


def splices(crew: Path) -> Any:
    engine = open_store(crew)
    try:
        return read_records(engine, "splices")
    finally:
        engine.dispose()


def written(crew: Path, text: str, name: str = "log.csv") -> Path:
    path = crew / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_that_is_understood_goes_in_and_says_how(crew: Path, arcdrift: Any) -> None:
    written(crew, GERMAN)
    done = arcdrift("import", "log.csv")
    assert done.code == 0
    assert done.sentence == (
        "log.csv is read as German splices: decimal comma, day first (04.05.2026 10:00:05); "
        "columns Datum + Uhrzeit = spliced_at, Gerät = splicer, Dämpfung (dB) = loss_db, "
        "Ergebnis = outcome, Bediener = technician; column Ergebnis: i.O. = done, "
        "wiederholt = redo, Fehler = error; no value: ---; ignored: Bemerkung2; 1 line before the "
        "header left out; no rows but sums and notes: lines with 'Mittelwert'."
    )
    assert not (crew / "layouts").exists()
    stored = splices(crew)
    assert stored["outcome"].tolist() == ["done", "redo", "error"]
    assert stored["loss_db"].tolist()[:2] == [0.03, 0.005]
    assert stored["loss_below_db"].tolist()[1] == 0.01
    assert stored["loss_below_db"].isna().tolist() == [True, False, True]
    report = arcdrift("import", "log.csv", "--json").data[0]
    assert (report["rows"], report["already_stored"], report["quarantined"]) == (3, 3, 0)


@pytest.mark.parametrize("preamble", ["", "Report (invented)\n\n"])
def test_line_breaks_in_headers(preamble: str, crew: Path, arcdrift: Any) -> None:
    table = 'Machine,"Date\nTime","Loss\n(dB)",Note\nHeron,2026-05-14 08:00:01,0.02,"a\nb"\n'
    written(crew, preamble + table)
    done = arcdrift("import", "log.csv")
    assert done.code == 0, done.err
    assert splices(crew)[["loss_db", "remark"]].to_numpy().tolist() == [[0.02, "a\nb"]]


def test_what_is_open_is_saved_as_a_draft_without_a_terminal(crew: Path, arcdrift: Any) -> None:
    written(crew, ORDER)
    done = arcdrift("import", "log.csv")
    assert done.code == 3
    assert done.sentence == (
        "log.csv is not imported yet, as this is open: How are dates such as 04/05/2026 10:00:00 "
        "to be read? The rest is in the draft layouts/log.toml: decide there what stands under "
        "undecided, then run `arcdrift import log.csv` again."
    )
    assert splices(crew).empty
    draft = crew / "layouts" / "log.toml"
    assert tomllib.loads(draft.read_text(encoding="utf-8"))["undecided"] == ["time_format"]
    again = arcdrift("import", "log.csv")
    assert again.code == 3
    assert "The layout log.toml leaves time_format open" in again.err
    assert [path.name for path in draft.parent.iterdir()] == ["log.toml"]
    text = draft.read_text(encoding="utf-8")
    text = text.replace('# time_format = "%d', 'time_format = "%d')
    draft.write_text(text.replace('undecided = ["time_format"]\n', ""), encoding="utf-8")
    assert arcdrift("import", "log.csv", "--json").data[0]["accepted"] == 2
    assert splices(crew)["spliced_at"].dt.strftime("%m-%d").tolist() == ["05-04"] * 2


def test_yes_asks_nothing(crew: Path, at_terminal: Any) -> None:
    written(crew, ORDER)
    done = at_terminal("1\n", "import", "log.csv", "--yes")
    assert done.code == 3
    assert "is not imported yet" in done.sentence
    assert splices(crew).empty


@pytest.mark.parametrize(("reply", "day"), [("1", "05-04"), ("2", "04-05"), ("x\n2", "04-05")])
def test_one_question_is_asked_and_its_answer_kept(
    reply: str, day: str, crew: Path, at_terminal: Any, arcdrift: Any
) -> None:
    written(crew, ORDER)
    done = at_terminal(f"{reply}\n", "import", "log.csv")
    assert done.code == 0
    assert "How are dates such as 04/05/2026 10:00:00 to be read?" in done.err
    assert "  1  day first: from 2026-05-04 to 2026-05-04" in done.err
    assert "The answers are kept in layouts/log.toml" in done.err
    assert splices(crew)["spliced_at"].dt.strftime("%m-%d").tolist() == [day] * 2
    written(crew, ORDER.replace("04/05/2026 10:0", "04/06/2026 11:0"), "next.csv")
    later = arcdrift("import", "next.csv", "--json")
    assert later.sentence == "next.csv is read with the layout log.toml."
    assert later.data[0]["accepted"] == 2


def test_an_open_draft_is_asked_about_in_a_terminal(
    crew: Path, arcdrift: Any, at_terminal: Any
) -> None:
    written(crew, ORDER)
    arcdrift("import", "log.csv")
    left = at_terminal("\n", "import", "log.csv")
    assert left.code == 3
    assert "layouts/log.toml" in left.err
    done = at_terminal("2\n", "import", "log.csv")
    assert done.code == 0
    assert [path.name for path in (crew / "layouts").iterdir()] == ["log.toml"]
    assert "undecided" not in (crew / "layouts" / "log.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("text", "kind", "column", "expected"),
    [
        (
            "asset,serviced_at,action\nHeron,2026-05-04,electrodes_replaced\n"
            "Heron,2026-05-05,Klinge gedreht\nHeron,2026-05-06,cleaned\n",
            *("service", "action", ["electrodes replaced", "blade rotated", "cleaned"]),
        ),
        (
            "splicer,checked_at,outcome,arc_setting\nHeron,2026-05-04 07:30,pass,100\n"
            "Heron,2026-05-05 07:30,NG,\nHeron,2026-05-06 07:30,Aprovado,101\n",
            *("arc-checks", "outcome", ["pass", "fail", "pass"]),
        ),
    ],
)
def test_words_of_other_languages_below_our_own_headers(
    text: str, kind: str, column: str, expected: list[str], crew: Path, arcdrift: Any
) -> None:
    written(crew, text)
    done = arcdrift("import", "log.csv")
    assert done.code == 0
    engine = open_store(crew)
    try:
        assert read_records(engine, kind)[column].tolist() == expected
    finally:
        engine.dispose()


def test_an_unknown_word_is_asked_for(crew: Path, at_terminal: Any) -> None:
    written(crew, WORD)
    done = at_terminal("redo\n", "import", "log.csv")
    assert done.code == 0
    assert "What does 'naja' mean in 'Ergebnis'?" in done.err
    assert splices(crew)["outcome"].tolist() == ["done", "redo", "error"]


def test_a_crew_adds_words_of_its_own(crew: Path, arcdrift: Any) -> None:
    written(crew, WORD)
    assert arcdrift("import", "log.csv").code == 3
    (crew / "layouts" / "log.toml").unlink()
    (crew / "words").mkdir()
    words = crew / "words" / "ours.toml"
    words.write_text('[outcomes]\nredo = ["Naja!"]\n[columns]\nremark = ["Bemerkung2"]\n')
    done = arcdrift("import", "log.csv")
    assert done.code == 0
    assert splices(crew)["outcome"].tolist() == ["done", "redo", "error"]
    assert splices(crew)["remark"].tolist() == ["a", "b", "c"]
    words.write_text('[outcome]\nredo = ["Naja!"]\n')
    refused = arcdrift("import", "log.csv")
    assert refused.code == 3
    assert "[outcome] is not known" in refused.sentence


def test_a_layout_of_the_crew_goes_first(crew: Path, arcdrift: Any) -> None:
    written(crew, GERMAN)
    arcdrift("layout", "log.csv")
    path = crew / "layouts" / "log.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text.replace('"wiederholt" = "redo"', '"wiederholt" = "done"').replace(
            'wiederholt = "redo"', 'wiederholt = "done"'
        ),
        encoding="utf-8",
    )
    done = arcdrift("import", "log.csv")
    assert done.sentence == "log.csv is read with the layout log.toml."
    assert splices(crew)["outcome"].tolist() == ["done", "done", "error"]


def test_a_column_that_is_not_known_is_named_and_left_out(crew: Path, arcdrift: Any) -> None:
    written(
        crew,
        "splicer,checked_at,outcome,arc_setting,moon\nHeron,2026-05-04 07:30,pass,100,full\n",
    )
    done = arcdrift("import", "log.csv", "--json")
    assert done.data[0]["accepted"] == 1
    assert "ignored: moon" in done.sentence


def test_temperatures_beside_dates_with_the_month_first_may_be_fahrenheit(
    crew: Path, arcdrift: Any
) -> None:
    text = "Site,Time,Temp,RH\nHarbor,05/14/2026 08:05,38,31\nHarbor,05/15/2026 08:05,42,33\n"
    written(crew, text)
    refused = arcdrift("import", "log.csv")
    assert refused.code == 3
    assert "In which unit is 'Temp'? Its values are 38 to 42." in refused.sentence
    (crew / "layouts" / "log.toml").unlink()
    written(crew, text.replace("05/14", "14/05").replace("05/15", "15/05"), "other.csv")
    assert arcdrift("import", "other.csv").code == 0


def test_rows_that_most_make_no_sense_are_not_imported(crew: Path, arcdrift: Any) -> None:
    text = "When,Machine,Loss (dB)\n"
    text += "".join(f"2026-05-04 10:0{minute}:00,Heron,{3 + minute}00\n" for minute in range(6))
    written(crew, text)
    done = arcdrift("import", "log.csv")
    assert done.code == 3
    assert splices(crew).empty


@pytest.mark.parametrize(
    ("header", "values", "question"),
    [
        ("When,Machine,Loss,Loss", ("0.03,0.04",) * 3, "'Loss' and 'Loss 2' may both be loss_db"),
        ("When,Machine,Los (dB),Result", ("0.03,OK",) * 3, "Which column of the file is loss_db?"),
        ("When,Machine,Loss,Result", ("0.03,1", "0.04,0", "0.04,1"), "What does '1' mean"),
        ("When (MST),Machine,Loss", ("0.03",) * 3, "Which time zone is 'MST'?"),
        ("When,Machine,Loss", ("34", "41", "20"), "In which unit is 'Loss'? Its values are 20 to"),
        ("When,Machine,Loss", ("2", "4", "3"), "In which unit is 'Loss'? Its values are 2 to 4."),
        ("When,Machine,Loss,Humidity", ("0.03,0.4",) * 3, "fractions of 1 or percent?"),
    ],
)
def test_doubts_that_are_no_readings(
    header: str, values: tuple[str, ...], question: str, crew: Path, arcdrift: Any
) -> None:
    rows = [f"2026-05-04 10:0{number}:00,Heron,{cells}" for number, cells in enumerate(values)]
    written(crew, "\n".join([header, *rows]) + "\n")
    done = arcdrift("import", "log.csv")
    assert done.code == 3
    assert question in done.sentence
    assert splices(crew).empty
