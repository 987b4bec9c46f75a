"""How often errors of a healthy crew point to something, and how often a fault is pointed to.

Run by hand: ``python -m tests.recovery.hint_study [RUNS]``.
"""

import sys

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.hints.comparisons import POINTS_TO
from arcdrift.analysis.attempts.hints.error_hints import error_hints
from tests.recovery.error_crews import ErrorCrew

LAST = pd.Timestamp("2026-05-04 18:00", tz="UTC")
FAULTS = {
    "clamp of S3, x4": [({"splicer": "S3"}, "fiber_position", 4.0)],
    "hands of P2, x4": [({"technician": "P2"}, "fiber_position", 4.0)],
    "blade 3 of C4, x6": [({"cleaver": "C4", "blade_position": "3"}, "cleave_angle", 6.0)],
    "dust at site 1, x4": [({"site": "site 1"}, "fiber_not_seen", 4.0)],
    "electrodes of S5, x5": [({"splicer": "S5"}, "arc", 5.0)],
}


def false_hints(crew: ErrorCrew, runs: int, looks: int, seed: int) -> tuple[float, float]:
    """Share of healthy quarters with a hint, and with anything said, at any of some looks."""
    rng = np.random.default_rng(seed)
    hinted = told = 0
    for _ in range(runs):
        log = crew.log(rng)
        verdicts = [
            error_hints(*log, LAST - pd.Timedelta(weeks=13 * look / looks))["verdict"]
            for look in range(looks)
        ]
        hinted += any((found == POINTS_TO).any() for found in verdicts)
        told += any(len(found) for found in verdicts)
    return hinted / runs, told / runs


def main() -> None:
    """Measure and print."""
    runs, lines = int(sys.argv[1]) if len(sys.argv) > 1 else 100, []
    for name, crew in (
        ("8 splicers, one look", ErrorCrew()),
        ("8 splicers, every week of a quarter", ErrorCrew(weeks=26)),
        ("3 splicers, every week of a quarter", ErrorCrew(splicers=3, people=4, weeks=26)),
        ("30 splicers, one look", ErrorCrew(splicers=30, people=34)),
        ("8 splicers, people differ more", ErrorCrew(person_sd=0.35, splicer_sd=0.3)),
    ):
        hinted, told = false_hints(crew, runs, 13 if "every" in name else 1, 1)
        lines.append(
            f"{name}: {100 * hinted:.1f} % of quarters with a hint, {100 * told:.1f} % with any"
        )
    for name, faults in FAULTS.items():
        rng, right, others = np.random.default_rng(2), 0, 0
        for _ in range(runs):
            found = error_hints(*ErrorCrew(swaps=0.6, faults=faults).log(rng), LAST)
            found = found[found["verdict"] == POINTS_TO]
            names = found["subject"].str.cat(found["detail"])
            wanted = "".join(faults[0][0].values())
            right += (names == wanted).any()
            others += (names != wanted).any()
        lines.append(
            f"{name}: pointed to in {100 * right / runs:.0f} %, something else in "
            f"{100 * others / runs:.0f} %"
        )
    print("\n".join(lines))  # noqa: T201 - this is what it is run for


if __name__ == "__main__":
    main()
