"""Rolled-up charts: reached from findings and the Loss page, told in words."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from arcdrift.figures.subject import shared_effect, subject_days, subject_evidence
from dashboard.callbacks import screen
from dashboard.pages.findings.detail import finding_links
from dashboard.pages.findings.finding_words import subject_text
from dashboard.reading.data import CrewData
from tests.dashboard.invented import findings
from tests.dashboard.rendering import parts, shown
from tests.dashboard.test_plain_words import crew_with


def finding(kind: str, subject_type: str, subject: str):
    return replace(findings()[0], kind=kind, subject_type=subject_type, subject_id=subject)


@pytest.mark.parametrize(
    ("kind", "subject", "name", "links"),
    [
        ("loss-raised", ("technician", "Birch"), "Birch",
         ["/loss?subject=technician%3ABirch&measure=level", "/person?technician=Birch"]),
        ("loss-dirty", ("crew", "crew"), "The whole crew",
         ["/loss?subject=crew%3Acrew&measure=dirty"]),
        ("first-time-lowered", ("site", "Harbor"), "Harbor, all splicers",
         ["/loss?subject=site%3AHarbor&measure=first_time"]),
        ("errors-raised", ("holding", "clamp"), "Fibers in clamps, all splicers",
         ["/loss?subject=holding%3Aclamp&measure=errors"]),
        ("loss-raised", ("program", "fixed"), "fixed, all splicers", []),
        ("loss-raised", ("splicer", "Heron"), "Heron, all programs",
         ["/loss?subject=splicer%3AHeron&measure=level", "/splicer?splicer=Heron"]),
        ("loss-scattered", ("stream", "Heron / single-mode adaptive"),
         "Heron, single-mode adaptive",
         ["/loss?subject=stream%3AHeron+%2F+single-mode+adaptive&measure=spread",
          "/splicer?splicer=Heron",
          "/loss?splicer=Heron&program=single-mode+adaptive"]),
        ("loss-raised", ("stream", "Heron / single-mode adaptive"), "Heron, single-mode adaptive",
         ["/splicer?splicer=Heron", "/loss?splicer=Heron&program=single-mode+adaptive"]),
        ("readings-gap", ("site", "Harbor"), "Harbor", []),
    ],
)  # fmt: skip
def test_a_finding_leads_to_its_own_chart(kind, subject, name, links):
    document = finding(kind, *subject).to_json()
    assert [link.href for link in finding_links(document)] == links
    assert subject_text(document) == name


def test_today_has_no_word_about_people(tmp_path: Path):
    told = [
        replace(finding("loss-dirty", "technician", "Birch"), severity="watch",
                summary="Birch: more are dirty."),
        replace(finding("loss-raised", "crew", "crew"), severity="watch", summary="Crew rose."),
        replace(finding("first-time-lowered", "technician", "Alder"), summary="Alder: act now."),
    ]  # fmt: skip
    words = shown(crew_with(tmp_path, told), "/")
    assert "Birch" not in words
    assert "Alder: act now." not in words


def test_a_rolled_up_chart_tells_its_days_its_finding_and_its_limit(tmp_path: Path):
    risen = replace(finding("loss-raised", "technician", "Birch"), summary="Birch rose.")
    data = crew_with(tmp_path, [risen])
    words = shown(data, "/loss", "?subject=technician:Birch")
    assert "Birch: loss up 60 % since" in words
    assert "not for pay, praise or blame" in words
    assert "Birch rose." in words
    assert "60 days, 1,200 splices, 1 alarm. Last day, 13 Jun 2025: 1.50 times, 1.00" in words
    assert "the evidence stood at 90 % of the limit" in words
    # another measure that the subject has no chart of falls back to one it has
    assert "Birch: loss" in shown(data, "/loss", "?subject=technician:Birch&measure=none")


def test_the_loss_page_lists_rolled_up_charts_with_their_standing(data: CrewData):
    words = shown(data, "/loss").partition("By splicer, person, site, program and crew")[2]
    assert "Crew The whole crew 1 alarm, now 90 % of limit" in words
    assert "People Birch 1 alarm, now 90 % of limit" in words
    stream = screen(data, "/loss", "?splicer=Kestrel&program=single-mode+fixed", "light")
    links = [str(getattr(part, "href", "")) for part in parts(stream)]
    assert "/loss?subject=stream%3AKestrel+%2F+single-mode+fixed&measure=dirty" in links


def test_the_evidence_is_drawn_as_a_share_of_its_own_limit():
    days = pd.DataFrame(
        {"day": ["2026-01-01", "2026-01-02"], "n": 20, "value": [0.02, 0.06], "expected": 0.02,
         "statistic": [0.5, 3.0], "limit": [1.0, 2.0], "alarm": [False, True]}
    )  # fmt: skip
    lines = {one.name: one for one in subject_evidence(days).figure.data}
    assert list(lines["evidence of a rise"].y) == [50, 150]
    drawn = {one.name: one for one in subject_days(days, "dirty").figure.data}
    assert list(drawn["dirty that day"].y) == [2.0, 6.0]
    assert list(drawn["alarm: it has risen"].y) == [6.0]
    assert "6.0 %, 2.0 % was expected" in subject_days(days, "dirty").summary


def test_scatter_of_many_streams_is_a_multiple_of_what_is_usual():
    days = pd.DataFrame(
        {"subject_type": "technician", "day": ["2026-01-01", "2026-01-02"], "n": 20,
         "value": [1.02, 1.6], "expected": 1.0, "statistic": [0.5, 3.0], "limit": 2.0,
         "alarm": [False, True]}
    )  # fmt: skip
    picture = subject_days(days, "spread")
    assert "1.60 times, 1.00 times was expected" in picture.summary
    assert picture.figure.layout.yaxis.title.text == "Scatter, as a multiple of usual"
    # a stream's own is a share of its mean
    stream = subject_days(days.assign(subject_type="stream", value=0.8, expected=0.7), "spread")
    assert "80 %, 70 % was expected" in stream.summary


def test_a_shared_day_is_told_as_the_change_it_made_to_every_stream():
    # the level scale is 3 (r^(1/3) - 1): a day that makes every loss 1.331 times what it was is 0.3
    days = pd.DataFrame(
        {"day": ["2026-01-01"] * 2 + ["2026-01-02"] * 2, "crew_effect": [0.0, np.nan, 0.3, 0.3]}
    )
    picture = shared_effect(days)
    assert list(picture.table["change_pct"]) == [0.0, 33.1]
    assert "The largest shared change was +33 % on 2 Jan 2026" in picture.summary
    calm = shared_effect(days.assign(crew_effect=0.0))
    assert calm.figure is None
    assert "No day has moved the loss of the whole crew" in calm.summary
