"""Likely causes of a change in loss, from what else changed near its onset.

A hint with its evidence, not a verdict: each cause is given only where a record speaks for it,
and where none does the answer says so.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.finding import Cause

NEAR_DAYS = 5
WINDOW_DAYS = 30
MIN_SPLICES = 30
MOVED = 0.15
"""Change in mean loss or angle that counts as moved."""
TAKEOVER = 0.5
"""Rise in one technician's share of the splices that counts as a change of hands."""
ROUTINE = ("cleaned", "other")
"""Service too common to explain anything by its date alone."""
PERSON_SHARE = 0.6
"""Share of a rise one technician must carry to be named."""


@dataclass(frozen=True)
class StreamHistory:
    """What is known of a splicer beside one stream's chart.

    Attributes
    ----------
    groups : DataFrame
        Daily sums: ``program``, ``technician``, ``day_start`` (UTC), ``n``, ``capped`` (dB),
        ``angle_n``, ``angle`` (sum of the splice's larger cleave angle, degrees).
    service : DataFrame
        ``serviced_at``, ``action`` of this splicer.
    arc_alarms : Series
        Instants of arc drift alarms of this splicer.
    """

    groups: pd.DataFrame
    service: pd.DataFrame
    arc_alarms: pd.Series


def likely_causes(
    history: StreamHistory,
    program: str,
    onset: pd.Timestamp,
    until: pd.Timestamp,
    side: str,
) -> tuple[Cause, ...]:
    """Rank what may have moved a stream's loss.

    Parameters
    ----------
    onset, until : Timestamp
        UTC.
    side : str
        ``up`` or ``down``.

    Returns
    -------
    tuple of Cause
        Weights sum to 1; a single "cannot tell" where nothing on record speaks.
    """
    sign = 1.0 if side == "up" else -1.0
    window = pd.Timedelta(days=WINDOW_DAYS)
    groups = history.groups
    before = groups[(groups["day_start"] < onset) & (groups["day_start"] >= onset - window)]
    after = groups[(groups["day_start"] >= onset) & (groups["day_start"] <= until)]
    mine_before, mine_after = (part[part["program"] == program] for part in (before, after))
    causes = [
        *_arc(history, onset),
        *_service(history, onset),
        *_angles(mine_before, mine_after, sign),
        *_hands(mine_before, mine_after, sign),
        *_person(mine_before, mine_after, sign),
        *_programs(before, after, program, sign),
    ]
    if not causes:
        return (Cause("cannot tell", "nothing on record changed near the onset", 1.0),)
    total = sum(cause.weight for cause in causes)
    ranked = sorted(causes, key=lambda cause: -cause.weight)
    return tuple(Cause(c.cause, c.why, round(c.weight / total, 2)) for c in ranked)


def _arc(history: StreamHistory, onset: pd.Timestamp) -> list[Cause]:
    near = history.arc_alarms[
        (history.arc_alarms - onset).abs() <= pd.Timedelta(days=2 * NEAR_DAYS)
    ]
    if near.empty:
        return []
    why = f"the arc setting moved unexplained on {near.iloc[0]:%Y-%m-%d}, near the onset"
    return [Cause("arc", why, 0.8)]


def _service(history: StreamHistory, onset: pd.Timestamp) -> list[Cause]:
    service = history.service
    near = not_after(service, onset)
    return [
        Cause(f"service: {action}", f"done on {when:%Y-%m-%d}, near the onset", 0.5)
        for action, when in zip(near["action"], near["serviced_at"], strict=True)
    ]


def not_after(service: pd.DataFrame, onset: pd.Timestamp) -> pd.DataFrame:
    """Service that may have caused a change: shortly before its onset, never well after it."""
    lead = onset - service["serviced_at"]
    near = (lead <= pd.Timedelta(days=NEAR_DAYS)) & (lead >= -pd.Timedelta(days=1))
    return service[near & ~service["action"].isin(ROUTINE)]


