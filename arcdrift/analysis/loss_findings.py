"""Findings from the loss charts: a stream's loss has risen, or fallen."""

import numpy as np
import pandas as pd

from arcdrift.analysis.causes import StreamHistory, likely_causes
from arcdrift.analysis.episodes import episodes, severity
from arcdrift.charts.change_point import step_onset
from arcdrift.finding import Finding, Onset

EPISODE_DAYS = 30
WORDS = {
    "up": (
        "loss-raised",
        "has risen",
        "Look at the likely causes in order; recheck the arc, then cleaver and cleaning.",
    ),
    "down": (
        "loss-lowered",
        "has fallen",
        "Good news worth understanding: note what changed, so that it can be kept.",
    ),
}


def loss_findings(days: pd.DataFrame, history: StreamHistory, now: pd.Timestamp) -> list[Finding]:
    """Findings for one stream.

    Parameters
    ----------
    days : DataFrame
        The stream's charted days in order, from `arcdrift.analysis.loss.chart_losses`, with
        ``day_start`` (UTC instant each local day began).
    history : StreamHistory
        What else is known of the splicer, for causes.
    """
    found = []
    days = days.reset_index(drop=True)
    for side in WORDS:
        alarmed = days[days["alarm"] == side]
        for rows in episodes(alarmed["day"], pd.Timedelta(days=EPISODE_DAYS)):
            positions = rows.to_list()
            found.append(_finding(days, positions, side, history, now))
    return found


def _finding(
    days: pd.DataFrame, alarms: list[int], side: str, history: StreamHistory, now: pd.Timestamp
) -> Finding:
    kind, verb, step = WORDS[side]
    first, last = alarms[0], alarms[-1]
    start = _after_reset(days, first, side)
    z = days["z"].to_numpy(dtype=float)[start : first + 1]
    onset = step_onset(z, direction="up" if side == "up" else "down")
    begins = start + onset.index
    since = days.loc[begins:last]
    after = float(since["capped"].sum() / since["n"].sum())
    before = float(days["expected_db"][begins])
    ratio = after / before
    splicer, program = str(days["splicer"][0]), str(days["program"][0])
    when = days["day_start"]
    return Finding(
        kind=kind,
        subject_type="stream",
        subject_id=f"{splicer} / {program}",
        since=when[first].to_pydatetime(),
        until=when[last].to_pydatetime(),
        onset=Onset(
            when[begins].to_pydatetime(),
            when[start + onset.earliest].to_pydatetime(),
            when[start + onset.latest].to_pydatetime(),
        ),
        severity=severity(when[last], now, heavy=ratio >= 1.25) if side == "up" else "note",
        evidence={
            "loss_before_db": round(before, 4),
            "loss_since_db": round(after, 4),
            "ratio": round(ratio, 2),
            "splices_since": int(since["n"].sum()),
            "alarms": len(alarms),
            "days_from_onset_to_alarm": first - begins + 1,
        },
        likely_causes=likely_causes(history, program, when[begins], when[last], side),
        summary=(
            f"{splicer}, {program}: loss {verb} from {before:.3f} to {after:.3f} dB a splice "
            f"({ratio - 1:+.0%}) since {days['day'][begins]:%Y-%m-%d}."
        ),
        next_step=step,
        assessed_on=now.to_pydatetime(),
    )


def _after_reset(days: pd.DataFrame, alarm: int, side: str) -> int:
    """First judged day of the run that led to the alarm."""
    earlier = days.loc[: alarm - 1]
    restart = earlier.index[
        (earlier["alarm"] == side)
        | earlier["z"].isna()
        | (earlier["segment"] != days["segment"][alarm])
    ]
    return int(np.max(restart)) + 1 if len(restart) else 0
