"""Calibration of the probabilities given by advice, at random times, against the truth.

Run by hand; some minutes::

    python -m tests.recovery.calibration --crews 12
"""

import argparse

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from arcdrift.simulate import invented_crew, load_plan, simulate_frames
from arcdrift.simulate.crew.fault_plans import add_faults
from tests.recovery.advice_answers import ask

EDGES = (0.0, 0.02, 0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 0.98, 1.0)
PLANS = (None, "altitude-move", "cold-front", "nights-and-rooms")


def reliability(answers: pd.DataFrame) -> pd.DataFrame:
    """Share truly off by bins of the given probability, with its Wilson interval."""
    bin_number = np.searchsorted(EDGES[1:-1], answers["probability"], side="right")
    rows = []
    for number, part in answers.groupby(bin_number):
        off = int(part["off"].sum())
        low, high = proportion_confint(off, len(part), method="wilson")
        rows.append(
            {
                "from": EDGES[number],
                "to": EDGES[number + 1],
                "asked": len(part),
                "told": part["probability"].mean(),
                "truly_off": off / len(part),
                "low": low,
                "high": high,
            }
        )
    return pd.DataFrame(rows)


def crews(number: int, first_seed: int = 900) -> pd.DataFrame:
    """Answers on a number of crews, with the plans in turn."""
    parts = []
    for seed in range(first_seed, first_seed + number):
        scenario = invented_crew(seed=seed)
        name = PLANS[seed % len(PLANS)]
        if name is not None:
            scenario = add_faults(scenario, load_plan(name))
        parts.append(ask(simulate_frames(scenario), seed).assign(plan=name or "healthy"))
    return pd.concat(parts, ignore_index=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--crews", type=int, default=12)
    answers = crews(parser.parse_args().crews)
    print(reliability(answers).round(3).to_string(index=False))  # noqa: T201 - what it is run for


if __name__ == "__main__":
    main()
