"""Does a finding name its cause? Faults of known cause planted, and the first cause read.

Run by hand; four seeds took twenty minutes on two busy cores::

    python -m tests.recovery.cause_study --seeds 4

What counts as right was laid down before the ranking was tuned, fault by fault, in `FAULTS` (but
for the 30 days in which a newcomer is one): the first cause must be of that kind, and name the
person or the place where there is one.
A finding is about a fault when the fault made `Planted.share` of its splices since its onset,
and the onset lies in the fault's time or up to five days before. Priors and strengths were set
on seeds 1 to 12; the figures quoted are from seeds 101 on.

A knock or a drift of the arc alone hardly raises the loss, as the next daily check follows it;
so do checks that are merely skipped. They are planted together here. What the simulator has no
fault for (a batch of fiber, a place, days that are bad for everybody) is put into the splices of
a healthy crew: each loss of the kind times a factor.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from arcdrift.analysis.causes.likely_causes import CANNOT_TELL
from arcdrift.finding import Finding
from arcdrift.simulate import FaultPlan, Scenario, invented_crew, load_plan
from arcdrift.simulate.crew.fault_plans import PlannedFault, add_faults
from tests.recovery.crews import Run, run_crew

SPLICERS, DAYS = 10, 120
EARLY = pd.Timedelta(days=5)
DAY = pd.Timedelta(days=1)
BEGINS, ENDS = 60, 80
"""Days between which faults put into the splices of a healthy crew act."""
UP = {"loss-raised", "loss-scattered", "loss-dirty", "redo-raised"}


@dataclass(frozen=True)
class Planted:
    """One kind of fault.

    Attributes
    ----------
    right : str
        How the right cause begins; ``{}`` stands for the person or the place.
    plan : str or tuple of PlannedFault
        A shipped plan, or faults that hit the same subject.
    home : str, optional
        Site at which the subject of such faults is at home.
    column, factor : optional
        Losses of one value of a column are raised by a factor instead; all of them without a
        column.
    lasts : int, optional
        Days after which what is left of it is too little to be asked for.
    share : float
        Part of a finding's splices that it must have made.
    abrupt : bool
        Whether it begins in full on one day, so that the onset's range can be judged.
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
    # either story of a person is right if it names them
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
    """What one finding said of its cause.

    ``result`` is ``first``, ``second``, ``cannot tell`` or ``wrong`` for the planted cause, and
    ``claims`` or ``cannot tell`` for alarms of healthy crews; ``inside`` tells whether the
    onset's range holds the true day (None where that is not asked).
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
    """What was planted: the rows of the cells it touches, and when."""

    subject: str
    begin: pd.Timestamp
    end: pd.Timestamp
    touched: npt.NDArray[np.bool_]
    cells: pd.DataFrame = field(repr=False)


def try_fault(name: str, seed: int, *, splicers: int = SPLICERS, days: int = DAYS) -> list[Outcome]:
    """Plant one fault in a crew and read the causes of the findings about it."""
    planted = FAULTS[name]
    scenario = invented_crew(splicers=splicers, days=days, seed=seed)
    run, truth = _made(planted, name, scenario)
    told = []
    for finding in run.findings:
        if finding.kind not in UP:
            continue
        mine = _cells_of(truth.cells, finding)
        near = truth.begin - EARLY <= _onset(finding) <= truth.end
        made = truth.cells["n"].to_numpy()
        if not near or made[mine & truth.touched].sum() < planted.share * made[mine].sum():
            continue
        told.append(_judged(name, seed, finding, planted, truth))
    return told


def try_healthy(seed: int) -> list[Outcome]:
    """Read the causes of the alarms of a crew without faults."""
    run = run_crew(invented_crew(splicers=SPLICERS, days=DAYS, seed=seed))
    return [
        Outcome(
            "healthy", seed, finding.kind, finding.subject_type,
            "cannot tell" if finding.likely_causes[0].cause == CANNOT_TELL else "source_rows",
            finding.likely_causes[0].cause, finding.likely_causes[0].weight,
        )
        for finding in run.findings
        if finding.kind in UP
    ]  # fmt: skip


def _made(planted: Planted, name: str, scenario: Scenario) -> tuple[Run, _Truth]:
    rng = np.random.default_rng([scenario.seed, len(name)])
    if planted.factor is not None:
        return _raised(planted, scenario, rng)
    plan = load_plan(planted.plan) if isinstance(planted.plan, str) else None
    if plan is None:
        faults = planted.plan
        if len(faults) > 1:
            at_home = [s.name for s in scenario.splicers if planted.home in (None, s.home_site)]
            subject = str(rng.choice(at_home))
            faults = tuple(one.model_copy(update={"subject": subject}) for one in faults)
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
    touched = cells["first_at"].between(begin, end) & (cells[kind] == subject)
    if fault["kind"] == "wrong-program":
        touched &= cells["program"] == fault["target"]
        touched &= cells["fibers"].str.contains(str(fault["fiber"]))
    return run, _Truth(subject, begin, end, touched.to_numpy(), cells)


def _raised(
    planted: Planted, scenario: Scenario, rng: np.random.Generator
) -> tuple[Run, _Truth]:  # fmt: skip
    start = pd.Timestamp(scenario.start, tz=scenario.time_zone)
    begin, end = ((start + days * DAY).tz_convert("UTC") for days in (BEGINS, ENDS))
    chosen: list[str] = []

    def altered(splices: pd.DataFrame) -> pd.DataFrame:
        there = splices["spliced_at"].between(begin, end).to_numpy()
        if planted.column is not None:
            values = splices[planted.column]
            # a place or a program of one splicer is that splicer
            users = splices.groupby(planted.column)["splicer"].nunique()
            chosen.append(str(rng.choice(sorted(users.index[users > 1]))))
            there = there & (values == chosen[0]).to_numpy()
        loss = splices["loss_db"].to_numpy(dtype=np.float64)
        within_step = rng.uniform(-0.005, 0.005, len(loss))
        more = np.round(np.maximum(loss + within_step, 0.0) * planted.factor, 2)
        return splices.assign(loss_db=np.where(there, more, loss))

    run = run_crew(scenario, altered)
    cells = _cells(run)
    touched = cells["first_at"].between(begin, end)
    if planted.column is not None:
        touched &= cells[planted.column] == chosen[0]
    return run, _Truth("".join(chosen), begin, end, touched.to_numpy(), cells)


def _cells(run: Run) -> pd.DataFrame:
    return run.summary.technician_days


def _own(cells: pd.DataFrame, finding: Finding) -> pd.Series:
    """Which cells are the finding's subject's."""
    if finding.subject_type == "stream":
        splicer, program = finding.subject_id.split(" / ", 1)
        return (cells["splicer"] == splicer) & (cells["program"] == program)
    if finding.subject_type == "crew":
        return pd.Series(True, index=cells.index)
    return cells[finding.subject_type] == finding.subject_id


def _cells_of(cells: pd.DataFrame, finding: Finding) -> npt.NDArray[np.bool_]:
    """A finding's own cells since its onset."""
    rows = cells["first_at"].between(_onset(finding), pd.Timestamp(finding.until) + DAY)
    return np.asarray(rows & _own(cells, finding))


