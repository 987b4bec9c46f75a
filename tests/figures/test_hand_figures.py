"""One person's dots by splicer, and days with sessions: what is drawn and what is said."""

import pandas as pd

from arcdrift.figures.hands import days_with_sessions, dot_strip, hand_dots
from arcdrift.figures.labels import plain_label

HANDS = pd.DataFrame(
    {
        "technician": "Ash", "splicer": ["Heron", "<b>Tern"], "cleaver": ["C1", "C2"],
        "measure": "angle", "days": 8, "splices": [400, 1200], "colleagues": 4,
        "effect": [0.5, -0.1], "low": [0.4, -0.2], "high": [0.6, 0.0],
    }
)  # fmt: skip


def test_each_splicer_has_a_dot_and_its_splices():
    picture = hand_dots(HANDS, "angle")
    assert picture.title == "Cleave angles above the median colleague's on 1 of 2 splicers"
    assert list(picture.figure.layout.yaxis.ticktext) == ["Heron with C1", "&lt;b&gt;Tern with C2"]
    assert {"400", "1,200"} <= {note.text for note in picture.figure.layout.annotations}
    assert "From \N{MINUS SIGN}10 % to +50 %." in picture.summary
    assert hand_dots(HANDS, "loss").figure is None
    assert hand_dots(HANDS.iloc[:0], "angle").summary.startswith("Cleave angles: not enough work")


def test_the_mean_changes_at_each_session():
    day = pd.date_range("2026-01-01", periods=80)
    level = [0.5] * 40 + [0.2] * 40
    days = pd.DataFrame({"day": day.strftime("%Y-%m-%d"), "splices": 30, "angle_level": level})
    session = (str(day[40].date()), "<i>cleaving</i>")
    picture = days_with_sessions(days, [session], "angle")
    _, before, after = picture.figure.data
    assert [round(before.y[0]), round(after.y[0])] == [65, 22]  # exp(0.5) and exp(0.2), less 1
    assert picture.title == "Cleave angles day by day, with 1 session"
    assert [note.text for note in picture.figure.layout.annotations] == [
        "&lt;i&gt;cleaving&lt;/i&gt;"
    ]
    assert len(days_with_sessions(days, [], "angle").figure.data) == 1
    assert days_with_sessions(days, [], "loss").figure is None


def test_the_small_strip_has_no_text_from_outside():
    drawn = dot_strip(HANDS, "light")
    assert drawn.count("<circle") == 2
    assert "Tern" not in drawn


def test_a_long_name_is_cut_and_its_markup_is_text():
    assert plain_label("<br>" + "x" * 300) == "&lt;br&gt;" + "x" * 19 + "\N{HORIZONTAL ELLIPSIS}"
    assert plain_label("a\nb") == "a b"
