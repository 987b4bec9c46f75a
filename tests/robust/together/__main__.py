"""By hand: ``python -m tests.robust.together [--seconds 120] [--postgresql]``."""

import argparse
import os
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

from tests.postgresql_server import Server, started_server
from tests.robust.together.crew_files import MIDDLE
from tests.robust.together.readers import Timed
from tests.robust.together.storm import Crowd, Outcome, storm


def main() -> int:
    """Let four importers, two analyzers and twenty readers work at once; print what came of it."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.robust.together", description=main.__doc__
    )
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--postgresql", action="store_true")
    chosen = parser.parse_args()
    make_store = lambda: None  # noqa: E731 - the file of the crew folder
    if chosen.postgresql:
        server = started_server(durable=True)
        if not isinstance(server, Server):
            sys.stdout.write(f"needs PostgreSQL: {server}\n")
            return 2
        make_store = lambda: server.address(server.new_database())  # noqa: E731
    crowd = Crowd(4, 2, 20, 2, chosen.seconds, 20.0, 5.0, processes=True)
    sys.stdout.write(f"load of the machine before: {os.getloadavg()[0]:.1f}\n")
    with tempfile.TemporaryDirectory() as folder:
        outcome = storm(Path(folder), MIDDLE, crowd, make_store)
    sys.stdout.write(report(outcome))
    return bool(outcome.wrong)


def report(outcome: Outcome) -> str:
    """Return the 95th percentiles of readers, how the commands did, and what went wrong."""
    alone, crowded = _seconds(outcome.alone), _seconds(outcome.crowded)
    lines = [f"{'p95 of a reader, s':24}{'n':>6}{'alone':>8}{'among all':>11}{'ratio':>7}"]
    for what in sorted(crowded, key=lambda what: what != "everything"):
        among = np.percentile(crowded[what], 95)
        by_itself = np.percentile(alone[what], 95) if alone.get(what) else np.nan
        lines.append(
            f"{what:24}{len(crowded[what]):6}{by_itself:8.2f}{among:11.2f}{among / by_itself:7.1f}"
        )
    for name, done in outcome.commands.items():
        took = [each.seconds for each in done]
        lines.append(
            f"{name}: {len(done)} times, p50 {np.median(took):.1f} s, "
            f"p95 {np.percentile(took, 95):.1f} s"
        )
    lines.append(f"{outcome.files} files came in; pages compared: {outcome.compared}")
    lines.append(f"said: {', '.join(f'{k} {v}' for k, v in sorted(outcome.said.items()))}")
    lines.append(f"stopped in {outcome.stop_s:.1f} s; then {outcome.cut_off} found no server")
    lines += (
        [f"WRONG ({len(outcome.wrong)}):", *(each[:6000] for each in outcome.wrong[:60])]
        if outcome.wrong
        else ["All well."]
    )
    return "\n".join(lines) + "\n"


def _seconds(timed: list[Timed]) -> dict[str, list[float]]:
    found = defaultdict(list)
    for each in timed:
        found[each.what].append(each.seconds)
        found["everything"].append(each.seconds)
    return found


if __name__ == "__main__":
    sys.exit(main())
