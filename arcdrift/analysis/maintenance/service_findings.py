"""Service that is due: cleaning and factory service of splicers, blades of cleavers.

An interval runs from the last service of its kind on record. Without one on record, the state of
the interval is unknown and there is no finding.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.common.days import DAY
from arcdrift.analysis.common.episodes import severity
from arcdrift.analysis.common.event_lookup import first_and_last, to_microseconds
from arcdrift.analysis.common.grouping import (
    category_to_text,
    concat_frames,
    group_index,
    text_codes,
    time_order,
)
from arcdrift.analysis.maintenance.blade_left import (
    blade_text,
    cleaves_left,
    is_last_position,
    turn_step,
)
from arcdrift.analysis.maintenance.usage_hours import (
    CLEAVES_PER_SPLICE,
    NO_TURNS,
    BladeTurns,
    UsageHours,
    hours_by_asset,
    to_timestamp,
    turns_by_cleaver,
)
from arcdrift.finding import Finding
from arcdrift.settings import Crew, Interval

HEAVY_SHARE = 1.5
"""From this multiple of its interval on, overdue service needs action (common practice, no
source)."""
HOUR = 3_600_000_000
"""Microseconds."""
HOUR_KEYS = ["splicer", "cleaver", "blade_position"]
USAGE_COLUMNS = [*HOUR_KEYS, "at", "last", "splices"]

NEXT_STEPS = {
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
        As logged with the splices.
    cleaves : int or None
        On this position, two a splice; None if no turn of the blade is known.
    reached : Timestamp or None
        When the cleaves reached the position's life.
    positions_used : int or None
        Positions used of this blade, including the present one; None if no new blade is known.
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
class IntervalState:
    """State of one service interval.

    ``days`` and ``splices`` are since the last service; None if none is on record. ``share`` is
    the used part of the interval, ``reached`` the time at which it was used up.
    """

    action: str
    done_at: pd.Timestamp | None
    days: float | None
    splices: int | None
    share: float | None
    reached: pd.Timestamp | None


def usage_by_hour(splices: pd.DataFrame) -> pd.DataFrame:
    """Count splices by splicer, cleaver, blade position and hour.

    Parameters
    ----------
    splices : DataFrame
        ``splicer``, ``spliced_at``, ``cleaver``, ``blade_position``; practice splices included.

    Returns
    -------
    DataFrame
        `USAGE_COLUMNS`: ``at`` and ``last`` are the first and last splice of the hour.
    """
    at = to_microseconds(splices["spliced_at"])
    # missing text, whose number is -1, is a group of its own
    codes = [text_codes(splices[name])[0] + 1 for name in HOUR_KEYS]
    group, first = group_index(*codes, at // HOUR)
    rows = splices[HOUR_KEYS].iloc[first].reset_index(drop=True)
    began, ended = first_and_last(group, at, len(first))
    use = rows.assign(at=began, last=ended, splices=np.bincount(group, minlength=len(first)))
    order = time_order(codes[0][first], to_microseconds(began))
    return category_to_text(use.iloc[order].reset_index(drop=True))


def join_divided_hours(use: pd.DataFrame) -> pd.DataFrame:
    """Join hours whose splices were counted in two parts, as where a workday starts within one.

    Parameters
    ----------
    use : DataFrame
        From `usage_by_hour`, of days one after the other, in order.
    """
    hour = _hour(use["at"])
    divided = pd.concat([use[HOUR_KEYS], hour], axis=1).duplicated(keep=False)
    if not divided.any():
        return use
    grouped = use[divided].groupby([*HOUR_KEYS, hour[divided]], dropna=False)
    joined = grouped.agg(at=("at", "min"), last=("last", "max"), splices=("splices", "sum"))
    both = concat_frames([use[~divided], joined.reset_index()[USAGE_COLUMNS]])
    return both.sort_values(["splicer", "at"], kind="stable", ignore_index=True)


def _hour(times: pd.Series) -> pd.Series:
    hour: pd.Series = times.dt.floor("h").rename("hour")
    return hour


def blade_state(
    cleaver: str, use: pd.DataFrame, service: pd.DataFrame, life: int
) -> BladeState | None:
    """Use of the present position of a cleaver's blade; None if the cleaver was never used.

    Parameters
    ----------
    use : DataFrame
        From `usage_by_hour`, of every splicer the cleaver is used with.
    service : DataFrame
        Service events, at least the cleaver's.
    life : int
        Cleaves for which a position lasts.

    Notes
    -----
    Cleaves count from the last turn in the service log, or from the last change of position in
    the splice log if that is later.
    """
    hours = hours_by_asset(use, "cleaver").get(cleaver)
    turns = turns_by_cleaver(service).get(cleaver, NO_TURNS)
    return None if hours is None else current_blade(cleaver, hours, turns, life)


def current_blade(cleaver: str, hours: UsageHours, turns: BladeTurns, life: int) -> BladeState:
    """`blade_state` from the cleaver's hours of use and blade turns."""
    position = hours.latest_position()
    start = turns.when[-1] if len(turns.when) else None
    if position >= 0:
        other_positions = hours.last[(hours.position >= 0) & (hours.position != position)]
        if len(other_positions) and (start is None or other_positions[-1] > start):
            start = other_positions[-1]
    cleaves = reached = None
    if start is not None:
        first = int(np.searchsorted(hours.first, start, side="right"))
        cleaves_so_far = CLEAVES_PER_SPLICE * hours.splices[first:].cumsum()
        cleaves = int(cleaves_so_far[-1]) if len(cleaves_so_far) else 0
        if cleaves >= life:
            reached = to_timestamp(hours.last[first + int(np.searchsorted(cleaves_so_far, life))])
    return BladeState(
        cleaver=cleaver,
        splicers=hours.splicers,
        position=hours.position_name(position),
        cleaves=cleaves,
        since=None if start is None else to_timestamp(start),
        reached=reached,
        last=to_timestamp(hours.last.max()),
        positions_used=turns.positions_used,
    )


