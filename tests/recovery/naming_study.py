"""Who is named for a rise of loss: rises of known subjects, planted after service events.

Run by hand; the whole study took three quarters of an hour on one busy core::

    python -m tests.recovery.naming_study --out naming.jsonl

`tests.recovery.planted_rises` says how rises are planted. Each crew is reviewed ten and 22 workdays
after the onset. Its findings from the charts of loss since the onset say whether the rise was
found, whether its subject was the first that was named, and whether a person was named for what
others did. Outcomes are appended to a file as they come; ``--table`` prints those of a file, and a
study that was interrupted goes on where it stopped.
"""

import argparse
import json
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from itertools import count, zip_longest
from pathlib import Path

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from arcdrift.analysis.review.summary import Summary
from arcdrift.finding import Finding
from tests.recovery.crews import loss_findings_at
from tests.recovery.planted_rises import (
    DAY,
    DAYS,
    KINDS,
    REVIEWED_WORKDAYS,
    Plan,
    PlantedRise,
    crew_of,
    healthy_crew,
    local_midnight,
    plant_rise,
    subject_names,
)

FACTORS = (1.3, 1.5, 1.7)
WORKDAYS = (0, 4, 10, 20, 40)
OMEGAS = (0.0, 0.05, 0.10)
RAISED = ("loss-raised", "loss-scattered", "loss-dirty", "first-time-lowered", "errors-raised")
SHARE = 0.3
"""A finding is about a rise that affected this share of its splices."""
RETRIES = 5
"""Crews tried for a plan until one has a fitting subject."""
NEXT_SEED = 1_000_000

say = partial(print, flush=True)


@dataclass(frozen=True)
class Outcome:
    """What the findings said of one planted rise, so many workdays after it.

    Attributes
    ----------
    found : bool
        Some finding is about the rise.
    first : bool
        The first of them is about the right subject.
    named : bool
        One of them is, or it names the right subject beside its own.
    person : str
        A person named wrongly, as a subject or as the likeliest cause.
    told : str
        Kind, subject and probability of each finding about the rise.
    findings : int
        How many these are.
    ratio : float
        Size of the rise told of the right subject.
    causes : list of str
        First causes of the findings about the rise.
    """

    kind: str
    factor: float
    workdays: int
    omega: float
    seed: int
    reviewed: int
    subject: str
    found: bool
    first: bool
    named: bool
    person: str
    told: str
    findings: int
    ratio: float | None
    causes: list[str]


def study_rise(plan: Plan, reviewed: Sequence[int] = REVIEWED_WORKDAYS) -> list[Outcome]:
    """Plant a rise and compare what was told of it; empty if no crew has a fitting subject."""
    for attempt in range(RETRIES):
        tried = Plan(**asdict(plan) | {"seed": plan.seed + attempt * NEXT_SEED})
        rise = plant_rise(tried)
        if rise is not None:
            ends = [rise.end(workdays) for workdays in reviewed]
            reviews = loss_findings_at(rise.made, ends)
            return [
                _outcome(rise, workdays, summary, findings)
                for workdays, (summary, findings) in zip(reviewed, reviews, strict=True)
            ]
    return []


def study_healthy(plan: Plan) -> list[Outcome]:
    """What was told of a crew without a rise over its whole record."""
    made = healthy_crew(plan)
    _, findings = loss_findings_at(made, [local_midnight(pd.Timestamp(crew_of(plan.seed).end))])[0]
    raised = [finding for finding in findings if finding.kind in RAISED]
    persons = [text for text in (_named_person(finding, None) for finding in raised) if text]
    return [
        Outcome(
            "", 1.0, plan.workdays, plan.omega, plan.seed, DAYS, "", bool(raised), False, False,
            "; ".join(persons), _told(raised), len(raised), None, _first_causes(raised),
        )
    ]  # fmt: skip


def _outcome(
    rise: PlantedRise, workdays: int, summary: Summary, findings: list[Finding]
) -> Outcome:  # fmt: skip
    plan = rise.plan
    cells = summary.technician_days
    affected = (cells["first_at"] >= rise.onset) & rise.rows(cells)
    n = cells["n"].to_numpy(dtype=np.float64)
    raised = [
        finding
        for finding in findings
        if finding.kind in RAISED and finding.until >= rise.onset - DAY
    ]
    about = []
    for finding in raised:
        theirs = _cells_since(cells, finding)
        if n[theirs & affected].sum() >= SHARE * max(n[theirs].sum(), 1.0):
            about.append(finding)
    # the level speaks first of a rise of the level; then the odds
    about.sort(key=lambda f: (RAISED.index(f.kind), -f.evidence.get("probability", 0.0), f.since))
    right = [finding for finding in about if _is_right(finding, rise)]
    persons = (_named_person(finding, rise) for finding in raised)
    return Outcome(
        plan.kind, plan.factor, plan.workdays, plan.omega, plan.seed, workdays, rise.subject,
        bool(about), bool(about) and about[0] in right,
        any(finding in right or _also_named(finding, rise) for finding in about),
        next((text for text in persons if text), ""), _told(about), len(about),
        max((f.evidence["ratio"] for f in right), default=None), _first_causes(about),
    )  # fmt: skip


