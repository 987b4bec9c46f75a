"""What is told of an action after a rise: rises that end, halve or stay, of known subjects.

Run by hand::

    python -m tests.recovery.recovery_study --seeds 20

Rises are planted as in `tests.recovery.planted_rises`; eight workdays later somebody acts, and the
rise is gone, is half of what it was, or stays. The onset is the true one, moved by up to three
workdays as an estimated onset is.
"""

import argparse
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from arcdrift.analysis.causes.measure_model import SubjectShift
from arcdrift.analysis.causes.shift_recovery import shift_ratio, shift_recovery
from arcdrift.analysis.loss.loss_charts import chart_all
from arcdrift.analysis.review.pipeline import shift_cells
from tests.recovery.crews import summary_of
from tests.recovery.planted_rises import Plan, crew_of, healthy_crew, local_midnight, plant_rise

FACTORS = (1.3, 1.5, 1.7)
ENDS = {"ends": 0.0, "halves": 0.5, "stays": 1.0}
"""Share of the log of the factor that is left after the action."""
ACTION_WORKDAYS = 8
JUDGED_WORKDAYS = (3, 5, 10, 20, 30)
say = partial(print, flush=True)
KINDS = ("splicer", "technician", "stream")


@dataclass(frozen=True)
class Answer:
    """What was told so many workdays after the action."""

    kind: str
    factor: float
    end: str
    workdays: int
    verdict: str
    ratio: float
    needed: int


def study_action(plan: Plan, end: str) -> list[Answer]:
    """Plant a rise that ends in some way, and judge the action; empty if nobody fits the plan."""
    rise = plant_rise(plan)
    if rise is None:
        return []
    left = plan.factor ** ENDS[end]
    later = healthy_crew(plan) if left == 1.0 else plant_rise(replace(plan, factor=left)).made
    action = local_midnight(rise.onset + pd.offsets.BDay(ACTION_WORKDAYS))
    splices = rise.made["splices"]
    since = (splices["spliced_at"] >= action).to_numpy()
    loss = np.where(since, later["splices"]["loss_db"], splices["loss_db"])
    rise.made.records["splices"] = splices.assign(loss_db=loss)
    last = pd.Timestamp(crew_of(plan.seed).end).as_unit("us")
    summary = summary_of(rise.made, rise.made.records, last)
    crew = rise.made.crew
    charts = chart_all(
        summary.stream_days, summary.technician_days, crew.false_alarms_per_month, crew.shares
    )
    cells = shift_cells(summary.technician_days, charts)
    moved = int(np.random.default_rng([plan.seed, 13]).integers(-3, 4))
    day = np.datetime64
    onset = day((rise.onset + pd.offsets.BDay(moved)).date())
    answers = []
    for workdays in JUDGED_WORKDAYS:
        until = action + pd.offsets.BDay(workdays)
        if until > last:
            continue
        shift = SubjectShift(
            "level", rise.subject_type, rise.subject, onset, day(until.date())
        )  # fmt: skip
        found = shift_recovery(cells, shift, day(action.date()))
        if found is not None:
            ratio, needed = shift_ratio("level", found.after), found.days_needed
            told = Answer(plan.kind, plan.factor, end, workdays, found.verdict, ratio, needed)
            answers.append(told)
    return answers


def _plans(seeds: int) -> Iterator[tuple[Plan, str]]:
    for seed in range(seeds):
        for kind in KINDS:
            for factor in FACTORS:
                for end in ENDS:
                    yield Plan(kind, factor, 12, 0.05, 40_000 + seed), end


def main() -> None:
    """Print how often each verdict was told."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--seeds", type=int, default=4)
    arguments.add_argument("--workers", type=int, default=2)
    given = arguments.parse_args()
    plans = list(_plans(given.seeds))
    with ProcessPoolExecutor(given.workers) as pool:
        answers = [
            answer
            for found in pool.map(study_action, *zip(*plans, strict=True))
            for answer in found
        ]
    table = pd.DataFrame(answers)
    for keys in (["kind", "factor", "end", "workdays"], ["end", "workdays"]):
        say(pd.crosstab([table[key] for key in keys], table["verdict"]).to_string())


if __name__ == "__main__":
    main()
