"""The stream page's baseline: what it is made of, marks on it, and changing them."""

from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from arcdrift.analysis.loss.baseline import describe_baseline
from arcdrift.errors import UsageError
from arcdrift.store.database.connect import open_store
from arcdrift.store.results.result_replacement import replace_results
from dashboard.callbacks import OUTDATED
from dashboard.pages.loss.baseline_card import typed_mark
from dashboard.reading.data import CrewData
from tests.dashboard.invented import results, write_crew
from tests.dashboard.rendering import shown

BANNER = OUTDATED.replace("`", "")
KESTREL = "?splicer=Kestrel&program=single-mode+fixed"
SAID = {"first": "2025-06-02", "last": "2025-06-03", "note": "wrong fiber", "by": "Lead"}


def card(data: CrewData, query: str = KESTREL) -> str:
    words = shown(data, "/loss", query)
    return words.partition("The usual level is what")[2].partition("Single splices far out")[0]


def days(count: int, **columns: object) -> pd.DataFrame:
    day = pd.date_range("2026-01-01", periods=count).strftime("%Y-%m-%d")
    plain = {"segment": 0, "alarm": "", "excluded": False, "frozen": False}
    return pd.DataFrame({"day": day}).assign(**(plain | columns))


def service(*actions: str) -> pd.DataFrame:
    at = pd.date_range("2026-01-10 06:00", periods=len(actions), freq="10D", tz="UTC")
    return pd.DataFrame({"serviced_at": at, "action": list(actions)})


def test_a_young_baseline_is_made_of_every_day_but_those_with_an_alarm_or_set_aside():
    told = describe_baseline(
        days(
            12,
            alarm=[""] * 10 + ["up", ""],
            excluded=[False, True] + [False] * 10,
            frozen=[False] * 8 + [True] + [False] * 3,
        ),
        service(),
    )
    assert (told.days, told.learned, told.lag) == (11, 9, 0)
    assert (told.alarmed, told.frozen, told.excluded) == (1, 1, 1)
    assert (told.first, told.last) == ("2026-01-01", "2026-01-12")
    assert told.last_service is None


def test_a_settled_baseline_stays_ten_days_behind():
    told = describe_baseline(days(45), service())
    assert (told.days, told.learned, told.lag, told.last) == (45, 35, 10, "2026-02-04")


def test_the_baseline_survives_service_and_follows_it_without_lag():
    done = service("electrodes replaced", "cleaned", "factory service")
    told = describe_baseline(days(60, segment=[0] * 9 + [1] * 51), done)
    assert (told.last_service, told.first) == ("electrodes replaced", "2026-01-01")
    assert (told.learned, told.lag) == (50, 10)
    told = describe_baseline(days(60, segment=[1] * 45 + [2] * 15), done)
    assert (told.last_service, told.first) == ("factory service", "2026-01-01")
    assert (told.learned, told.lag) == (60, 0)


def test_the_card_says_what_the_baseline_is_made_of(data: CrewData):
    words = card(data)
    # 60 days of work, 10 behind, none with an alarm among the first 50
    assert "known, from 60 days of work" in words
    assert "50 days, 15 Apr 2025 to 3 Jun 2025" in words
    assert "stays 10 days of work behind" in words
    assert "No days are left out and nothing is frozen." in words
    assert "learning: day 3 of 40" in card(data, "?splicer=Plover&program=single-mode+adaptive")


def test_a_mark_is_shown_outdates_the_analysis_and_is_taken_back(tmp_path: Path):
    write_crew(tmp_path)
    run = results()["analysis_run"].assign(assessed_on=pd.Timestamp.now("UTC"))
    engine = open_store(tmp_path)
    replace_results(engine, results() | {"analysis_run": run})
    engine.dispose()
    data = CrewData(tmp_path)
    assert BANNER not in shown(data, "/loss", KESTREL)
    data.add_mark(**typed_mark("Kestrel", "single-mode fixed", SAID))
    words = card(data)
    assert "2 Jun 2025 to 3 Jun 2025: left out, neither judged nor learned from" in words
    assert "(this splicer and program) wrong fiber Lead," in words
    assert "counts from the next arcdrift analyze" in words
    assert BANNER in shown(data, "/loss", KESTREL)
    assert "wrong fiber" not in card(data, "?splicer=Heron&program=single-mode+adaptive")
    everybody = SAID | {"action": "freeze", "scope": "all", "last": None, "note": "heat"}
    data.add_mark(**typed_mark("Kestrel", "single-mode fixed", everybody))
    assert "from 2 Jun 2025 on, until taken back: usual level frozen" in card(
        data, "?splicer=Heron&program=single-mode+adaptive"
    )
    data.withdraw_mark(1)
    assert "wrong fiber" not in card(data)
    with pytest.raises(UsageError, match="There is no mark 1"):
        data.withdraw_mark(1)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"first": None}, "Give the first day."),
        ({"first": "soon"}, "The first day is not a date"),
        ({"last": "2025-13-01"}, "The last day is not a date"),
    ],
)
def test_a_form_that_cannot_be_read_is_refused(changed, said):
    with pytest.raises(UsageError, match=said):
        typed_mark("Kestrel", "single-mode fixed", SAID | changed)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"note": None}, "Say why and who"),
        ({"by": " "}, "Say why and who"),
        ({"last": "2025-06-01"}, "lies before the first"),
        ({"last": ""}, "Days to leave out need a last day"),
    ],
)
def test_a_mark_without_reason_or_end_is_refused(data: CrewData, changed, said):
    with pytest.raises(UsageError, match=said):
        data.add_mark(**typed_mark("Kestrel", "single-mode fixed", SAID | changed))


def test_the_form_says_for_whom():
    for scope, whose in (
        ("stream", ("Kestrel", "single-mode fixed")),
        ("splicer", ("Kestrel", None)),
        ("all", (None, None)),
    ):
        told = typed_mark(
            "Kestrel", "single-mode fixed", SAID | {"scope": scope, "action": "freeze"}
        )
        assert (told["splicer"], told["program"]) == whose
        assert told["first_day"] == date(2025, 6, 2)
        assert told["action"] == "freeze"