def _onset(finding: Finding) -> pd.Timestamp:
    return pd.Timestamp(finding.onset.estimate if finding.onset else finding.since)


def _judged(name: str, seed: int, finding: Finding, planted: Planted, truth: _Truth) -> Outcome:
    right = planted.right.format("")
    named = truth.subject if "{}" in planted.right else ""
    hits = [c.cause.startswith(right) and named in c.cause for c in finding.likely_causes]
    top = finding.likely_causes[0]
    if hits[0]:
        result = "first"
    elif top.cause == CANNOT_TELL:
        result = "cannot tell"
    else:
        result = "second" if len(hits) > 1 and hits[1] else "wrong"
    inside = None
    if planted.abrupt and finding.onset and finding.kind == "loss-raised":
        inside = _holds(finding, truth)
    return Outcome(name, seed, finding.kind, finding.subject_type, result, top.cause, top.weight,
                   inside)  # fmt: skip


def _holds(finding: Finding, truth: _Truth) -> bool | None:
    """Whether the onset's range holds the subject's first day with the fault."""
    onset = finding.onset
    if onset is None or pd.Timestamp(finding.since) < truth.begin - DAY:
        return None
    own = _own(truth.cells, finding).to_numpy() & truth.touched
    at = truth.cells.loc[own, "first_at"].min()
    # the range is of beginnings of days, and a day holds what follows its beginning
    return bool(pd.Timestamp(onset.earliest) <= at < pd.Timestamp(onset.latest) + DAY)


def _tried(job: tuple[str, int]) -> list[Outcome]:
    name, seed = job
    return try_healthy(seed) if name == "healthy" else try_fault(name, seed)


def table(told: pd.DataFrame) -> pd.DataFrame:
    """Counts by fault, with the share of first causes that are right and its Wilson interval."""
    results = ["first", "second", "cannot tell", "wrong"]
    counts = pd.crosstab(told["fault"], told["result"]).reindex(columns=results, fill_value=0)
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
        for done, part in enumerate(pool.map(_tried, jobs), 1):
            found += part
            # a study that is broken off still tells what it has seen
            if done % (len(FAULTS) + 1) == 0:
                tell(found)


def tell(found: list[Outcome]) -> None:
    """Print what was measured so far."""
    told = pd.DataFrame([vars(one) for one in found])
    healthy = told[told["fault"] == "healthy"]
    told = told[told["fault"] != "healthy"]
    raised = told[told["kind"] == "loss-raised"]
    say = partial(print, flush=True)
    say(f"\n=== Seeds {told['seed'].min()} to {told['seed'].max()} ===\n")
    say("Findings of risen loss about a planted fault\n", table(raised).round(2).to_string())
    by_fault = raised.groupby("fault")["result"].apply(lambda r: (r == "first").mean())
    say(f"\nMean over the {len(by_fault)} kinds of fault: {by_fault.mean():.2f}")
    rest = told[told["kind"] != "loss-raised"]
    if len(rest):
        say("\nOther charts\n", table(rest).round(2).to_string())
    say("\nWhat was said instead\n", raised[raised["result"] != "first"]
        .groupby("fault")["cause"].value_counts().to_string())  # fmt: skip
    bins = pd.cut(raised["weight"], [0, 0.5, 0.7, 0.9, 1.0])
    sure = (raised["result"] == "first").groupby(bins, observed=True).agg(["mean", "size"])
    say("\nRight, by the weight given to the first cause\n", sure.round(2).to_string())
    say("\nAlarms of healthy crews\n", healthy.groupby(["kind", "result"]).size().to_string())
    say("\nCauses claimed there\n", healthy.loc[healthy["result"] == "source_rows", "cause"]
        .value_counts().to_string())  # fmt: skip
    known = raised.dropna(subset=["inside"])
    inside = known["inside"].astype(bool)
    low, high = proportion_confint(int(inside.sum()), len(inside), method="wilson")
    say(f"\nOnset's 95 % range holds the true day: {inside.mean():.3f} of {len(inside)} "
        f"({low:.3f} to {high:.3f})\n", inside.groupby(known["fault"]).agg(["mean", "size"])
        .round(2).to_string())  # fmt: skip


if __name__ == "__main__":
    main()