def _cells_since(cells: pd.DataFrame, finding: Finding) -> pd.Series:
    onset = pd.Timestamp(finding.onset.estimate if finding.onset else finding.since)
    rows = cells["first_at"].between(onset, pd.Timestamp(finding.until) + DAY)
    if finding.subject_type == "crew":
        return rows
    return rows & (subject_names(finding.subject_type, cells) == finding.subject_id)


def _is_right(finding: Finding, rise: PlantedRise) -> bool:
    return (finding.subject_type, finding.subject_id) == (rise.subject_type, rise.subject)


def _also_named(finding: Finding, rise: PlantedRise) -> bool:
    name = rise.subject.replace(" / ", ", ", 1)
    return any(name in text for text in finding.evidence.get("may_also_be", []))


def _named_person(finding: Finding, rise: PlantedRise | None) -> str:
    """A person that a finding names, as its subject or likeliest cause, for what others did."""
    if finding.subject_type == "technician" and (rise is None or not _is_right(finding, rise)):
        return f"subject {finding.subject_id} ({finding.kind})"
    top = finding.likely_causes[0].cause
    named = top.split(": ")[-1] if "technician's splices: " in top or "hands: " in top else ""
    if named and (rise is None or (rise.subject_type, rise.subject) != ("technician", named)):
        return f"cause {named} ({finding.kind} of {finding.subject_type} {finding.subject_id})"
    return ""


def _told(findings: list[Finding]) -> str:
    return "; ".join(
        f"{f.kind} {f.subject_type} {f.subject_id} {f.evidence.get('probability')}"
        for f in findings
    )


def _first_causes(findings: list[Finding]) -> list[str]:
    return [f"{f.likely_causes[0].cause} ({f.likely_causes[0].weight})" for f in findings]


def study_plan(plan: Plan) -> list[Outcome]:
    """Outcomes of one plan."""
    return study_rise(plan) if plan.kind else study_healthy(plan)


def plans(crews: int, healthy: int, first_seed: int) -> Iterator[Plan]:
    """All plans, those of different cells taking turns so that an interrupted study is even.

    Parameters
    ----------
    crews : int
        For each kind and factor; the days and omegas take turns. A splicer's largest factor has as
        many for each day with the largest omega, and as many with the two smaller ones.
    healthy : int
        Crews without a rise.
    """
    main = [_cell(kind, factor, crews) for kind in KINDS[:-1] for factor in FACTORS
            if (kind, factor) != ("splicer", max(FACTORS))]  # fmt: skip
    main += [
        [("splicer", max(FACTORS), workdays, omegas[turn % len(omegas)]) for turn in range(crews)]
        for workdays in WORKDAYS
        for omegas in (OMEGAS[:-1], OMEGAS[-1:])
    ]
    main.append([("", 1.0, 0, OMEGAS[turn % len(OMEGAS)]) for turn in range(healthy)])
    # rises of a whole crew are the easiest to find: they come last
    crew_wide = [_cell(KINDS[-1], factor, crews) for factor in FACTORS]
    seed = count(first_seed)
    for cells in (main, crew_wide):
        for turn in zip_longest(*cells):
            yield from (Plan(*planned, seed=next(seed)) for planned in turn if planned)


def _cell(kind: str, factor: float, crews: int) -> list[tuple[str, float, int, float]]:
    """Plans of one kind and factor, days and omegas taking turns."""
    return [
        (kind, factor, WORKDAYS[turn % len(WORKDAYS)], OMEGAS[turn % len(OMEGAS)])
        for turn in range(crews)
    ]


# -- tables ------------------------------------------------------------------------------------


