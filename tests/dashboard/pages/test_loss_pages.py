"""Week, Loss and Alarm budget: plain words, hostile names, and crews of any size."""

import json
import re
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from arcdrift.wording import TURNING
from dashboard.pages.loss.actions_card import actions_table
from dashboard.reading.data import CrewData
from dashboard.url_query import href
from tests.dashboard.invented import results, write_crew
from tests.dashboard.rendering import parts, shown, text, whole

KESTREL = "?splicer=Kestrel&program=single-mode+fixed"
PAGES = (
    ("/week", ""),
    ("/loss", ""),
    ("/loss", KESTREL),
    ("/loss", "?subject=technician:Birch"),
    ("/budget", ""),
    ("/budget", "?budget=6"),
)
OURS_ALONE = re.compile(
    r"\b(streams?|rolled[- ]up|charted|settled|funnel|baselines?|ordinary swings|told)\b",
    re.IGNORECASE,
)
HOSTILE = ("<b>Bold</b><script>alert(1)</script>", "=1+1", "N" * 200, "\u202eלוע")


def crew_of(folder: Path, changed: dict[str, pd.DataFrame]) -> CrewData:
    write_crew(folder)
    engine = open_store(folder)
    replace_results(engine, results() | changed)
    engine.dispose()
    return CrewData(folder)


def labels(page: Any) -> str:
    found = [
        str(value)
        for part in parts(page)
        for name in ("aria-label", "title", "label", "alt")
        if isinstance(value := getattr(part, name, None), str)
    ]
    return " ".join(found)


@pytest.mark.parametrize(("path", "query"), PAGES)
def test_the_pages_speak_the_trades_words(data: CrewData, path: str, query: str):
    page = whole(data, path, query)
    said = f"{text(page)} {labels(page)}"
    found = OURS_ALONE.search(said)
    assert found is None, said[max(found.start() - 60, 0) : found.end() + 40]


@pytest.mark.parametrize("name", HOSTILE)
def test_names_are_only_names_on_pages_and_in_charts(tmp_path: Path, name: str):
    renamed = {}
    for table, rows in results().items():
        for column in ("splicer", "technician", "asset"):
            if column in rows.columns:
                values = rows[column].astype(object)
                rows = rows.assign(**{column: values.replace({"Kestrel": name, "Birch": name})})
        if "subject_id" in rows.columns:
            rows = rows.assign(
                subject_id=[str(one).replace("Kestrel", name) for one in rows["subject_id"]]
            )
        renamed[table] = rows
    crew = crew_of(tmp_path, renamed)
    one = href("", splicer=name, program="single-mode fixed")
    for path, query in (("/week", ""), ("/loss", ""), ("/loss", one), ("/budget", "")):
        page = whole(crew, path, query)
        # marks that set a name apart are not seen
        assert re.sub(f"[{TURNING}]", "", name)[:20] in re.sub(f"[{TURNING}]", "", text(page))
        drawn = json.dumps(
            [p.figure for p in parts(page) if isinstance(getattr(p, "figure", None), dict)]
        )
        assert "<script" not in drawn
        assert "<b>Bold" not in drawn
        without_addresses = re.sub(r'"/[^"]*"', "", drawn)
        assert "N" * 100 not in without_addresses
        images = "".join(str(getattr(p, "src", "")) for p in parts(page))
        assert "script" not in images


def test_a_crew_without_results_is_answered_in_sentences(tmp_path: Path):
    kept = ("analysis_run",)
    nothing = {name: rows[:0] for name, rows in results().items() if name not in kept}
    crew = crew_of(tmp_path, nothing)
    assert "No splices with a loss are on record yet." in shown(crew, "/week")
    words = shown(crew, "/loss")
    assert "No week with splices is over yet" in words
    assert "No splices with a loss in this period." in words
    assert "No splicer's loss is up now." in words
    assert "How soon a rise is caught cannot be said yet" in shown(crew, "/budget")
    assert "No alarm in this period." in shown(crew, "/budget")


def test_sixty_splicers_show_their_ends_and_fold_the_rest(tmp_path: Path):
    changed = {}
    for table in ("result_streams", "result_stream_days", "result_week_changes"):
        rows = results()[table]
        one = rows[rows["splicer"] == "Heron"]
        many = pd.concat(
            [one.assign(splicer=f"Heron {number:02d}") for number in range(60)], ignore_index=True
        )
        if table == "result_week_changes":
            many["change"] = [number / 100 - 0.3 for number in range(60) for _ in range(2)]
            many["low"], many["high"] = many["change"] - 0.1, many["change"] + 0.1
        changed[table] = pd.concat([rows, many], ignore_index=True)
    crew = crew_of(tmp_path, changed)
    page = whole(crew, "/week")[0]
    rows = [p for p in parts(page) if "change-row " in str(getattr(p, "className", ""))]
    assert len(rows) == 63  # all are there, most of them folded
    assert "The other " in text(page)
    first = text(whole(crew, "/loss")[0])
    assert "54 more small charts" in first
    assert first.count("usual 0.0") == 8


def test_a_crew_of_one_splicer_has_all_pages(tmp_path: Path):
    changed = {
        table: rows[rows["splicer"] == "Heron"]
        for table, rows in results().items()
        if "splicer" in rows.columns
    }
    changed["result_subject_days"] = results()["result_subject_days"][:0]
    crew = crew_of(tmp_path, changed)
    assert "Heron, single-mode adaptive" in shown(crew, "/week")
    assert "Heron single-mode adaptive" in shown(crew, "/loss")
    assert "Alarm budget" in shown(crew, "/budget")


def test_before_and_after_an_action_are_means_of_the_days_near_it():
    day = pd.date_range("2026-03-02", periods=40, freq="D")
    days = pd.DataFrame(
        {"day": day.strftime("%Y-%m-%d"), "splices": 10, "total": [0.4] * 20 + [0.3] * 20}
    )
    service = pd.DataFrame(
        {
            "at": [day[19] + pd.Timedelta(hours=9), day[38], day[5]],
            "action": ["electrodes replaced", "factory service", "cleaned"],
        }
    )
    table = actions_table(days, service)
    assert list(table["action"]) == ["factory service", "electrodes replaced"]  # cleaning is small
    row = table.iloc[1]
    # ten days on each side, the day itself on neither
    assert (row["days_before"], row["days_after"]) == (10, 10)
    assert (row["before_db"], row["after_db"]) == pytest.approx((0.04, 0.03))
    assert pd.isna(table.iloc[0]["after_db"])  # one day is too few
