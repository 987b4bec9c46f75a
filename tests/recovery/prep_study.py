"""Error rates of the figures about people, on simulated crews with known truth.

Run by hand; about a minute a crew::

    python -m tests.recovery.prep_study [--crews 10] [--days 180]

Careless crews: 30 people on 30 splicers, three of them careless, two splicers with much higher
loss, and few swaps. Healthy crews of the same size measure the coverage of intervals and the number
of false findings. The test suite runs two small crews (``test_prep_promises.py``).
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
from arcdrift.analysis.common.places import find_places
from arcdrift.analysis.loss.acceptance.accepted_limits import splice_limits
from arcdrift.analysis.loss.day_level import ratio_of, relative_level
from arcdrift.analysis.loss.technician_days import NOBODY, aggregate_technician_days
from arcdrift.analysis.maintenance.service_findings import usage_by_hour
from arcdrift.analysis.people.cleave_runs import cleave_runs, practice_splices
from arcdrift.analysis.people.prep_review import review_prep
from arcdrift.finding import Finding
from arcdrift.simulate import Fault, Habits, Scenario, SimulatedCrew, invented_crew, simulate_frames
from tests.stream_days import stream_days

WORST = 1.7
"""Factor on the loss of the two worst splicers."""
CARELESS = 1.35
"""Factor on the loss of careless people."""
LABEL_PROBABILITY = 0.99
"""People with this posterior probability of a raised loss are labeled."""
MARGIN = 0.10
"""People with a true effect below this count as labeled wrongly."""


@dataclass(frozen=True)
class Reviewed:
    """One crew: its truth, its technician days, and the results of the review of its people."""

    made: SimulatedCrew
    cells: pd.DataFrame
    effects: pd.DataFrame
    findings: list[Finding]

    def people(self, measure: str) -> pd.DataFrame:
        """Effects of technicians on one measure, where there is an estimate."""
        rows = self.effects
        rows = rows[(rows["who"] == "technician") & (rows["measure"] == measure)]
        return rows.dropna(subset=["effect"]).reset_index(drop=True)


def crew(seed: int, *, people: int = 30, days: int = 180, careless: int = 3) -> Scenario:
    """A crew with few swaps, two splicers of high loss and some careless people."""
    plain = invented_crew(
        splicers=people, technicians=people + 2, days=days, splices_per_day=40, seed=seed,
        habits=Habits(swaps=0.4),
    )  # fmt: skip
    splicers = tuple(
        replace(splicer, loss_factor=splicer.loss_factor * WORST)
        if number < 2 and careless
        else splicer
        for number, splicer in enumerate(plain.splicers)
    )
    rng = np.random.default_rng([seed, 3])
    chosen = rng.choice(people, careless, replace=False)
    start = datetime.combine(plain.start, time())
    faults = tuple(
        Fault("careless", plain.technicians[number].name, start, None, CARELESS, "")
        for number in chosen
    )
    return replace(plain, splicers=splicers, faults=faults)


def review_people(scenario: Scenario) -> Reviewed:
    """Simulate a crew and review its people as a review does, without air."""
    made = simulate_frames(scenario)
    parts, runs, practice = [], [], []
    for _, splices in made["splices"].groupby("splicer"):
        splices = splices.reset_index(drop=True)
        production = splices[splices["purpose"] == "production"].reset_index(drop=True)
        day = workdays(production, made.crew, "spliced_at")
        air = pd.DataFrame(
            {"air_density": np.nan, "vapor_pressure": np.nan}, index=production.index
        )
        days = stream_days(production, made["service"][:0], made.crew)
        places = find_places(production, day, splice_limits(production, made.crew, "single_db"))
        parts.append(aggregate_technician_days(production, air, day, days, places, made.crew))
        runs.append(cleave_runs(production, day, made.crew))
        practice.append(practice_splices(splices))
    cells = pd.concat(parts, ignore_index=True)
    filled_runs = [part for part in runs if len(part)] or runs[:1]
    now = made["splices"]["spliced_at"].max()
    review = review_prep(
        cells, pd.concat(filled_runs, ignore_index=True), pd.concat(practice, ignore_index=True),
        usage_by_hour(made["splices"]), made["service"], made.crew, now,
    )  # fmt: skip
    return Reviewed(made, cells, review.frames["result_people"], review.findings)


def holders(cells: pd.DataFrame, worst: list[str]) -> list[str]:
    """Technician with most splices on each of the worst splicers."""
    work = cells[cells["technician"] != NOBODY]
    made = work.groupby(["splicer", "technician"])["made"].sum()
    return [str(made[name].idxmax()) for name in worst]


def careless_outcome(seed: int, **size: int) -> dict[str, int]:
    """Number of careless people in the top five, and of people labeled wrongly."""
    scenario = crew(seed, **size)
    reviewed = review_people(scenario)
    guilty = {fault.subject for fault in scenario.faults}
    table = reviewed.people("loss")
    top = set(table.sort_values("low", ascending=False)["name"].head(5))
    labeled = set(table.loc[table["sure"] >= LABEL_PROBABILITY, "name"])
    unlucky = (
        set(holders(reviewed.cells, [splicer.name for splicer in scenario.splicers[:2]])) - guilty
    )
    truth = true_effects(reviewed.made, "loss")
    innocent = {name for name in labeled - guilty if truth[name] < MARGIN}
    return {
        "seed": seed, "careless": len(guilty), "in_top_five": len(guilty & top),
        "labeled": len(guilty & labeled), "holders": len(unlucky),
        "holders_labeled": len(unlucky & labeled), "labeled_wrongly": len(innocent),
        "people": len(table),
    }  # fmt: skip


def true_effects(made: SimulatedCrew, measure: str) -> pd.Series:
    """True effect of each technician relative to the crew's average."""
    people = made.truth.technicians
    key = "log_mean_loss" if measure == "loss" else "cleave_median_deg"
    value = pd.Series({name: row[key] for name, row in people.items()}, dtype=float)
    if measure == "angle":
        log = np.log(value)
        return np.expm1(log - log.mean())
    level = pd.Series(relative_level(np.exp(value.to_numpy())), index=value.index)
    return pd.Series(ratio_of((level - level.mean()).to_numpy()) - 1.0, index=value.index)


