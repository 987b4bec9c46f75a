"""Accuracy of the ranked causes: faults of known cause are planted, and the first cause compared.

Run by hand; four seeds took twenty minutes on two busy cores::

    python -m tests.recovery.cause_study --seeds 4

The right cause of each fault in `FAULTS` was defined before the ranking was tuned (except the 30
days of a newcomer): the first cause must be of that kind, and name the person or the site if there
is one. A finding is about a fault if the fault affected `Planted.share` of its splices since its
onset, and the onset is during the fault or up to five days before. Priors and strengths were set on
seeds 1 to 12; the figures quoted are from seeds 101 on.

A step or a drift of the arc alone hardly raises the loss, because the next daily check corrects it,
and skipped checks alone do not raise it either. They are planted together here. Causes without a
fault in the simulator (a batch of fiber, a site, bad days of the whole crew) are planted by
multiplying the losses of a healthy crew by a factor.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from arcdrift.finding import NO_CAUSE, Finding
from arcdrift.simulate import FaultPlan, Scenario, invented_crew, load_plan
from arcdrift.simulate.crew.fault_plans import PlannedFault, add_faults
from tests.recovery.crews import Run, run_crew
from tests.recovery.planted_rises import with_factor

SPLICERS, DAYS = 10, 120
EARLY = pd.Timedelta(days=5)
DAY = pd.Timedelta(days=1)
BEGINS, ENDS = 60, 80
"""First and last day of faults planted by a factor on the losses of a healthy crew."""
UP = {"loss-raised", "loss-scattered", "loss-dirty", "first-time-lowered", "errors-raised"}


@dataclass(frozen=True)
class Planted:
    """One kind of fault.

    Attributes
    ----------
    right : str
        Start of the right cause's text; ``{}`` stands for the person or the site.
    plan : str or tuple of PlannedFault
        A shipped plan, or several faults of one subject.
    home : str, optional
        Home site of the subject of such faults.
    column, factor : optional
        Factor on the losses of one value of a column, or on all losses without a column.
    lasts : int, optional
        Days after which the fault is too small to be detected.
    share : float
        Share of a finding's splices that the fault must affect.
    abrupt : bool
        Whether it starts on one day, so that the range of the onset can be checked.
    """

    right: str
    plan: str | tuple[PlannedFault, ...] = ()
    home: str | None = None
    column: str | None = None
    factor: float | None = None
    lasts: int | None = None
    share: float = 0.3
    abrupt: bool = False


UNCHECKED = PlannedFault(kind="checks-skipped", start=60.0, end=75.0, size=1.0)
FAULTS: dict[str, Planted] = {
    "dirty v-grooves": Planted("the splicer itself", "dirty-v-grooves", abrupt=True),
    "dull blade": Planted("cleaving: the blade", "dull-blade"),
    "bent holder": Planted("cleaving: the left side", "holder-bent", abrupt=True),
    "electrodes never replaced": Planted("worn electrodes", "electrodes-never-replaced"),
    "knock, unchecked": Planted(
        "arc", (PlannedFault(kind="arc-step", start=60.0, size=20.0), UNCHECKED), abrupt=True
    ),
    "moved up, unchecked": Planted(
        "arc",
        (PlannedFault(kind="site-move", start=60.0, end=75.0, target="Pass"), UNCHECKED),
        home="Harbor",
        abrupt=True,
    ),
    # either hypothesis on a person is right if it names them
    "careless technician": Planted("{}", "careless-technician"),
    "newcomer": Planted("{}", "newcomer", lasts=30),
    "wrong program": Planted(
        "other fibers",
        (
            PlannedFault(
                kind="wrong-program", start=60.0, end=90.0, size=1.4, fiber="G.655",
                target="single-mode adaptive",
            ),
        ),
        share=0.15,
    ),
    "batch of fiber": Planted("a program", column="program", factor=1.4, abrupt=True),
    "one place": Planted("the place{}", column="site", factor=1.35, abrupt=True),
    "whole crew": Planted("the whole crew", factor=1.3, abrupt=True),
}  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """First cause of one finding, compared with the planted one.

    ``result`` is ``first``, ``second``, ``cannot tell`` or ``wrong`` by the rank of the planted
    cause, and ``claims`` or ``cannot tell`` for alarms of healthy crews; ``inside`` is whether the
    onset's range contains the true day (None where that is not checked).
    """

    fault: str
    seed: int
    kind: str
    subject_type: str
    result: str
    cause: str
    weight: float
    inside: bool | None = None


@dataclass(frozen=True)
class _Truth:
    """A planted fault: its subject, its time, and the cells it affects."""

    subject: str
    begin: pd.Timestamp
    end: pd.Timestamp
    affected: npt.NDArray[np.bool_]
    cells: pd.DataFrame = field(repr=False)


def try_fault(name: str, seed: int, *, splicers: int = SPLICERS, days: int = DAYS) -> list[Outcome]:
    """Plant one fault in a crew and compare the causes of the findings about it."""
    planted = FAULTS[name]
    scenario = invented_crew(splicers=splicers, days=days, seed=seed)
    run, truth = _plant(planted, name, scenario)
    outcomes = []
    for finding in run.findings:
        if finding.kind not in UP:
            continue
        own_cells = _cells_since_onset(truth.cells, finding)
        near = truth.begin - EARLY <= _onset(finding) <= truth.end
        n = truth.cells["n"].to_numpy()
        affected = n[own_cells & truth.affected].sum()
        if not near or affected < planted.share * n[own_cells].sum():
            continue
        outcomes.append(_compare(name, seed, finding, planted, truth))
    return outcomes


def try_healthy(seed: int) -> list[Outcome]:
    """First causes of the alarms of a crew without faults."""
    run = run_crew(invented_crew(splicers=SPLICERS, days=DAYS, seed=seed))
    return [
        Outcome(
            "healthy", seed, finding.kind, finding.subject_type,
            "cannot tell" if finding.likely_causes[0].cause == NO_CAUSE else "claims",
            finding.likely_causes[0].cause, finding.likely_causes[0].weight,
        )
        for finding in run.findings
        if finding.kind in UP
    ]  # fmt: skip


def _plant(planted: Planted, name: str, scenario: Scenario) -> tuple[Run, _Truth]:
    rng = np.random.default_rng([scenario.seed, len(name)])
    if planted.factor is not None:
        return _plant_factor(planted, scenario, rng)
    plan = load_plan(planted.plan) if isinstance(planted.plan, str) else None
    if plan is None:
        faults = planted.plan
        if len(faults) > 1:
            at_home = [s.name for s in scenario.splicers if planted.home in (None, s.home_site)]
            subject = str(rng.choice(at_home))
            faults = tuple(fault.model_copy(update={"subject": subject}) for fault in faults)
        plan = FaultPlan(name=name, faults=faults)
    run = run_crew(add_faults(scenario, plan))
    fault = run.made.truth.faults[0]
    subject, kind = str(fault["subject"]), str(fault["subject_type"])
    begin = pd.Timestamp(fault["since"])
    end = run.now if fault["until"] is None else pd.Timestamp(fault["until"])
    if fault["kind"] == "electrodes-kept":
        worn = [row for row in run.made.truth.worn_out or [] if row["splicer"] == subject]
        begin = pd.Timestamp(worn[0]["since"]) if worn else run.now
    if planted.lasts is not None:
        end = begin + planted.lasts * DAY
    cells = _cells(run)
    affected = cells["first_at"].between(begin, end) & (cells[kind] == subject)
    if fault["kind"] == "wrong-program":
        affected &= cells["program"] == fault["target"]
        affected &= cells["fibers"].str.contains(str(fault["fiber"]))
    return run, _Truth(subject, begin, end, affected.to_numpy(), cells)


def _plant_factor(
    planted: Planted, scenario: Scenario, rng: np.random.Generator
) -> tuple[Run, _Truth]:  # fmt: skip
    start = pd.Timestamp(scenario.start, tz=scenario.time_zone)
    begin, end = ((start + days * DAY).tz_convert("UTC") for days in (BEGINS, ENDS))
    chosen: list[str] = []

    def altered(splices: pd.DataFrame) -> pd.DataFrame:
        there = splices["spliced_at"].between(begin, end).to_numpy()
        if planted.column is not None:
            values = splices[planted.column]
            # a site or program of one splicer cannot be separated from that splicer
            users = splices.groupby(planted.column)["splicer"].nunique()
            chosen.append(str(rng.choice(sorted(users.index[users > 1]))))
            there = there & (values == chosen[0]).to_numpy()
        return with_factor(splices, np.where(there, planted.factor, 1.0), rng)

    run = run_crew(scenario, altered)
    cells = _cells(run)
    affected = cells["first_at"].between(begin, end)
    if planted.column is not None:
        affected &= cells[planted.column] == chosen[0]
    return run, _Truth("".join(chosen), begin, end, affected.to_numpy(), cells)


def _cells(run: Run) -> pd.DataFrame:
    return run.summary.technician_days


def _subject_cells(cells: pd.DataFrame, finding: Finding) -> pd.Series:
    """Whether each cell belongs to the finding's subject."""
    if finding.subject_type == "stream":
        splicer, program = finding.subject_id.split(" / ", 1)
        return (cells["splicer"] == splicer) & (cells["program"] == program)
    if finding.subject_type == "crew":
        return pd.Series(True, index=cells.index)
    return cells[finding.subject_type] == finding.subject_id