def interval_state(
    action: str, use: pd.DataFrame, service: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> IntervalState:
    """State of a service interval of one splicer.

    Parameters
    ----------
    use : DataFrame
        From `usage_by_hour`, of this splicer.
    service : DataFrame
        Its service events.
    """
    times = service.loc[
        (service["action"] == action) & (service["serviced_at"] <= now), "serviced_at"
    ]
    if times.empty:
        return IntervalState(action, None, None, None, None, None)
    hours = next(iter(hours_by_asset(use, "splicer").values()), None)
    return _interval_state(action, times.max(), hours, crew.service.by_action[action], now)


def _interval_state(
    action: str, last: pd.Timestamp, hours: UsageHours | None, interval: Interval, now: pd.Timestamp
) -> IntervalState:
    days, total = (now - last) / DAY, 0
    shares, reached = [], []
    if hours is not None:
        first = int(
            np.searchsorted(hours.first, last.tz_localize(None).to_datetime64(), side="right")
        )
        splices_so_far = hours.splices[first:].cumsum()
        total = int(splices_so_far[-1]) if len(splices_so_far) else 0
        if interval.splices is not None and total >= interval.splices:
            row = first + int(np.searchsorted(splices_so_far, interval.splices))
            reached.append(to_timestamp(hours.last[row]))
    if interval.days is not None:
        shares.append(days / interval.days)
        if shares[-1] >= 1:
            reached.append(last + interval.days * DAY)
    if interval.splices is not None:
        shares.append(total / interval.splices)
    return IntervalState(
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
    """Service due now in the whole crew; only for splicers and cleavers used since it fell due.

    Parameters
    ----------
    use : DataFrame
        From `usage_by_hour`, of every splicer.
    service : DataFrame
        Service events of every asset.
    """
    service, use = service[service["serviced_at"] <= now], use[use["at"] <= now]
    found = []
    intervals = crew.service.by_action
    interval_service = service[service["action"].isin(list(intervals))]
    last_done = interval_service.groupby(["asset", "action"])["serviced_at"].max().to_dict()
    for name, hours in hours_by_asset(use, "splicer").items():
        latest = to_timestamp(hours.last.max())
        for action, interval in intervals.items():
            if (name, action) not in last_done:
                continue
            state = _interval_state(action, last_done[name, action], hours, interval, now)
            if state.reached is not None and latest >= state.reached:
                found.append(_interval_finding(name, state, state.reached, latest, interval, now))
    turns = turns_by_cleaver(service)
    for cleaver, hours in hours_by_asset(use, "cleaver").items():
        life = crew.blade.cleaves_per_position
        blade = current_blade(cleaver, hours, turns.get(cleaver, NO_TURNS), life)
        if blade.reached is not None:
            found.append(_blade_finding(blade, blade.reached, crew, now))
    return found


def _interval_finding(
    splicer: str,
    state: IntervalState,
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
        severity=severity(latest, now, heavy=(state.share or 0.0) >= HEAVY_SHARE),
        evidence={
            "service": state.action,
            "days_since": round(state.days or 0.0),
            "splices_since": state.splices,
            "interval_days": interval.days,
            "interval_splices": interval.splices,
        },
        summary=(
            f"{splicer}: {_service_name(state.action)} is due: "
            f"last done on {state.done_at:%Y-%m-%d}, "
            f"{state.days:.0f} days and {state.splices:,} splices ago (set to every "
            f"{' or '.join(filter(None, limits))}; as of {now:%Y-%m-%d})."
        ),
        next_step=NEXT_STEPS[state.action],
        assessed_on=now.to_pydatetime(),
    )


def _service_name(action: str) -> str:
    return {"cleaned": "cleaning", "v-grooves cleaned": "v-groove cleaning"}.get(action, action)


def _blade_finding(
    blade: BladeState, reached: pd.Timestamp, crew: Crew, now: pd.Timestamp
) -> Finding:
    cleaves = blade.cleaves or 0
    life = crew.blade.cleaves_per_position
    spent = is_last_position(blade.position, blade.positions_used, crew.blade)
    return Finding(
        kind="service-due",
        subject_type="cleaver",
        subject_id=blade.cleaver,
        since=reached.to_pydatetime(),
        until=blade.last.to_pydatetime(),
        severity=severity(blade.last, now, heavy=cleaves >= HEAVY_SHARE * life),
        evidence={
            "service": "blade replaced" if spent else "blade rotated",
            "cleaves_on_position": cleaves,
            "cleaves_per_position": life,
            "cleaves_left": cleaves_left(cleaves, crew.blade),
            "blade_position": blade.position,
            "last_position": spent,
            "splicers": list(blade.splicers),
        },
        summary=(
            f"{blade.cleaver} (used with {', '.join(blade.splicers)}), "
            f"{blade_text(cleaves, blade.position, blade.positions_used, crew.blade)} "
            f"(as of {now:%Y-%m-%d})."
        ),
        next_step=f"{turn_step(last=spent, blade=crew.blade)}. Wear eye protection and keep "
        "fingers off the edge; log it as "
        f"`{'blade replaced' if spent else 'blade rotated'}` for {blade.cleaver}.",
        assessed_on=now.to_pydatetime(),
    )