def print_tables(outcomes: pd.DataFrame, *, failures: bool = False) -> None:
    """Print the rates of all cells."""
    outcomes = outcomes.assign(wrong=outcomes["person"] != "")
    rises = outcomes[outcomes["kind"] != ""]
    if len(rises):
        say("\nPercent of crews, by kind of subject and factor, after 10 / 22 workdays")
        say(_rates(rises, ["kind", "factor"], list(KINDS)).to_string())
        say("\nAll factors")
        say(_rates(rises, ["kind"], list(KINDS)).to_string())
        largest = rises[(rises["kind"] == "splicer") & (rises["factor"] == max(FACTORS))]
        large = np.where(largest["omega"] == max(OMEGAS), "omega .10", "omega 0 and .05")
        say(f"\nA splicer x{max(FACTORS)}, by workdays after the replacement")
        say(_rates(largest.assign(omega=large), ["omega", "workdays"]).to_string())
        say(_rates(largest.assign(omega=large), ["omega"]).to_string())
        say("\nA person named wrongly, all crews with a rise")
        for reviewed, rows in rises.groupby("reviewed"):
            say(f"  after {reviewed} workdays: {_share(rows['wrong'])}")
    healthy = outcomes[outcomes["kind"] == ""]
    if len(healthy):
        months = len(healthy) * DAYS / 7 * 5 / 22
        say(f"\n{len(healthy)} crews without a rise, {months:.0f} crew-months:")
        say(f"{healthy['findings'].sum()} findings, a person named in {healthy['wrong'].sum()}")
    if failures:
        failed = rises[~rises["first"] | rises["wrong"]]
        for row in pd.concat([failed, healthy[healthy["wrong"]]]).itertuples():
            planned = f"{row.kind} x{row.factor} day {row.workdays} omega {row.omega}"
            say(f"{planned} seed {row.seed} at {row.reviewed}: {row.subject} | {row.told}")
            say(f"    {row.causes} {row.person}")


def _rates(rows: pd.DataFrame, keys: list[str], order: list[str] | None = None) -> pd.DataFrame:
    """Percent of crews found, first, named and with a person named wrongly, at both reviews."""
    columns = ["found", "first", "named", "wrong"]
    groups = rows.groupby([*keys, "reviewed"])
    rates = (100 * groups[columns].mean()).round().astype(int).astype(str)
    by_cell = rates.groupby(level=list(range(len(keys))))
    table = by_cell.agg(" / ".join)
    table.insert(0, "crews", groups.size().groupby(level=list(range(len(keys)))).max())
    latest = rows[rows["reviewed"] == rows["reviewed"].max()]
    table["ratio told"] = latest.groupby(keys)["ratio"].median().round(2)
    if order is None:
        return table
    present = [name for name in order if name in table.index.get_level_values(0)]
    return table.loc[present]


def _share(values: pd.Series) -> str:
    low, high = proportion_confint(int(values.sum()), len(values), method="wilson")
    return f"{values.sum()} of {len(values)} ({100 * low:.1f} to {100 * high:.1f} %)"


def read_outcomes(path: Path) -> pd.DataFrame:
    """Outcomes of a file."""
    return pd.DataFrame([json.loads(line) for line in path.read_text("utf-8").splitlines()])


def _run(todo: list[Plan], path: Path, processes: int) -> None:
    """Study plans, and append their outcomes to a file as they come."""
    with path.open("a", encoding="utf-8") as file, ProcessPoolExecutor(processes) as pool:
        for done, outcomes in enumerate(pool.map(study_plan, todo), 1):
            for outcome in outcomes:
                file.write(json.dumps(asdict(outcome)) + "\n")
            file.flush()
            if done % 50 == 0:
                say(f"{done} of {len(todo)}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("naming.jsonl"), help="file of outcomes")
    parser.add_argument("--crews", type=int, default=40, help="crews a kind and factor")
    parser.add_argument("--healthy", type=int, default=60, help="crews without a rise")
    parser.add_argument("--first", type=int, default=10_001, help="first seed")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--kind", choices=KINDS, help="this kind of subject only")
    parser.add_argument("--table", action="store_true", help="print the outcomes of the file only")
    parser.add_argument("--failures", action="store_true", help="also print what went wrong")
    options = parser.parse_args()
    if not options.table:
        wanted = plans(options.crews, options.healthy, options.first)
        chosen = [plan for plan in wanted if options.kind in (None, plan.kind)]
        known = set()
        if options.out.exists() and options.out.stat().st_size:
            known = set(read_outcomes(options.out)["seed"] % NEXT_SEED)
        _run([plan for plan in chosen if plan.seed not in known], options.out, options.processes)
    print_tables(read_outcomes(options.out), failures=options.failures)


if __name__ == "__main__":
    main()