def _cells_since_onset(cells: pd.DataFrame, finding: Finding) -> npt.NDArray[np.bool_]:
    """Whether each cell belongs to the finding's subject and is after its onset."""
    rows = cells["first_at"].between(_onset(finding), pd.Timestamp(finding.until) + DAY)
    return np.asarray(rows & _subject_cells(cells, finding))


def _onset(finding: Finding) -> pd.Timestamp:
    return pd.Timestamp(finding.onset.estimate if finding.onset else finding.since)


def _compare(name: str, seed: int, finding: Finding, planted: Planted, truth: _Truth) -> Outcome:
    right = planted.right.format("")
    named = truth.subject if "{}" in planted.right else ""
    hits = [c.cause.startswith(right) and named in c.cause for c in finding.likely_causes]
    top = finding.likely_causes[0]
    if hits[0]:
        result = "first"
    elif top.cause == NO_CAUSE:
        result = "cannot tell"
    else:
        result = "second" if len(hits) > 1 and hits[1] else "wrong"
    inside = None
    if planted.abrupt and finding.onset and finding.kind == "loss-raised":
        inside = _onset_in_range(finding, truth)
    return Outcome(name, seed, finding.kind, finding.subject_type, result, top.cause, top.weight,
                   inside)  # fmt: skip


