"""Service that is due: cleaning and factory service of splicers, blades of cleavers.

An interval runs from the last service of its kind on record. Where none is on record, nobody
can say what is due, and nothing is said to be.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.analysis.cells import plain
from arcdrift.analysis.episodes import severity
from arcdrift.finding import Finding
from arcdrift.settings import Crew

TURNED = ("blade rotated", "blade replaced")
CLEAVES_A_SPLICE = 2
HEAVY = 1.5
"""Share of its interval from which overdue service presses (common practice, no source)."""
USE_COLUMNS = ["splicer", "cleaver", "blade_position", "at", "last", "splices"]
DAY = pd.Timedelta(days=1)
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
    return plain(sums[USE_COLUMNS]).sort_values(["splicer", "at"], ignore_index=True)


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
    mine = use[use["cleaver"] == cleaver].sort_values("at", ignore_index=True)
    if mine.empty:
        return None
    turns = service[(service["asset"] == cleaver) & service["action"].isin(TURNED)]
    turns = turns.sort_values("serviced_at")
    known = mine["blade_position"].dropna()
    position = None if known.empty else str(known.iloc[-1])
    start = turns["serviced_at"].iloc[-1] if len(turns) else None
    if position is not None:
        other = mine.loc[mine["blade_position"].notna() & (mine["blade_position"] != position)]
        if len(other) and (start is None or other["last"].iloc[-1] > start):
            start = other["last"].iloc[-1]
    common = {
        "cleaver": cleaver,
        "splicers": tuple(sorted(map(str, mine["splicer"].unique()))),
        "position": position,
        "last": mine["last"].max(),
        "positions_used": _positions_used(turns),
    }
    if start is None:
        return BladeState(**common, cleaves=None, since=None, reached=None)
    on_it = mine[mine["at"] > start]
    cleaves = CLEAVES_A_SPLICE * on_it["splices"].cumsum()
    full = on_it.loc[cleaves >= life, "last"]
    return BladeState(
        **common,
        cleaves=int(cleaves.iloc[-1]) if len(cleaves) else 0,
        since=start,
        reached=full.iloc[0] if len(full) else None,
    )


def _positions_used(turns: pd.DataFrame) -> int | None:
    new = np.flatnonzero((turns["action"] == "blade replaced").to_numpy())
    return int(len(turns) - new[-1]) if len(new) else None


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
    interval = crew.service.by_action[action]
    done = service.loc[
        (service["action"] == action) & (service["serviced_at"] <= now), "serviced_at"
    ]
    if done.empty:
        return Due(action, None, None, None, None, None)
    last = done.max()
    after = use[use["at"] > last].sort_values("at")
    days, count = (now - last) / DAY, after["splices"].cumsum()
    total = int(count.iloc[-1]) if len(count) else 0
    shares, reached = [], []
    if interval.days is not None:
        shares.append(days / interval.days)
        if shares[-1] >= 1:
            reached.append(last + interval.days * DAY)
    if interval.splices is not None:
        shares.append(total / interval.splices)
        if shares[-1] >= 1:
            reached.append(after.loc[count >= interval.splices, "last"].iloc[0])
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
    for name, mine in use.groupby("splicer"):
        own = service[service["asset"] == name]
        for action in crew.service.by_action:
            told = _due_finding(str(name), due(action, mine, own, crew, now), mine, crew, now)
            found += [told] if told is not None else []
    for cleaver, mine in use.groupby("cleaver"):
        blade = blade_state(str(cleaver), mine, service, crew.blade.cleaves_per_position)
        if blade is not None and blade.reached is not None:
            found.append(_blade_finding(blade, blade.reached, crew, now))
    return found


def _due_finding(
    splicer: str, state: Due, use: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> Finding | None:
    latest = use["last"].max()
    if state.share is None or state.reached is None or latest < state.reached:
        return None
    interval = crew.service.by_action[state.action]
    limits = [
        f"{interval.days:g} days" if interval.days is not None else "",
        f"{interval.splices:,} splices" if interval.splices is not None else "",
    ]
    return Finding(
        kind="service-due",
        subject_type="splicer",
        subject_id=splicer,
        since=state.reached.to_pydatetime(),
        until=latest.to_pydatetime(),
        severity=severity(latest, now, heavy=state.share >= HEAVY),
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
