"""Time a simulation: seconds, splices a second and peak memory.

Run by hand: ``python tests/benchmarks/bench_simulate.py [splicers] [days] [splices a day]
[csv|parquet|frames]``. The fleet-year is ``500 365 80``.
"""

import resource
import sys
import tempfile
import time
from pathlib import Path

from arcdrift.simulate import invented_crew, simulate, simulate_frames
from arcdrift.simulate.output.log_files import FORMATS


def main(splicers: int, days: int, splices_per_day: float, form: str) -> None:
    """Print the figures of one simulation."""
    scenario = invented_crew(splicers=splicers, days=days, splices_per_day=splices_per_day)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        started = time.perf_counter()
        if form == "frames":
            made = len(simulate_frames(scenario)["splices"])
        else:
            (known,) = (known for known in FORMATS if known == form)
            truth = simulate(scenario, folder, log_format=known)
            made = sum(n["rows"] for file, n in truth.files.items() if file.startswith("splices"))
        seconds = time.perf_counter() - started
        size = sum(path.stat().st_size for path in folder.iterdir())
    # kilobytes on Linux, bytes on macOS
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    peak_mb = peak / (1e6 if sys.platform == "darwin" else 1e3)
    sys.stdout.write(
        f"{splicers} splicers, {days} days, {form}: {made:,} splices, {size / 1e6:,.0f} MB, "
        f"{seconds:.1f} s, {made / seconds:,.0f} splices/s, peak {peak_mb:,.0f} MB\n"
    )


if __name__ == "__main__":
    given = sys.argv[1:]
    main(
        int(given[0]) if given else 50,
        int(given[1]) if len(given) > 1 else 365,
        float(given[2]) if len(given) > 2 else 80.0,
        given[3] if len(given) > 3 else "csv",
    )
