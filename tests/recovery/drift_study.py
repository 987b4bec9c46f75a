"""Detection delays of the arc chart for a step and a drift, and its run length without either.

Run by hand; some minutes::

    python -m tests.recovery.drift_study [--crews 48] [--life 1000000000]

Eight sister splicers a crew (`tests.analysis.arc.arc_truth`); one of them steps by two standard
deviations of a check, or drifts by 0.05 a check, from its 151st check on. ``--life`` is how many
arcs a pair of electrodes lasts: at 2,500 there is a new pair every 50 checks, whose unknown level
hides part of a drift. Steps that outlive a replacement begin one to four checks before it.
"""

import argparse
from collections.abc import Callable

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_drift import drift_charts
from arcdrift.arrays import Bools, Floats
from tests.analysis.arc.arc_truth import SD, simulated_points, step_through_replacement

BEGINS, FOLLOWED = 150, 80


def delays(fault: Callable[[Floats], Floats], seeds: range, run_length: float, life: int) -> Floats:
    """Number of checks from the fault to the alarm, for each crew; infinite without an alarm."""
    found = []
    for seed in seeds:
        points, _ = simulated_points(
            8, BEGINS + FOLLOWED, seed, fault=fault, faulty=("s0",), life=life
        )
        found.append(_delay(_alarms(points, run_length), BEGINS))
    return np.array(found)


def outliving(size: float, seeds: range, run_length: float) -> tuple[Floats, Floats]:
    """Checks from a step through a replacement to the alarm, counted from its onset and from it.

    Parameters
    ----------
    size : float
        Standard deviations of a check; the step begins one to four checks before the fourth pair.

    Returns
    -------
    since_onset, since_replacement : array of shape (crews,)
        Infinite without an alarm.
    """
    since_onset, since_replacement = [], []
    for seed in seeds:
        points, onset, replaced = step_through_replacement(
            BEGINS + FOLLOWED, seed, lead=1 + seed % 4, size=size
        )
        alarms = _alarms(points, run_length)
        since_onset.append(_delay(alarms, onset))
        since_replacement.append(_delay(alarms, replaced))
    return np.array(since_onset), np.array(since_replacement)


def _alarms(points: pd.DataFrame, run_length: float) -> Bools:
    """Whether each check of the faulty splicer raised an alarm, in time order."""
    charted = points.join(drift_charts(points, run_length).checks)
    return charted[charted["splicer"] == "s0"].sort_values("checked_at")["alarm"].to_numpy(bool)


def _delay(alarms: Bools, begins: int) -> float:
    """Checks from one of them to the first alarm; infinite without an alarm."""
    since = np.flatnonzero(alarms[begins:])
    return since[0] + 1.0 if len(since) else np.inf


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Delays and run length of the arc's chart.")
    parser.add_argument("--crews", type=int, default=48)
    parser.add_argument("--life", type=int, default=10**9)
    parser.add_argument("--run-length", type=float, default=370.0)
    asked = parser.parse_args()
    faults: dict[str, Callable[[Floats], Floats]] = {
        "step of 2 sd": lambda day: np.where(day >= BEGINS, 2.0 * SD, 0.0),
        "drift of 0.05 sd a check": lambda day: 0.05 * SD * np.maximum(day - BEGINS + 1, 0.0),
    }
    lines = []
    for number, (name, fault) in enumerate(faults.items()):
        seeds = range(5000 + 1000 * number, 5000 + 1000 * number + asked.crews)
        found = delays(fault, seeds, asked.run_length, asked.life)
        middle, late = np.quantile(found, [0.5, 0.95], method="higher")
        lines.append(f"{name}: found in {middle:.0f} checks (median), 95 % within {late:.0f}")
    for size in (3.0, 10.0):
        found, again = outliving(size, range(9000, 9000 + asked.crews), asked.run_length)
        lines.append(
            f"step of {size:.0f} sd through a replacement: {(found <= 10).mean():.0%} found within "
            f"10 checks, {(found <= 22).mean():.0%} within 22, median "
            f"{np.quantile(found, 0.5, method='higher'):.0f}; {(again <= 22).mean():.0%} within 22 "
            "of the replacement"
        )
    judged = alarms = 0
    for seed in range(7000, 7000 + asked.crews // 3):
        points, _ = simulated_points(8, 400, seed, life=asked.life)
        charted = drift_charts(points, asked.run_length).checks
        alarms += int(charted["alarm"].sum())
        judged += int(charted["z"].notna().sum())
    lines.append(f"no fault: {judged} checks, {alarms} alarms, one in {judged / alarms:.0f}")
    print("\n".join(lines))  # noqa: T201 - this is what it is run for


if __name__ == "__main__":
    main()