def _onset_in_range(finding: Finding, truth: _Truth) -> bool | None:
    """Whether the onset's range contains the subject's first day with the fault."""
    onset = finding.onset
    if onset is None or pd.Timestamp(finding.since) < truth.begin - DAY:
        return None
    affected = _subject_cells(truth.cells, finding).to_numpy() & truth.affected
    at = truth.cells.loc[affected, "first_at"].min()
    # the range gives starts of days, so its last day ends 24 hours later
    return bool(pd.Timestamp(onset.earliest) <= at < pd.Timestamp(onset.latest) + DAY)


def _try(job: tuple[str, int]) -> list[Outcome]:
    name, seed = job
    return try_healthy(seed) if name == "healthy" else try_fault(name, seed)


def table(outcomes: pd.DataFrame) -> pd.DataFrame:
    """Counts by fault, with the share of first causes that are right and its Wilson interval."""
    results = ["first", "second", "cannot tell", "wrong"]
    counts = pd.crosstab(outcomes["fault"], outcomes["result"]).reindex(
        columns=results, fill_value=0
    )
    counts.loc["all"] = counts.sum()
    n = counts.sum(axis=1)
    low, high = proportion_confint(counts["first"], n, method="wilson")
    return counts.assign(share=counts["first"] / n, low=low, high=high)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", type=int, default=4, help="crews a fault is planted in")
    parser.add_argument("--first", type=int, default=101, help="first seed")
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    jobs = [(name, seed) for seed in seeds for name in (*FAULTS, "healthy")]
    found: list[Outcome] = []
    with ProcessPoolExecutor(options.processes) as pool:
        for done, part in enumerate(pool.map(_try, jobs), 1):
            found += part
            # print after each seed, in case the study is interrupted
            if done % (len(FAULTS) + 1) == 0:
                print_tables(found)


def print_tables(found: list[Outcome]) -> None:
    """Print the results so far."""
    outcomes = pd.DataFrame([vars(one) for one in found])
    healthy = outcomes[outcomes["fault"] == "healthy"]
    outcomes = outcomes[outcomes["fault"] != "healthy"]
    raised = outcomes[outcomes["kind"] == "loss-raised"]
    say = partial(print, flush=True)
    say(f"\n=== Seeds {outcomes['seed'].min()} to {outcomes['seed'].max()} ===\n")
    say("Findings of risen loss about a planted fault\n", table(raised).round(2).to_string())
    by_fault = raised.groupby("fault")["result"].apply(lambda r: (r == "first").mean())
    say(f"\nMean over the {len(by_fault)} kinds of fault: {by_fault.mean():.2f}")
    rest = outcomes[outcomes["kind"] != "loss-raised"]
    if len(rest):
        say("\nOther charts\n", table(rest).round(2).to_string())
    say("\nWhat was said instead\n", raised[raised["result"] != "first"]
        .groupby("fault")["cause"].value_counts().to_string())  # fmt: skip
    bins = pd.cut(raised["weight"], [0, 0.5, 0.7, 0.9, 1.0])
    right = (raised["result"] == "first").groupby(bins, observed=True).agg(["mean", "size"])
    say("\nRight, by the weight given to the first cause\n", right.round(2).to_string())
    say("\nAlarms of healthy crews\n", healthy.groupby(["kind", "result"]).size().to_string())
    say("\nCauses claimed there\n", healthy.loc[healthy["result"] == "claims", "cause"]
        .value_counts().to_string())  # fmt: skip
    known = raised.dropna(subset=["inside"])
    inside = known["inside"].astype(bool)
    low, high = proportion_confint(int(inside.sum()), len(inside), method="wilson")
    say(f"\nOnset's 95 % range holds the true day: {inside.mean():.3f} of {len(inside)} "
        f"({low:.3f} to {high:.3f})\n", inside.groupby(known["fault"]).agg(["mean", "size"])
        .round(2).to_string())  # fmt: skip


if __name__ == "__main__":
    main()
