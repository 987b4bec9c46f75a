"""How right and how fair the figures about people are, on crews whose truth is known.

Run by hand; about a minute a crew::

    python -m tests.recovery.prep_study [--crews 10] [--days 180]

Careless crews: 30 people on 30 splicers, three of them careless, two splicers that lose far more
and people who hardly swap. Healthy crews of the same size say how often intervals hold the truth
and how many findings are false. The suite runs a short form (``test_prep_promises.py``).
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, time
from functools import partial

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from arcdrift.analysis.common.days import workdays
from arcdrift.analysis.loss.day_level import ratio_of, relative_level
from arcdrift.analysis.loss.stream_days import aggregate_stream_days
from arcdrift.analysis.loss.technician_days import NOBODY, aggregate_technician_days
from arcdrift.analysis.maintenance.service_findings import usage_by_hour
from arcdrift.analysis.people.cleave_runs import cleave_runs, practice_splices
from arcdrift.analysis.people.prep_review import review_prep
from arcdrift.finding import Finding
from arcdrift.simulate import Fault, Habits, Scenario, SimulatedCrew, invented_crew, simulate_frames

WORST = 1.7
"""Factor on the loss of the two worst splicers."""
CARELESS = 1.35
SURE = 0.99
MARGIN = 0.10


@dataclass(frozen=True)
class Looked:
    """One crew: its truth, its cells, and what a review says of its people."""

    made: SimulatedCrew
    cells: pd.DataFrame
    effects: pd.DataFrame
    findings: list[Finding]

    def people(self, measure: str) -> pd.DataFrame:
        """Effects of technicians on one measure, where there is a figure."""
        rows = self.effects
        rows = rows[(rows["who"] == "technician") & (rows["measure"] == measure)]
        return rows.dropna(subset=["effect"]).reset_index(drop=True)


def crew(seed: int, *, people: int = 30, days: int = 180, careless: int = 3) -> Scenario:
    """A crew that hardly swaps, with two bad splicers and some careless hands."""
    plain = invented_crew(
        splicers=people, technicians=people + 2, days=days, splices_per_day=40, seed=seed,
        habits=Habits(swaps=0.4),
    )  # fmt: skip
    splicers = tuple(
        replace(one, loss_factor=one.loss_factor * WORST) if number < 2 and careless else one
        for number, one in enumerate(plain.splicers)
    )
    rng = np.random.default_rng([seed, 3])
    chosen = rng.choice(people, careless, replace=False)
    start = datetime.combine(plain.start, time())
    faults = tuple(
        Fault("careless", plain.technicians[number].name, start, None, CARELESS, "")
        for number in chosen
    )
    return replace(plain, splicers=splicers, faults=faults)


def look(scenario: Scenario) -> Looked:
    """Simulate a crew and look at its hands as a review does, but for the air."""
    made = simulate_frames(scenario)
    parts, runs, practice = [], [], []
    for _, mine in made["splices"].groupby("splicer"):
        whole = mine.reset_index(drop=True)
        own = whole[whole["purpose"] == "production"].reset_index(drop=True)
        day = workdays(own, made.crew, "spliced_at")
        air = pd.DataFrame({"air_density": np.nan, "vapor_pressure": np.nan}, index=own.index)
        days = aggregate_stream_days(own, made["service"][:0], made.crew)
        parts.append(aggregate_technician_days(own, air, day, days, made.crew))
        runs.append(cleave_runs(own, day, made.crew))
        practice.append(practice_splices(whole))
    cells = pd.concat(parts, ignore_index=True)
    found = [one for one in runs if len(one)] or runs[:1]
    now = made["splices"]["spliced_at"].max()
    told = review_prep(
        cells, pd.concat(found, ignore_index=True), pd.concat(practice, ignore_index=True),
        usage_by_hour(made["splices"]), made["service"], made.crew, now,
    )  # fmt: skip
    return Looked(made, cells, told.frames["result_people"], told.findings)


def holders(cells: pd.DataFrame, worst: list[str]) -> list[str]:
    """Who worked most on each of the worst splicers."""
    work = cells[cells["technician"] != NOBODY]
    made = work.groupby(["splicer", "technician"])["made"].sum()
    return [str(made[name].idxmax()) for name in worst]


def careless_outcome(seed: int, **size: int) -> dict[str, int]:
    """How many careless people are in the top five, and who was labeled wrongly."""
    scenario = crew(seed, **size)
    seen = look(scenario)
    guilty = {fault.subject for fault in scenario.faults}
    table = seen.people("loss")
    top = set(table.sort_values("low", ascending=False)["name"].head(5))
    labeled = set(table.loc[table["sure"] >= SURE, "name"])
    unlucky = set(holders(seen.cells, [one.name for one in scenario.splicers[:2]])) - guilty
    truth = true_effects(seen.made, "loss")
    innocent = {name for name in labeled - guilty if truth[name] < MARGIN}
    return {
        "seed": seed, "careless": len(guilty), "in_top_five": len(guilty & top),
        "labeled": len(guilty & labeled), "holders": len(unlucky),
        "holders_labeled": len(unlucky & labeled), "labeled_wrongly": len(innocent),
        "people": len(table),
    }  # fmt: skip


def true_effects(made: SimulatedCrew, measure: str) -> pd.Series:
    """True relative effect of each technician against the crew's average."""
    people = made.truth.technicians
    key = "log_mean_loss" if measure == "loss" else "cleave_median_deg"
    value = pd.Series({name: row[key] for name, row in people.items()}, dtype=float)
    if measure == "angle":
        log = np.log(value)
        return np.expm1(log - log.mean())
    level = pd.Series(relative_level(np.exp(value.to_numpy())), index=value.index)
    return pd.Series(ratio_of((level - level.mean()).to_numpy()) - 1.0, index=value.index)