def _angles(before: pd.DataFrame, after: pd.DataFrame, sign: float) -> list[Cause]:
    if min(before["angle_n"].sum(), after["angle_n"].sum()) < MIN_SPLICES:
        return []
    old = before["angle"].sum() / before["angle_n"].sum()
    new = after["angle"].sum() / after["angle_n"].sum()
    if sign * (new / old - 1) < MOVED:
        return []
    why = f"the larger cleave angle went from {old:.2f}° to {new:.2f}° on average"
    return [Cause("cleaving: blade or technique", why, 0.7)]


def _hands(before: pd.DataFrame, after: pd.DataFrame, sign: float) -> list[Cause]:
    """The change came when somebody else took over; or it met whoever worked, and stayed."""
    if min(before["n"].sum(), after["n"].sum()) < MIN_SPLICES:
        return []
    now = after.groupby("technician")["n"].sum() / after["n"].sum()
    then = (before.groupby("technician")["n"].sum() / before["n"].sum()).reindex(now.index)
    came = (now - then.fillna(0.0)).sort_values()
    if came.iloc[-1] < TAKEOVER:
        return []
    who = str(came.index[-1])
    others = after[after["technician"] != who]
    if others["n"].sum() >= MIN_SPLICES:
        base = before["capped"].sum() / before["n"].sum()
        ratio = float(others["capped"].sum() / others["n"].sum() / base)
        if sign * (ratio - 1.0) > MOVED:
            why = f"it did not stay with {who}: the others' splices moved {ratio - 1:+.0%} too"
            return [Cause("the splicer: dust, v-grooves or electrodes", why, 0.6)]
    why = (
        f"{who} made {then.fillna(0.0)[who]:.0%} of the splices before and {now[who]:.0%} since; "
        "it may be the work, the fiber or the place rather than the person"
    )
    return [Cause("a change of hands", why, 0.8)]


def _person(before: pd.DataFrame, after: pd.DataFrame, sign: float) -> list[Cause]:
    """One technician who carries most of the rise while the others stay where they were."""
    if before["n"].sum() < MIN_SPLICES:
        return []
    base = before["capped"].sum() / before["n"].sum()
    people = after.groupby("technician")[["n", "capped"]].sum()
    excess = sign * (people["capped"] - base * people["n"])
    total = float(excess.sum())
    if len(people) < 2 or total <= 0 or people["n"].max() < MIN_SPLICES:
        return []
    lead = str(excess.idxmax())
    share = float(excess[lead]) / total
    part = float(people["n"][lead] / people["n"].sum())
    if share < PERSON_SHARE or share < 1.5 * part or people["n"][lead] < MIN_SPLICES:
        return []
    why = (
        f"{lead} made {part:.0%} of the splices and carries {min(share, 1.0):.0%} of the change; "
        "may be work, fiber or place rather than the person"
    )
    return [Cause("one technician's splices", why, 0.6)]


def _programs(before: pd.DataFrame, after: pd.DataFrame, program: str, sign: float) -> list[Cause]:
    """Whether the splicer's other programs moved along."""
    columns = ["n", "capped"]
    old = before.groupby("program")[columns].sum()
    new = after.groupby("program")[columns].sum()
    both = old.index.intersection(new.index).drop(program, errors="ignore")
    both = both[(old.loc[both, "n"] >= MIN_SPLICES) & (new.loc[both, "n"] >= MIN_SPLICES)]
    if both.empty:
        return []
    ratio = (new.loc[both, "capped"] / new.loc[both, "n"]) / (
        old.loc[both, "capped"] / old.loc[both, "n"]
    )
    moved = np.mean(sign * (ratio.to_numpy() - 1) > MOVED)
    if moved == 1:
        why = f"its other programs moved too ({', '.join(map(str, both))})"
        return [Cause("the splicer itself: v-grooves, electrodes, optics", why, 0.4)]
    if moved == 0:
        why = f"its other programs stayed where they were ({', '.join(map(str, both))})"
        return [Cause("this program or the fiber it is used on", why, 0.3)]
    return []