def healthy_outcome(seed: int, **size: int) -> dict[str, float]:
    """Interval coverage of a healthy crew, and number of false findings."""
    reviewed = review_people(crew(seed, careless=0, **size))
    outcome: dict[str, float] = {"seed": seed, "people": len(reviewed.made.truth.technicians)}
    for measure in ("loss", "angle"):
        table = reviewed.people(measure).set_index("name")
        truth = true_effects(reviewed.made, measure).reindex(table.index)
        outcome[f"{measure}_inside"] = int(
            ((table["low"] <= truth) & (truth <= table["high"])).sum()
        )
        outcome[f"{measure}_n"] = len(table)
    angle = true_effects(reviewed.made, "angle")
    raised = [finding for finding in reviewed.findings if finding.kind == "cleave-raised"]
    people = [finding for finding in raised if finding.subject_type == "technician"]
    outcome["raised_truly"] = sum(angle[finding.subject_id] >= MARGIN for finding in people)
    outcome["raised_falsely"] = len(raised) - int(outcome["raised_truly"])
    for kind in ("cleave-run", "cleave-uneven", "prep-inconsistent"):
        outcome[kind] = sum(finding.kind == kind for finding in reviewed.findings)
    return outcome


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
        lines.append(f"95 % intervals on {measure} contain the truth: {hits} of {n}, "
                     f"{hits / n:.3f} ({low:.3f} to {high:.3f})")  # fmt: skip
    print("\n".join(lines))  # noqa: T201 - this is what it is run for


if __name__ == "__main__":
    main()
