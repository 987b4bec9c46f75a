"""Findings about preparation: raised or uneven angles, runs of bad cleaves, uneven hands."""

import json
from collections.abc import Collection
from typing import Any

import pandas as pd

from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.analysis.people.signatures import KINDS, Signature
from arcdrift.finding import Finding

Row = dict[Any, Any]

EPISODE_GAP = pd.Timedelta(days=28)
"""Runs of bad cleaves further apart than this are findings of their own."""
HEAVY = 0.5
"""Relative size from which a finding is severe (common practice, no source)."""
NOT_LOGGED = "not logged"
LONG_RUN = 5
"""Length from which a single run of bad cleaves is severe."""
GLASS = "Wear eye protection and collect every shard of glass."
_STEPS = {
    "technician": "Watch a few cleaves together on another cleaver, and compare; then practice.",
    "splicer": "Let somebody else use this splicer's cleaver elsewhere: if angles follow it, turn "
    "or replace its blade and clean its clamps.",
    "cleaver": "Turn the blade to its next position, or replace it after the last.",
}
_SIDES = {
    "technician": "Watch how the fiber is laid into the cleaver and holder on that side.",
    "splicer": "Clean and check that side's fiber holder and clamp, and swap the holders left to "
    "right: if the bad side moves with it, it is the holder.",
    "cleaver": "Clean and check the cleaver's clamps and fiber guides.",
}


def prep_findings(
    signatures: list[Signature],
    machines: pd.DataFrame,
    runs: pd.DataFrame,
    uneven_hands: pd.DataFrame,
    now: pd.Timestamp,
    last_positions: Collection[str] = (),
) -> list[Finding]:
    """Return a finding for every person or machine whose preparation stands out.

    Parameters
    ----------
    signatures : list of Signature
    machines : DataFrame
        Splicers and cleavers whose angles stand out in all hands: rows of
        `arcdrift.analysis.people.prep_effects.PrepEffects.effects` with ``since`` and ``until``.
    runs : DataFrame
        `arcdrift.analysis.people.cleave_runs.cleave_runs`, all splicers together.
    uneven_hands : DataFrame
        Rows of `arcdrift.analysis.people.within_day_spread.within_day_spread` that stand out, with
        ``since`` and ``until``.
    last_positions : collection of str
        Cleavers whose blade has no further position.
    """
    findings = [
        _signature_finding(signature, now) for signature in signatures if signature.kind in _KINDS
    ]
    findings += [_machine_finding(row, now) for row in machines.to_dict("records")]
    findings += _run_findings(runs, now, last_positions) if len(runs) else []
    findings += [_spread_finding(row, now) for row in uneven_hands.to_dict("records")]
    return findings


_KINDS = {"both-sides": "cleave-raised", "blade-worn": "cleave-raised", "one-side": "cleave-uneven"}


def _signature_finding(signature: Signature, now: pd.Timestamp) -> Finding:
    kind = _KINDS[signature.kind]
    step = (_SIDES if kind == "cleave-uneven" else _STEPS)[signature.subject_type]
    return Finding(
        kind=kind,
        subject_type=signature.subject_type,
        subject_id=signature.subject,
        since=signature.since.to_pydatetime(),
        until=signature.until.to_pydatetime(),
        severity=severity(signature.until, now, heavy=signature.estimate >= HEAVY),
        evidence={
            "signature": KINDS[signature.kind].lower(),
            "angle_change_pct": 100 * signature.estimate,
            "angle_change_low_pct": 100 * signature.low,
            "angle_change_high_pct": 100 * signature.high,
            "splices": signature.splices,
            "days": signature.days,
        },
        summary=f"{signature.subject}: {signature.words}",
        next_step=f"{step} {GLASS}",
        assessed_on=now.to_pydatetime(),
    )


