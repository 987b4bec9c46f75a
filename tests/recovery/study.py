"""Recovery study: detection of planted faults, and false alarms of healthy crews.

Run by hand; it takes about half an hour on two cores::

    python -m tests.recovery.study            # writes study.csv, study.md and plots
    python -m tests.recovery.study --quick    # fewer crews, a few minutes

The test suite runs the same measurements on fewer crews (``test_promises.py``).
"""

import argparse
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from statsmodels.stats.proportion import proportion_confint

from arcdrift.settings import Shares
from tests.recovery.promises import (
    HARMLESS,
    SCENARIOS,
    Alarms,
    HarmlessOutcome,
    count_alarms,
    days_not_judged,
    effect_coverage,
    healthy,
    required_coverage,
    technician_coverage,
    try_harmless,
    try_scenario,
    wrong_statuses,
)

SPLICERS_OF_STREAMS = {50: 25, 300: 150}
"""Every simulated splicer works with two programs."""


@dataclass(frozen=True)
class Healthy:
    """Measurements on one healthy crew-year."""

    alarms: Alarms
    effects: pd.DataFrame
    required: pd.DataFrame
    people: pd.DataFrame
    wrong_statuses: int


def healthy_crew(seed: int, *, splicers: int) -> Healthy:
    """Alarms, interval coverage and wrong statuses of one healthy crew-year."""
    run = healthy(seed, splicers=splicers)
    effects, required = effect_coverage(run), required_coverage(run)
    people = technician_coverage(run)
    return Healthy(count_alarms(run), effects, required, people, wrong_statuses(run))


def planted(job: tuple[str, int]) -> dict[str, Any]:
    """Outcome of one scenario with one seed."""
    name, seed = job
    run, outcome = try_scenario(name, seed)
    return vars(outcome) | {"seed": seed, "wrong_statuses": wrong_statuses(run),
                           "days_not_judged": days_not_judged(run)}  # fmt: skip


def alarm_table(alarms: Iterable[Alarms]) -> pd.DataFrame:
    """Ratio of alarms to the budget, by crew size and chart, with a Poisson 95 % interval."""
    rows = []
    frame = pd.DataFrame([vars(crew) | crew.counts for crew in alarms])
    shares = Shares().model_dump()
    for streams, crews in frame.groupby("streams"):
        allowed = (crews["months"] * crews["budget"]).sum()
        total = crews[list(shares)].sum(axis=1)
        parts = {name: (crews[name].sum(), allowed * share) for name, share in shares.items()}
        parts["all charts"] = (total.sum(), allowed)
        parts["all, months 1-2"] = (crews["early"].sum(), (2 * crews["budget"]).sum())
        for name, (seen, expected) in parts.items():
            half = 1.96 * np.sqrt(max(seen, 1))
            rows.append(
                {"streams": streams, "crews": len(crews), "chart": name, "alarms": int(seen),
                 "allowed": round(expected, 1), "ratio": seen / expected,
                 "low": max(seen - half, 0) / expected, "high": (seen + half) / expected}
            )  # fmt: skip
    return pd.DataFrame(rows)


def coverage_table(seen: list[Healthy]) -> pd.DataFrame:
    """Share of 95 % intervals that contain the truth, with its Wilson interval."""
    effects = pd.concat([crew.effects for crew in seen])
    named = [
        (f"{basis}: {effect}", part["inside"])
        for (basis, effect), part in effects.groupby(["basis", "effect"])
    ]
    rows = []
    named.append(("advised setting", pd.concat([crew.required for crew in seen])["inside"]))
    named.append(("technician effect", pd.concat([crew.people for crew in seen])["inside"]))
    for name, inside in named:
        low, high = proportion_confint(int(inside.sum()), len(inside), method="wilson")
        rows.append({"interval": name, "n": len(inside), "coverage": inside.mean(),
                     "low": low, "high": high})  # fmt: skip
    return pd.DataFrame(rows)


