"""Time crossed effects of a crew-year: 30 technicians, 30 splicers, some 600,000 splices.

Run by hand::

    python -m tests.benchmarks.bench_prep [--splices-per-day 83]

Prints seconds of summing splices up, and of the four crossed models, against the 10 s wanted.
"""

import argparse
import time

import pandas as pd

from arcdrift.analysis.common.days import workdays
from arcdrift.analysis.common.places import find_places
from arcdrift.analysis.loss.acceptance.accepted_limits import splice_limits
from arcdrift.analysis.loss.technician_days import aggregate_technician_days
from arcdrift.analysis.people.prep_effects import PrepEffects, prep_effects
from arcdrift.simulate import invented_crew, simulate_frames
from tests.stream_days import stream_days


def main() -> None:
    """Simulate, sum up, fit, print."""
    parser = argparse.ArgumentParser(description="Time crossed effects of a crew-year.")
    parser.add_argument("--splices-per-day", type=float, default=83.0)
    options = parser.parse_args()
    made = simulate_frames(
        invented_crew(
            splicers=30, technicians=30, days=365, splices_per_day=options.splices_per_day, seed=5
        )
    )
    splices, crew = made["splices"], made.crew
    parts, summing = [], 0.0
    for _, mine in splices[splices["purpose"] == "production"].groupby("splicer"):
        own = mine.reset_index(drop=True)
        day, days = (
            workdays(own, crew, "spliced_at"),
            stream_days(own, made["service"][:0], crew),
        )
        # the air is joined for other questions anyway, so it is not timed here
        air = pd.DataFrame({"air_density": 1.2, "vapor_pressure": 10.0}, index=own.index)
        started = time.perf_counter()
        places = find_places(own, day, splice_limits(own, crew, "single_db"))
        parts.append(aggregate_technician_days(own, air, day, days, places, crew))
        summing += time.perf_counter() - started
    cells = pd.concat(parts, ignore_index=True)
    started = time.perf_counter()
    told = prep_effects(cells)
    fitting = time.perf_counter() - started
    assert isinstance(told, PrepEffects)
    print(  # noqa: T201 - this is what it is run for
        f"{len(splices):,} splices, {len(cells):,} cells: summing {summing:.1f} s, "
        f"four crossed models {fitting:.1f} s, together {summing + fitting:.1f} s"
    )


if __name__ == "__main__":
    main()
