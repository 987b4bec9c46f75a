"""Recovery study: detection of planted faults, and false alarms of healthy crews.

Run by hand; it takes about an hour on two cores::

    python -m tests.recovery.study            # writes study.csv, study.md and plots
    python -m tests.recovery.study --quick    # fewer crews, a few minutes
    python -m tests.recovery.study --healthy  # false alarms and intervals of healthy crews only

Each healthy crew is kept in the folder of results, and a study that was stopped goes on with the
next one. The test suite runs the same measurements on fewer crews (``test_promises.py``).
"""

import argparse
import pickle
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
import plotly.graph_objects as go
from scipy.stats import chi2
from statsmodels.stats.proportion import proportion_confint

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.shares import Shares
from tests.recovery.crews import Run
from tests.recovery.promises import (
    EARLY_DAYS,
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
from tests.recovery.rotating_crews import rotating_crew

SPLICERS_OF_STREAMS = {50: 25, 300: 150}
"""Every simulated splicer works with two programs."""
DESIGNS: dict[str, Callable[..., Run]] = {"simulated": healthy, "rotating": rotating_crew}
CREWS = {("simulated", 50): 24, ("rotating", 50): 8, ("simulated", 300): 8}
"""Healthy crews by design and number of streams."""
QUICK_CREWS = {("simulated", 50): 3, ("rotating", 50): 1}
Job = tuple[str, int, int]
"""Design, streams and seed of a healthy crew."""


@dataclass(frozen=True)
class Healthy:
    """Measurements on one healthy crew-year."""

    design: str
    alarms: Alarms
    effects: pd.DataFrame
    required: pd.DataFrame
    people: pd.DataFrame
    wrong_statuses: int
    findings: dict[str, int]
    """Number of findings by kind."""


def healthy_crew(job: Job, folder: Path) -> Healthy:
    """Alarms, interval coverage and wrong statuses of one healthy crew-year, kept in a folder."""
    design, streams, seed = job
    path = folder / f"{design}-{streams}-{seed}.pickle"
    if path.exists():
        measured: Healthy = pickle.loads(path.read_bytes())  # noqa: S301 - written by this study
        return measured
    run = DESIGNS[design](seed, splicers=SPLICERS_OF_STREAMS[streams])
    effects, required = effect_coverage(run), required_coverage(run)
    people = technician_coverage(run)
    found = Counter(finding.kind for finding in run.findings)
    crew = Healthy(
        design, count_alarms(run), effects, required, people, wrong_statuses(run), dict(found)
    )
    path.write_bytes(pickle.dumps(crew))
    return crew


def planted(job: tuple[str, int]) -> dict[str, Any]:
    """Outcome of one scenario with one seed."""
    name, seed = job
    run, outcome = try_scenario(name, seed)
    return vars(outcome) | {"seed": seed, "wrong_statuses": wrong_statuses(run),
                           "days_not_judged": days_not_judged(run)}  # fmt: skip


def alarm_table(seen: Iterable[Healthy]) -> pd.DataFrame:
    """Ratio of alarms to the budget, by design, crew size and chart, with a Poisson 95 % interval.

    The interval is exact (Garwood 1936, Biometrika 28, 437-442).
    """
    rows = []
    shares = Shares().model_dump()
    frame = pd.DataFrame(
        [
            {"design": crew.design, **vars(crew.alarms), **crew.alarms.counts}
            | {f"early {name}": count for name, count in crew.alarms.early.items()}
            for crew in seen
        ]
    )
    for (design, streams), crews in frame.groupby(["design", "streams"], sort=False):
        allowed = float((crews["months"] * crews["budget"]).sum())
        first = float((EARLY_DAYS / WORKDAYS_PER_MONTH * crews["budget"]).sum())
        charts = [(name, [name], share) for name, share in shares.items()]
        for chart, names, share in [*charts, ("all charts", list(shares), 1.0)]:
            early = [f"early {name}" for name in names]
            for period, columns, expected in (
                ("all year", names, allowed * share), ("months 1-2", early, first * share)
            ):  # fmt: skip
                count = int(crews[columns].to_numpy().sum())
                low, high = poisson_interval(count)
                rows.append(
                    {"design": design, "streams": streams, "crews": len(crews), "chart": chart,
                     "period": period, "alarms": count, "allowed": round(expected, 1),
                     "ratio": count / expected, "low": low / expected, "high": high / expected}
                )  # fmt: skip
    return pd.DataFrame(rows)


def poisson_interval(count: int) -> tuple[float, float]:
    """95 % interval of the mean of a Poisson count."""
    low = float(chi2.ppf(0.025, 2 * count)) / 2 if count else 0.0
    return low, float(chi2.ppf(0.975, 2 * count + 2)) / 2


def findings_table(seen: Iterable[Healthy]) -> pd.DataFrame:
    """Findings a month of healthy crews by kind; those of no chart are outside the budget."""
    rows = []
    frame = pd.DataFrame(
        [{"design": crew.design, **vars(crew.alarms), "found": crew.findings} for crew in seen]
    )
    for (design, streams), crews in frame.groupby(["design", "streams"], sort=False):
        total: Counter[str] = Counter()
        for found in crews["found"]:
            total.update(found)
        rows += [
            {"design": design, "streams": streams, "kind": kind, "findings": count,
             "a_month": count / crews["months"].sum()}
            for kind, count in sorted(total.items())
        ]  # fmt: skip
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


def _healthy_crews(
    pool: ProcessPoolExecutor, crews: dict[tuple[str, int], int], folder: Path
) -> list[Healthy]:
    jobs: list[Job] = [
        (design, streams, seed)
        for (design, streams), count in crews.items()
        for seed in range(1000, 1000 + count)
    ]
    seen: list[Healthy] = []
    for crew in pool.map(partial(healthy_crew, folder=folder), jobs):
        seen.append(crew)
        alarm_table(seen).to_csv(folder / "alarms-so-far.csv")
    return seen


def _planted_tables(pool: ProcessPoolExecutor, trials: int, pairs: int) -> dict[str, pd.DataFrame]:
    jobs = [(name, seed) for name in SCENARIOS for seed in range(trials)]
    outcomes = pd.DataFrame(list(pool.map(planted, jobs)))
    changes = [(name, seed) for name in HARMLESS for seed in range(200, 200 + pairs)]
    beside = list(pool.map(try_harmless, *zip(*changes, strict=True)))
    return {
        "Planted faults": scenario_table(outcomes),
        "Harmless changes": harmless_table(beside),
    }


def main() -> None:
    """Measure, print and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="fewer crews")
    parser.add_argument("--healthy", action="store_true", help="healthy crews only")
    parser.add_argument("--out", type=Path, default=Path("study"), help="folder for the results")
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    trials, pairs = (4, 4) if options.quick else (8, 12)
    options.out.mkdir(exist_ok=True)
    with ProcessPoolExecutor(options.processes) as pool:
        seen = _healthy_crews(pool, QUICK_CREWS if options.quick else CREWS, options.out)
        tables = {
            "False alarms against the budget": alarm_table(seen),
            "Findings of healthy crews": findings_table(seen),
            "Coverage of 95 % intervals": coverage_table(seen),
        }
        if not options.healthy:
            tables |= _planted_tables(pool, trials, pairs)
    wrong = sum(crew.wrong_statuses for crew in seen)
    text = [f"Check statuses that differ from the truth in healthy crews: {wrong}."]
    for title, table in tables.items():
        table.to_csv(options.out / f"{title.lower().replace(' ', '-').replace('%', 'pct')}.csv")
        text.append(f"## {title}\n\n```\n{table.round(3).to_string(index=False)}\n```")
    report = "\n\n".join(text)
    (options.out / "study.md").write_text(report, encoding="utf-8")
    print(report)  # noqa: T201 - this is what it is run for
    alarms = tables["False alarms against the budget"]
    alarms = alarms[alarms["period"] == "all year"].assign(
        row=lambda t: t["design"] + ", " + t["streams"].astype(str) + " streams, " + t["chart"]
    )
    figures = {
        "alarms": bars(alarms, "row", "ratio", "Alarms over budget, healthy crews", 1.0),
        "coverage": bars(
            tables["Coverage of 95 % intervals"], "interval", "coverage",
            "Share of 95 % intervals that hold the truth", 0.95,
        ),
    }  # fmt: skip
    if not options.healthy:
        figures["found"] = bars(
            tables["Planted faults"], "scenario", "found", "Share of planted faults found", None
        )
    for name, figure in figures.items():
        figure.write_html(options.out / f"{name}.html", include_plotlyjs=True)


if __name__ == "__main__":
    main()
