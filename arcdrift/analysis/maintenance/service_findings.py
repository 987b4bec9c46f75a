"""Service that is due: cleaning and factory service of splicers, blades of cleavers.

An interval runs from the last service of its kind on record. Where none is on record, nobody
can say what is due, and nothing is said to be.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import DAY
from arcdrift.analysis.common.episodes import severity
from arcdrift.analysis.common.grouping import category_to_text
from arcdrift.analysis.maintenance.usage_hours import (
    CLEAVES_A_SPLICE,
    NO_TURNS,
    Hours,
    Turns,
    hours_of,
    instant,
    turns_of,
)
from arcdrift.finding import Finding
from arcdrift.settings import Crew, Interval

HEAVY = 1.5
"""Share of its interval from which overdue service presses (common practice, no source)."""
USE_COLUMNS = ["splicer", "cleaver", "blade_position", "at", "last", "splices"]

STEPS = {
    "cleaned": "Clean the splicer, and log it as `cleaned`. Power off; let solvent vapor clear "
    "before the next arc.",
    "v-grooves cleaned": "Clean the v-grooves with the power off, let solvent vapor clear, and "
    "log it as `v-grooves cleaned`.",
    "factory service": "Plan the factory service, with a spare splicer for the time.",
}


@dataclass(frozen=True)
class BladeState:
    """The blade a cleaver has now.

    Attributes
    ----------
    position : str or None
        As the splice log says.
    cleaves : int or None
        On this position, two a splice; None where no turn of the blade is known.
    reached : Timestamp or None
        When the cleaves reached the position's life.
    positions_used : int or None
        Positions since the blade was new, this one included; None where no new blade is known.
    """

    cleaver: str
    splicers: tuple[str, ...]
    position: str | None
    cleaves: int | None
    since: pd.Timestamp | None
    reached: pd.Timestamp | None
    last: pd.Timestamp
    positions_used: int | None


@dataclass(frozen=True)
class Due:
    """Where one interval of service stands.

    ``days`` and ``splices`` are since the last service; None where there is none on record.
    ``share`` of the interval is used up, and ``reached`` says when it was full.
    """

    action: str
    done_at: pd.Timestamp | None
    days: float | None
    splices: int | None
    share: float | None
    reached: pd.Timestamp | None


def use_by_hour(splices: pd.DataFrame) -> pd.DataFrame:
    """Sum splices up by cleaver, blade position and hour.

    Parameters
    ----------
    splices : DataFrame
        ``splicer``, ``spliced_at``, ``cleaver``, ``blade_position``; practice counts as well.

    Returns
    -------
    DataFrame
        `USE_COLUMNS`: ``at`` and ``last`` are the first and last splice of the hour.
    """
    hour = splices["spliced_at"].dt.floor("h")
    keys = ["splicer", "cleaver", "blade_position", hour.rename("hour")]
    grouped = splices.groupby(keys, dropna=False)["spliced_at"]
    sums = grouped.agg(at="min", last="max", splices="size").reset_index()
    return category_to_text(sums[USE_COLUMNS]).sort_values(["splicer", "at"], ignore_index=True)


def blade_state(
    cleaver: str, use: pd.DataFrame, service: pd.DataFrame, life: int
) -> BladeState | None:
    """Tell how far the present position of a cleaver's blade is used.

    Parameters
    ----------
    use : DataFrame
        From `use_by_hour`, of every splicer the cleaver is used with.
    service : DataFrame
        Service events, at least the cleaver's.
    life : int
        Cleaves a position is good for.

    Notes
    -----
    Cleaves count from the last turn on the service log, or from the position changing in the
    splice log where that is later.
    """
    hours = hours_of(use, "cleaver").get(cleaver)
    turns = turns_of(service).get(cleaver, NO_TURNS)
    return None if hours is None else present_blade(cleaver, hours, turns, life)


def present_blade(cleaver: str, hours: Hours, turns: Turns, life: int) -> BladeState:
    """Tell of the blade of a cleaver from its own hours and turns: see `blade_state`."""
    position = hours.latest_position()
    start = turns.when[-1] if len(turns.when) else None
    if position >= 0:
        other = hours.last[(hours.position >= 0) & (hours.position != position)]
        if len(other) and (start is None or other[-1] > start):
            start = other[-1]
    cleaves = reached = None
    if start is not None:
        first = int(np.searchsorted(hours.first, start, side="right"))
        count = CLEAVES_A_SPLICE * hours.splices[first:].cumsum()
        cleaves = int(count[-1]) if len(count) else 0
        if cleaves >= life:
            reached = instant(hours.last[first + int(np.searchsorted(count, life))])
    return BladeState(
        cleaver=cleaver,
        splicers=hours.splicers,
        position=hours.named(position),
        cleaves=cleaves,
        since=None if start is None else instant(start),
        reached=reached,
        last=instant(hours.last.max()),
        positions_used=turns.positions_used,
    )


def due(
    action: str, use: pd.DataFrame, service: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> Due:
    """Where a service interval of one splicer stands.

    Parameters
    ----------
    use : DataFrame
        From `use_by_hour`, of this splicer.
    service : DataFrame
        Its service events.
    """
    done = service.loc[
        (service["action"] == action) & (service["serviced_at"] <= now), "serviced_at"
    ]
    if done.empty:
        return Due(action, None, None, None, None, None)
    hours = next(iter(hours_of(use, "splicer").values()), None)
    return _due(action, done.max(), hours, crew.service.by_action[action], now)


def _due(
    action: str, last: pd.Timestamp, hours: Hours | None, interval: Interval, now: pd.Timestamp
) -> Due:
    days, total = (now - last) / DAY, 0
    shares, reached = [], []
    if hours is not None:
        first = int(
            np.searchsorted(hours.first, last.tz_localize(None).to_datetime64(), side="right")
        )
        count = hours.splices[first:].cumsum()
        total = int(count[-1]) if len(count) else 0
        if interval.splices is not None and total >= interval.splices:
            full = first + int(np.searchsorted(count, interval.splices))
            reached.append(instant(hours.last[full]))
    if interval.days is not None:
        shares.append(days / interval.days)
        if shares[-1] >= 1:
            reached.append(last + interval.days * DAY)
    if interval.splices is not None:
        shares.append(total / interval.splices)
    return Due(
        action=action,
        done_at=last,
        days=float(days),
        splices=total,
        share=float(max(shares)) if shares else None,
        reached=min(reached) if reached else None,
    )


def service_findings(
    use: pd.DataFrame, service: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> list[Finding]:
    """Service due now, over the crew; only for splicers and cleavers used since it fell due.

    Parameters
    ----------
    use : DataFrame
        From `use_by_hour`, of every splicer.
    service : DataFrame
        Service events of every asset.
    """
    service, use = service[service["serviced_at"] <= now], use[use["at"] <= now]
    found = []
    intervals = crew.service.by_action
    lately = service[service["action"].isin(list(intervals))]
    done = lately.groupby(["asset", "action"])["serviced_at"].max().to_dict()
    for name, hours in hours_of(use, "splicer").items():
        latest = instant(hours.last.max())
        for action, interval in intervals.items():
            if (name, action) not in done:
                continue
            state = _due(action, done[name, action], hours, interval, now)
            if state.reached is not None and latest >= state.reached:
                found.append(_due_finding(name, state, state.reached, latest, interval, now))
    turns = turns_of(service)
    for cleaver, hours in hours_of(use, "cleaver").items():
        life = crew.blade.cleaves_per_position
        blade = present_blade(cleaver, hours, turns.get(cleaver, NO_TURNS), life)
        if blade.reached is not None:
            found.append(_blade_finding(blade, blade.reached, crew, now))
    return found


def _due_finding(
    splicer: str,
    state: Due,
    reached: pd.Timestamp,
    latest: pd.Timestamp,
    interval: Interval,
    now: pd.Timestamp,
) -> Finding:
    limits = [
        f"{interval.days:g} days" if interval.days is not None else "",
        f"{interval.splices:,} splices" if interval.splices is not None else "",
    ]
    return Finding(
        kind="service-due",
        subject_type="splicer",
        subject_id=splicer,
        since=reached.to_pydatetime(),
        until=latest.to_pydatetime(),
        severity=severity(latest, now, heavy=(state.share or 0.0) >= HEAVY),
        evidence={
            "service": state.action,
            "days_since": round(state.days or 0.0),
            "splices_since": state.splices,
            "interval_days": interval.days,
            "interval_splices": interval.splices,
        },
        summary=(
            f"{splicer}: {_words(state.action)} is due: last done on {state.done_at:%Y-%m-%d}, "
            f"{state.days:.0f} days and {state.splices:,} splices ago (set to every "
            f"{' or '.join(filter(None, limits))})."
        ),
        next_step=STEPS[state.action],
        assessed_on=now.to_pydatetime(),
    )


def _words(action: str) -> str:
    return {"cleaned": "cleaning", "v-grooves cleaned": "v-groove cleaning"}.get(action, action)


def _blade_finding(
    blade: BladeState, reached: pd.Timestamp, crew: Crew, now: pd.Timestamp
) -> Finding:
    cleaves = blade.cleaves or 0
    life, positions = crew.blade.cleaves_per_position, crew.blade.positions
    where = f"position {blade.position}" if blade.position else "its present position"
    spent = blade.positions_used is not None and blade.positions_used >= positions
    step = (
        f"Replace the blade: this is the last of its {positions} positions. "
        if spent
        else "Turn the blade to its next position. "
    )
    return Finding(
        kind="service-due",
        subject_type="cleaver",
        subject_id=blade.cleaver,
        since=reached.to_pydatetime(),
        until=blade.last.to_pydatetime(),
        severity=severity(blade.last, now, heavy=cleaves >= HEAVY * life),
        evidence={
            "service": "blade replaced" if spent else "blade rotated",
            "cleaves_on_position": cleaves,
            "cleaves_per_position": life,
            "blade_position": blade.position,
            "splicers": list(blade.splicers),
        },
        summary=(
            f"{blade.cleaver} (used with {', '.join(blade.splicers)}): about {cleaves:,} "
            f"cleaves on {where} of the blade, set to last {life:,}."
        ),
        next_step=f"{step}Wear eye protection and keep fingers off the edge; log it as "
        f"`{'blade replaced' if spent else 'blade rotated'}` for {blade.cleaver}.",
        assessed_on=now.to_pydatetime(),
    )