def scenario_table(outcomes: pd.DataFrame) -> pd.DataFrame:
    """Detection rate, median delay and onset error of each scenario."""
    rows = []
    for name, trials in outcomes.groupby("scenario", sort=False):
        low, high = proportion_confint(int(trials["found"].sum()), len(trials), method="wilson")
        rows.append(
            {"scenario": name, "trials": len(trials),
             "found": trials["found"].mean(), "low": low, "high": high,
             "delay_days": trials["delay"].median(),
             "onset_error_days": trials["onset_error"].abs().median(),
             "wrong_statuses": int(trials["wrong_statuses"].sum()),
             "days_not_judged": int(trials["days_not_judged"].sum())}
        )  # fmt: skip
    return pd.DataFrame(rows)


def harmless_table(seen: Iterable[HarmlessOutcome]) -> pd.DataFrame:
    """Arc alarms during harmless changes, and of the same crews without them."""
    frame = pd.DataFrame([vars(outcome) for outcome in seen])
    table = frame.groupby("scenario", sort=False).sum()
    table.insert(0, "crews", frame.groupby("scenario").size())
    return table.reset_index()


def bars(table: pd.DataFrame, label: str, value: str, title: str, line: float | None) -> go.Figure:
    """Points with their intervals, one per row."""
    figure = go.Figure(
        go.Scatter(
            x=table[value], y=table[label], mode="markers",
            error_x={"type": "data", "symmetric": False,
                     "array": table["high"] - table[value],
                     "arrayminus": table[value] - table["low"]},
        )
    )  # fmt: skip
    if line is not None:
        figure.add_vline(x=line, line_dash="dash")
    figure.update_layout(title=title, template="plotly_white", height=120 + 34 * len(table))
    return figure


def main() -> None:
    """Measure, print and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="fewer crews")
    parser.add_argument("--out", type=Path, default=Path("study"), help="folder for the results")
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    crews = {50: 3, 300: 0} if options.quick else {50: 12, 300: 3}
    trials, pairs = (4, 4) if options.quick else (8, 12)
    options.out.mkdir(exist_ok=True)
    with ProcessPoolExecutor(options.processes) as pool:
        seen: list[Healthy] = []
        for streams, count in crews.items():
            year: Callable[[int], Healthy] = partial(
                healthy_crew, splicers=SPLICERS_OF_STREAMS[streams]
            )
            seen += list(pool.map(year, range(1000, 1000 + count)))
        # the run takes half an hour: save first results in case it is interrupted
        for name, table in (("alarms", alarm_table(crew.alarms for crew in seen)),
                            ("coverage", coverage_table(seen))):  # fmt: skip
            table.to_csv(options.out / f"{name}-so-far.csv")
        jobs = [(name, seed) for name in SCENARIOS for seed in range(trials)]
        outcomes = pd.DataFrame(list(pool.map(planted, jobs)))
        changes = [(name, seed) for name in HARMLESS for seed in range(200, 200 + pairs)]
        beside = list(pool.map(try_harmless, *zip(*changes, strict=True)))
    tables = {
        "False alarms against the budget": alarm_table([crew.alarms for crew in seen]),
        "Coverage of 95 % intervals": coverage_table(seen),
        "Planted faults": scenario_table(outcomes),
        "Harmless changes": harmless_table(beside),
    }
    wrong = sum(crew.wrong_statuses for crew in seen)
    text = [f"Check statuses that differ from the truth in healthy crews: {wrong}."]
    for title, table in tables.items():
        table.to_csv(options.out / f"{title.lower().replace(' ', '-').replace('%', 'pct')}.csv")
        text.append(f"## {title}\n\n```\n{table.round(3).to_string(index=False)}\n```")
    report = "\n\n".join(text)
    (options.out / "study.md").write_text(report, encoding="utf-8")
    print(report)  # noqa: T201 - this is what it is run for
    alarms = tables["False alarms against the budget"].assign(
        row=lambda t: t["streams"].astype(str) + " streams, " + t["chart"]
    )
    figures = {
        "alarms": bars(alarms, "row", "ratio", "Alarms over budget, healthy crews", 1.0),
        "coverage": bars(
            tables["Coverage of 95 % intervals"], "interval", "coverage",
            "Share of 95 % intervals that hold the truth", 0.95,
        ),
        "found": bars(
            tables["Planted faults"], "scenario", "found", "Share of planted faults found", None
        ),
    }  # fmt: skip
    for name, figure in figures.items():
        figure.write_html(options.out / f"{name}.html", include_plotlyjs=True)


if __name__ == "__main__":
    main()
