"""Whom to see about what: fair to whoever only met the bad machine, and silent on old news."""

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from arcdrift.analysis.people.coaching_topics import (
    PRACTICE,
    Rows,
    coaching_topics,
    person_topics,
    unsigned_production,
)
from arcdrift.analysis.people.fair_evidence import fair_evidence, pooled_effect
from arcdrift.settings import Prep

TODAY = date(2026, 6, 12)
NOW = pd.Timestamp("2026-06-11 12:00", tz="UTC")


def hands(*rows: tuple[str, str, float | None], measure: str = "angle") -> pd.DataFrame:
    """One person's differences: splicer, cleaver and difference, each give or take 10 %."""
    return pd.DataFrame(
        [
            {"technician": "Ash", "splicer": splicer, "cleaver": cleaver, "measure": measure,
             "days": 8, "splices": 400, "colleagues": 4, "effect": effect,
             "low": None if effect is None else effect - 0.1,
             "high": None if effect is None else effect + 0.1}
            for splicer, cleaver, effect in rows
        ]
    )  # fmt: skip


def test_a_hand_shows_wherever_it_works():
    found = fair_evidence(hands(("Heron", "C1", 0.4), ("Tern", "C2", 0.5), ("Dunlin", "C3", 0.45)))
    assert (found.answer, found.suspect) == ("the hand", "Tern with C2")
    places = "on 3 of 3 splicers with their cleavers (+40 % to +50 %)"
    assert found.words.startswith(f"Cleave angles above the median colleague's {places}")
    # weighted by the inverse variances of log 1.40 and log 1.45, whose intervals are 0.143 and
    # 0.138 wide on that scale: 1.426
    assert "Without Tern with C2: +43 (" in found.words


def test_whoever_only_met_the_bad_machine_is_not_to_blame():
    rows = hands(("Heron", "C1", 0.02), ("Tern", "C2", 0.9), ("Dunlin", "C3", -0.03))
    found = fair_evidence(rows)
    assert found.answer == "the machine"
    assert found.words.startswith("Without Tern with C2 it does not show: ")
    # a cleaver under suspicion is left out even where another pair is higher
    named = fair_evidence(hands(("Heron", "C1", 0.5), ("Tern", "C2", 0.4)), "C2")
    assert named.suspect == "Tern with C2"


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (hands(("Heron", "C1", 0.5)), "Only on Heron: hand and splicer"),
        (hands(("Heron", "C1", 0.5), ("Tern", "C1", 0.5)), "Only with cleaver C1"),
        (hands(("Heron", "C1", 0.5), ("Tern", "C2", None)), "Too few days beside colleagues"),
    ],
)
def test_what_cannot_be_separated_says_so(rows, words):
    found = fair_evidence(rows)
    assert found.answer == "not separable"
    assert found.words.startswith(words)


def test_pooling_is_the_weighted_mean_of_logs():
    even = pd.DataFrame({"effect": [0.2, 0.2], "low": [0.1, 0.1], "high": [0.31, 0.31]})
    effect, low, high = pooled_effect(even)
    assert effect == pytest.approx(0.2)
    assert (high - low) == pytest.approx(0.21 / 2**0.5, rel=0.02)
    # machines that differ by more than their intervals widen the interval
    apart = even.assign(effect=[-0.2, 0.7], low=[-0.27, 0.55], high=[-0.12, 0.86])
    wide = pooled_effect(apart)
    assert wide[2] - wide[1] > 0.8


def rows_with(signature: str = "both-sides", until: pd.Timestamp = NOW, **tables: object) -> Rows:
    empty = pd.DataFrame()
    rows = Rows(
        people=pd.DataFrame(columns=["who", "name", "measure", "sure", "effect", "low", "high"]),
        signatures=pd.DataFrame(
            [{"kind": signature, "subject_type": "technician", "subject": "Ash", "estimate": 0.6,
              "low": 0.5, "high": 0.7, "since": NOW, "until": until, "words": "It is 60% more."}]
        ),
        hands_by_machine=hands(("Heron", "C1", 0.6), ("Tern", "C2", 0.6)),
        cleave_runs=empty,
        sign_offs=empty,
        person_days=pd.DataFrame(
            {"technician": ["Ash", "Rowan"], "day": "2026-06-10", "splices": [40, 60]}
        ),
        notes=empty,
    )  # fmt: skip
    return replace(rows, **tables)  # type: ignore[arg-type]


def test_a_topic_has_its_evidence_and_its_practice():
    (person,) = coaching_topics(rows_with(), Prep(), TODAY)
    (topic,) = person.topics
    assert (person.technician, person.splices, topic.kind) == ("Ash", 40, "cleaving")
    expected = "Cleave angles 60 (50 to 70) % above the median colleague's, on both sides."
    assert topic.headline == expected
    assert topic.evidence is not None
    assert topic.evidence.answer == "the hand"
    assert topic.practice == PRACTICE["cleaving"]
    assert person.session is None


def test_where_it_is_the_machine_the_hand_is_left_alone():
    rows = rows_with(hands_by_machine=hands(("Heron", "C1", 0.0), ("Tern", "C2", 0.9)))
    (topic,) = coaching_topics(rows, Prep(), TODAY)[0].topics
    expected = "Look at Tern with C2 before anything is said about the hand."
    assert topic.practice == expected


def test_what_has_not_shown_for_weeks_is_no_topic():
    assert coaching_topics(rows_with(until=NOW - pd.Timedelta(days=40)), Prep(), TODAY) == []


def test_a_loss_whose_cause_is_known_is_not_told_twice():
    loss = pd.DataFrame(
        [{"who": "technician", "name": "Ash", "measure": "loss", "sure": 1.0, "effect": 0.3,
          "low": 0.2, "high": 0.4}]
    )  # fmt: skip
    kinds = [topic.kind for topic in person_topics(rows_with(people=loss), "Ash", Prep(),
                                                   TODAY).topics]  # fmt: skip
    assert kinds == ["cleaving"]
    tiring = rows_with("tiring", people=loss)
    found = person_topics(tiring, "Ash", Prep(), TODAY).topics
    assert [topic.kind for topic in found] == ["tiring", "loss"]
    assert found[0].headline == "It is 60 % more."


def attempt(verdict: str, number: int = 1) -> dict[str, object]:
    return {"technician": "Ash", "attempt": number, "verdict": verdict, "more": 1,
            "since": pd.Timestamp("2026-06-01", tz="UTC"), "until": NOW, "splices": 30}  # fmt: skip


def test_production_without_a_sign_off_is_said():
    rows = rows_with("learning", sign_offs=pd.DataFrame([attempt("keep practicing")]))
    topics = person_topics(rows, "Ash", Prep(), TODAY).topics
    assert [topic.kind for topic in topics] == ["sign-off", "learning"]
    assert topics[0].headline == (
        "40 production splices made without a sign-off since practice began on 1 Jun 2026; the "
        "practice needs about 1 more splice."
    )
    ready = pd.DataFrame([attempt("not yet"), attempt("ready", 2)])
    assert unsigned_production(ready, rows.person_days, "Ash") is None
    # whoever never practiced is not asked for a sign-off
    assert unsigned_production(ready, rows.person_days, "Rowan") is None


def test_people_stand_by_name_whoever_is_worse():
    signatures = rows_with().signatures
    worse = signatures.assign(subject="Rowan", estimate=3.0)
    rows = rows_with(signatures=pd.concat([worse, signatures], ignore_index=True))
    assert [person.technician for person in coaching_topics(rows, Prep(), TODAY)] == [
        "Ash",
        "Rowan",
    ]
