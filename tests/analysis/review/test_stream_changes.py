"""A rise is told with its planted size, against the level before it, however long it lasts."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.review.stream_changes import stream_changes, with_usual_loss
from arcdrift.finding import Finding, Onset

USUAL, RISE = 0.030, 1.56
ONSET = pd.Timestamp("2026-09-10")


def days(after: int, program: str = "plain", before: int = 60) -> pd.DataFrame:
    """A stream of 20 splices a day at the usual loss, `after` days of them risen."""
    day = pd.date_range(ONSET - pd.Timedelta(days=before), periods=before + after, freq="D")
    loss = np.where(day >= ONSET, RISE * USUAL, USUAL)
    return pd.DataFrame(
        {"splicer": "Heron", "program": program, "day": day, "site": "Harbor", "n": 20,
         "total": 20 * loss, "excluded": False}
    )  # fmt: skip


def raised(last: pd.Timestamp, subject_type: str, subject_id: str, **evidence: float) -> Finding:
    onset = ONSET.tz_localize("America/Denver").to_pydatetime()
    until = last.tz_localize("America/Denver").tz_convert("UTC").to_pydatetime()
    return Finding(
        kind="loss-raised", subject_type=subject_type, subject_id=subject_id, since=onset,
        until=until, onset=Onset(onset), severity="act", evidence=evidence, next_step="",
        assessed_on=until,
    )  # fmt: skip


@pytest.mark.parametrize("after", [5, 30, 90])
@pytest.mark.parametrize(
    "subject",
    [("splicer", "Heron"), ("program", "plain"), ("site", "Harbor"), ("crew", "crew")],
)
def test_a_planted_rise_keeps_its_size(after: int, subject: tuple[str, str]) -> None:
    stream = days(after)
    # days after the last evidence, when it may have been mended, do not dilute the rise
    mended = days(0, before=5).assign(
        day=lambda d: stream["day"].iloc[-1] + (d["day"] - ONSET) + pd.Timedelta(days=6)
    )
    stream_and_after = pd.concat([stream, mended], ignore_index=True)
    finding = raised(stream["day"].iloc[-1], *subject, ratio=1.3)
    (row,) = stream_changes(stream_and_after, [finding]).to_dict("records")
    assert row["change"] == pytest.approx(0.3)  # one figure of the change: that of its finding
    assert row["change_since"] == "2026-09-10"
    assert row["usual_db"] == pytest.approx(USUAL)
    assert row["since_db"] == pytest.approx(RISE * USUAL)


def test_the_streams_own_finding_gives_its_own_numbers() -> None:
    stream = days(20)
    last = stream["day"].iloc[-1]
    own = raised(
        last, "stream", "Heron / plain", loss_before_db=0.031, loss_since_db=0.048, ratio=1.55
    )
    wider = raised(last, "splicer", "Heron", ratio=1.3)
    (row,) = stream_changes(stream, [wider, own]).to_dict("records")
    assert (row["usual_db"], row["since_db"]) == (0.031, 0.048)
    assert row["change"] == pytest.approx(0.55)
    assert row["change_finding"] == own.id


def test_a_change_that_ended_is_not_told_as_present() -> None:
    stream = days(20)
    over = raised(stream["day"].iloc[-11], "splicer", "Heron", ratio=1.5)
    assert stream_changes(stream, [over]).empty
    assert not stream_changes(
        stream, [replace(over, until=over.until + pd.Timedelta(days=1).to_pytimedelta())]
    ).empty
    # eight days after the evidence, but the splicer lay still for months before them
    seldom = stream.assign(
        day=stream["day"].mask(
            stream.index >= len(stream) - 8, stream["day"] + pd.Timedelta(days=60)
        )
    )
    assert stream_changes(
        seldom, [replace(over, until=over.until + pd.Timedelta(days=2).to_pytimedelta())]
    ).empty
    other = raised(stream["day"].iloc[-1], "splicer", "Plover", ratio=1.5)
    dirty = replace(over, kind="loss-dirty", until=other.until)
    assert stream_changes(stream, [other, dirty]).empty


def test_too_few_splices_before_tell_no_change() -> None:
    stream = days(20, before=2)
    assert stream_changes(
        stream, [raised(stream["day"].iloc[-1], "splicer", "Heron", ratio=1.5)]
    ).empty


def test_the_usual_loss_is_that_before_the_onset() -> None:
    both = pd.concat([days(30), days(30, "other")])
    streams = pd.DataFrame(
        {"splicer": "Heron", "program": ["other", "plain"], "baseline_db": [0.03, 0.041],
         "recent_db": 0.047}
    )  # fmt: skip
    finding = raised(both["day"].iloc[-1], "program", "plain", ratio=1.5)
    table = with_usual_loss(streams, both, [finding]).set_index("program")
    assert table["baseline_db"].to_dict() == pytest.approx({"other": 0.03, "plain": USUAL})
    assert table["change"]["plain"] == pytest.approx(0.5)
    assert pd.isna(table["change"]["other"])
    assert pd.isna(table["change_since"]["other"])
    quiet = with_usual_loss(streams, both, [])
    assert quiet["baseline_db"].tolist() == [0.03, 0.041]