def healthy_outcome(seed: int, **size: int) -> dict[str, float]:
    """Interval hits of a healthy crew, and findings about people or machines that are false."""
    seen = look(crew(seed, careless=0, **size))
    told: dict[str, float] = {"seed": seed, "people": len(seen.made.truth.technicians)}
    for measure in ("loss", "angle"):
        table = seen.people(measure).set_index("name")
        truth = true_effects(seen.made, measure).reindex(table.index)
        told[f"{measure}_inside"] = int(((table["low"] <= truth) & (truth <= table["high"])).sum())
        told[f"{measure}_n"] = len(table)
    angle = true_effects(seen.made, "angle")
    raised = [one for one in seen.findings if one.kind == "cleave-raised"]
    people = [one for one in raised if one.subject_type == "technician"]
    told["raised_truly"] = sum(angle[one.subject_id] >= MARGIN for one in people)
    told["raised_falsely"] = len(raised) - int(told["raised_truly"])
    for kind in ("cleave-run", "cleave-uneven", "prep-inconsistent"):
        told[kind] = sum(one.kind == kind for one in seen.findings)
    return told


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="How right figures about people are.")
    parser.add_argument("--crews", type=int, default=10)
    parser.add_argument("--days", type=int, default=180)
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.processes) as pool:
        guilty = list(pool.map(partial(careless_outcome, days=options.days), range(options.crews)))
        half = range(500, 500 + max(options.crews // 2, 1))
        sound = list(pool.map(partial(healthy_outcome, days=options.days), half))
    careless, healthy = pd.DataFrame(guilty), pd.DataFrame(sound)
    lines = ["Careless crews", careless.to_string(index=False), "", "Healthy crews",
             healthy.to_string(index=False), ""]  # fmt: skip
    for measure in ("loss", "angle"):
        hits, n = int(healthy[f"{measure}_inside"].sum()), int(healthy[f"{measure}_n"].sum())
        low, high = proportion_confint(hits, n, method="wilson")
        lines.append(f"95 % intervals on {measure} hold the truth: {hits} of {n}, "
                     f"{hits / n:.3f} ({low:.3f} to {high:.3f})")  # fmt: skip
    print("\n".join(lines))  # noqa: T201 - this is what it is run for


if __name__ == "__main__":
    main()