def _machine_finding(row: Row, now: pd.Timestamp) -> Finding:
    who = str(row["who"])
    return Finding(
        kind="cleave-raised",
        subject_type=who,
        subject_id=str(row["name"]),
        since=row["since"].to_pydatetime(),
        until=row["until"].to_pydatetime(),
        severity=severity(row["until"], now, heavy=row["effect"] >= HEAVY),
        evidence={
            "signature": "high angles whoever cleaves",
            "angle_change_pct": 100 * row["effect"],
            "angle_change_low_pct": 100 * row["low"],
            "angle_change_high_pct": 100 * row["high"],
            "splices": int(row["splices"]),
            "days": int(row["days"]),
        },
        summary=(
            f"{row['name']}: cleave angles {row['effect']:+z.0%} against the median of the "
            f"other {who}s, whoever cleaved ({row['low']:+z.0%} to {row['high']:+z.0%}, "
            f"{int(row['splices']):,} splices)."
        ),
        next_step=f"{_STEPS[who]} {GLASS}",
        assessed_on=now.to_pydatetime(),
    )


def _run_findings(
    runs: pd.DataFrame, now: pd.Timestamp, last_positions: Collection[str]
) -> list[Finding]:
    findings = []
    for name, subset in runs[runs["technician"] != NOBODY].groupby("technician"):
        for labels in episodes(subset["began"], EPISODE_GAP):
            rows = subset.loc[labels]
            last, worst = rows["ended"].max(), float(rows["worst_deg"].max())
            where = ", ".join(sorted(set(rows["splicer"].astype(str))))
            longest, count = int(rows["length"].max()), len(rows)
            blade = rows.iloc[-1][["cleaver", "blade_position"]].astype(object).fillna(NOT_LOGGED)
            turn = (
                "replace it, as it is on its last position"
                if blade["cleaver"] in last_positions
                else "turn it to its next position"
            )
            findings.append(
                Finding(
                    kind="cleave-run",
                    subject_type="technician",
                    subject_id=str(name),
                    since=rows["began"].min().to_pydatetime(),
                    until=last.to_pydatetime(),
                    severity=severity(last, now, heavy=longest >= LONG_RUN or count > 1),
                    evidence={
                        "runs": count,
                        "longest_run": longest,
                        "worst_angle_deg": worst,
                        "splicers": sorted(set(rows["splicer"].astype(str))),
                        "cleaver": str(blade["cleaver"]),
                        "blade_position": str(blade["blade_position"]),
                        "splice_ids": json.loads(rows["splices"].iloc[-1]),
                    },
                    summary=(
                        f"{name}: {count} {'run' if count == 1 else 'runs'} of bad cleaves on "
                        f"{where}, the longest of {longest} in a row, worst {worst:.1f}°."
                    ),
                    next_step=f"Look at the blade of {_cleaver_text(blade)} first: {turn}, and "
                    f"clean the clamps before anything is said about the hand. {GLASS}",
                    assessed_on=now.to_pydatetime(),
                )
            )
    return findings


def _cleaver_text(blade: pd.Series) -> str:
    """Name a cleaver and, where it was logged, the position of its blade."""
    if blade["cleaver"] == NOT_LOGGED:
        return "the cleaver used (its name was not logged)"
    if blade["blade_position"] == NOT_LOGGED:
        return f"cleaver {blade['cleaver']}"
    return f"cleaver {blade['cleaver']} (position {blade['blade_position']})"


def _spread_finding(row: Row, now: pd.Timestamp) -> Finding:
    values = {"angle": "cleave angles", "loss": "losses"}[str(row["measure"])]
    return Finding(
        kind="prep-inconsistent",
        subject_type="technician",
        subject_id=str(row["technician"]),
        since=row["since"].to_pydatetime(),
        until=row["until"].to_pydatetime(),
        severity=severity(row["until"], now, heavy=row["ratio"] - 1 >= HEAVY),
        evidence={
            "measure": values,
            "spread_over_crew": row["ratio"],
            "spread_over_crew_low": row["low"],
            "spread_over_crew_high": row["high"],
            "splices": int(row["splices"]),
            "days": int(row["days"]),
        },
        summary=(
            f"{row['technician']}: {values} scatter {row['ratio']:.2f} times as much within a day "
            f"as others' on the same splicers ({row['low']:.2f} to {row['high']:.2f}, "
            f"{int(row['splices']):,} splices)."
        ),
        next_step="Go through stripping, cleaning and cleaving step by step together, and have "
        f"every step done the same way each time. {GLASS}",
        assessed_on=now.to_pydatetime(),
    )
