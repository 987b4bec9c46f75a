"""Who is named for a rise of loss: rises of known subjects, planted next to service events.

Run by hand; 20 seeds took half an hour on one busy core::

    python -m tests.recovery.naming_study --seeds 20

The losses of one subject of a healthy crew are multiplied by a factor from one day on, and the
records end ten workdays later. A splicer's rise begins so many workdays after its electrodes were
replaced; rises of other subjects begin on a day of the same crews. Each crew's findings of risen
loss since that day say whether the subject was found, whether it was the first that was named,
and whether a person was named for what others did.
"""

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from arcdrift.finding import Finding
from arcdrift.simulate import Scenario, invented_crew, simulate_frames
from tests.recovery.crews import Run, run_crew

SPLICERS, DAYS = 8, 110
SEEN_WORKDAYS = 10
EARLIEST = pd.Timedelta(days=56)
"""Days of records before the first rise."""
AFTER_REPLACEMENT = (0, 4, 10)
KINDS = ("stream", "technician", "cleaver", "program", "site", "crew")
DAY = pd.Timedelta(days=1)
SHARE = 0.3
"""A finding is about a rise that affected this share of its splices."""


say = partial(print, flush=True)


@dataclass(frozen=True)
class Outcome:
    """What the findings said of one planted rise.

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
    ratio : float
        Size of the rise told of the right subject.
    """

    kind: str
    seed: int
    workdays: int
    subject: str
    found: bool
    first: bool
    named: bool
    person: str
    told: str
    findings: int
    ratio: float


@dataclass
class _Rise:
    """A factor on one subject's losses from an onset on; the records end ten workdays later."""

    kind: str
    factor: float
    onset: pd.Timestamp
    subject: str = ""
    own_seed: int = 0

    @property
    def end(self) -> pd.Timestamp:
        return self.onset + pd.offsets.BDay(SEEN_WORKDAYS)

    def altered(self, splices: pd.DataFrame) -> pd.DataFrame:
        """Splices with the rise."""
        rng = np.random.default_rng([self.own_seed, 7])
        before = splices[splices["spliced_at"] < self.end].reset_index(drop=True)
        since = (before["spliced_at"] >= self.onset).to_numpy()
        if not self.subject:
            self.subject = self._choose(before[since], rng)
        there = since & self.rows(before).to_numpy()
        loss = before["loss_db"].to_numpy(dtype=np.float64)
        within_step = rng.uniform(-0.005, 0.005, len(loss))
        more = np.round(np.maximum(loss + within_step, 0.0) * self.factor, 2)
        return before.assign(loss_db=np.where(there, more, loss))

    def _choose(self, since: pd.DataFrame, rng: np.random.Generator) -> str:
        """A subject with enough splices: a person, program or site of two splicers or more."""
        if self.kind == "crew":
            return "crew"
        names = _subject_names(self.kind, since)
        count = since.groupby(names)["splicer"].agg(["size", "nunique"])
        wanted = count["size"] >= 100
        if self.kind in ("technician", "program", "site"):
            each = since.groupby([names, "splicer"]).size()
            several = (each >= 40).groupby(level=0).sum()
            wanted &= several.reindex(count.index) >= 2
        if self.kind == "site":
            wanted &= count["nunique"] < since["splicer"].nunique()
        fitting = sorted(count.index[wanted])
        return str(rng.choice(fitting)) if fitting else ""

    def rows(self, splices: pd.DataFrame) -> pd.Series:
        """Whether each splice is the subject's."""
        if self.kind == "crew":
            return pd.Series(True, index=splices.index)
        return _subject_names(self.kind, splices) == self.subject


def _subject_names(kind: str, rows: pd.DataFrame) -> pd.Series:
    if kind == "stream":
        return rows["splicer"].astype(str) + " / " + rows["program"].astype(str)
    return rows[kind].astype(str)


def crew_of(seed: int) -> Scenario:
    """The crew of a seed."""
    return invented_crew(splicers=SPLICERS, days=DAYS, seed=seed)


def try_splicer(seed: int, workdays: int, factor: float) -> Outcome | None:
    """Plant a rise so many workdays after electrodes were replaced on some splicer."""
    scenario = crew_of(seed)
    start = pd.Timestamp(scenario.start, tz="UTC")
    latest = start + (DAYS - 32) * DAY

    service = simulate_frames(scenario)["service"]
    events = service[service["action"] == "electrodes replaced"]
    near = events[events["serviced_at"].between(start + EARLIEST - 14 * DAY, latest)]
    replaced = list(zip(near["serviced_at"], near["asset"].astype(str), strict=True))
    if not replaced:
        return None
    at, splicer = replaced[seed % len(replaced)]
    onset = at + pd.offsets.BDay(workdays) if workdays else at
    rise = _Rise("splicer", factor, onset, splicer, seed)
    return _outcome(run_crew(scenario, rise.altered), rise, seed, workdays)


def try_kind(kind: str, seed: int, factor: float) -> Outcome | None:
    """Plant a rise of another kind of subject."""
    scenario = crew_of(seed)
    start = pd.Timestamp(scenario.start, tz=scenario.time_zone).tz_convert("UTC")
    onset = start + EARLIEST + (seed % 20) * DAY
    rise = _Rise(kind, factor, onset, own_seed=seed)
    run = run_crew(scenario, rise.altered)
    return _outcome(run, rise, seed, -1) if rise.subject else None


def _outcome(run: Run, rise: _Rise, seed: int, workdays: int) -> Outcome:
    cells = run.summary.technician_days
    affected = (cells["first_at"] >= rise.onset) & rise.rows(cells)
    n = cells["n"].to_numpy(dtype=np.float64)
    about = []
    for finding in run.findings:
        if finding.kind != "loss-raised" or finding.until < rise.onset - DAY:
            continue
        theirs = _cells_since(cells, finding)
        if n[theirs & affected].sum() >= SHARE * max(n[theirs].sum(), 1.0):
            about.append(finding)
    about.sort(key=lambda finding: finding.since)
    right = [finding for finding in about if _is_right(finding, rise)]
    # the odds of a finding say which is meant, if several are about the rise
    first = max(about, key=lambda f: f.evidence.get("probability", 0.0), default=None)
    return Outcome(
        rise.kind, seed, workdays, rise.subject, bool(about), first in right,
        any(finding in right or _also_named(finding, rise) for finding in about),
        _wrong_person(run, rise), "; ".join(_told(finding) for finding in about), len(about),
        max((f.evidence["ratio"] for f in right), default=np.nan),
    )  # fmt: skip


def _cells_since(cells: pd.DataFrame, finding: Finding) -> pd.Series:
    onset = pd.Timestamp(finding.onset.estimate if finding.onset else finding.since)
    rows = cells["first_at"].between(onset, pd.Timestamp(finding.until) + DAY)
    if finding.subject_type == "crew":
        return rows
    return rows & (_subject_names(finding.subject_type, cells) == finding.subject_id)


def _is_right(finding: Finding, rise: _Rise) -> bool:
    return (finding.subject_type, finding.subject_id) == (rise.kind, rise.subject)


def _also_named(finding: Finding, rise: _Rise) -> bool:
    name = rise.subject.replace(" / ", ", ", 1)
    return any(name in text for text in finding.evidence.get("may_also_be", []))


def _wrong_person(run: Run, rise: _Rise) -> str:
    for finding in run.findings:
        if finding.kind != "loss-raised" or finding.until < rise.onset:
            continue
        if finding.subject_type == "technician" and not _is_right(finding, rise):
            return f"subject {finding.subject_id}"
        top = finding.likely_causes[0].cause
        named = top.split(": ")[-1] if "technician's splices: " in top or "hands: " in top else ""
        if named and (rise.kind, rise.subject) != ("technician", named):
            return f"cause {named}"
    return ""


def _told(finding: Finding) -> str:
    odds = finding.evidence.get("probability")
    return f"{finding.subject_type} {finding.subject_id} {odds}"


def try_healthy(seed: int) -> list[str]:
    """Types of the subjects of a healthy crew's findings of risen loss, and whether named."""
    return [
        f"{finding.subject_type} {'named' if 'probability' in finding.evidence else 'not named'}"
        for finding in run_crew(crew_of(seed)).findings
        if finding.kind == "loss-raised"
    ]


def _try(job: tuple[str, int, int], factor: float) -> Outcome | None:
    kind, seed, workdays = job
    if kind == "splicer":
        return try_splicer(seed, workdays, factor)
    return try_kind(kind, seed, factor)


def print_table(outcomes: Sequence[Outcome]) -> None:
    """Print rates by kind of subject."""
    rows = pd.DataFrame([vars(outcome) for outcome in outcomes])
    rows["person_wrong"] = rows["person"] != ""
    columns = ["found", "first", "named", "person_wrong", "findings", "ratio"]
    table = rows.groupby(["kind", "workdays"])[columns].mean().round(2)
    table.insert(0, "crews", rows.groupby(["kind", "workdays"]).size())
    say(table.to_string())
    for outcome in outcomes:
        if not outcome.first or outcome.person:
            say(outcome.kind, outcome.workdays, outcome.seed, outcome.subject, "|",
                  outcome.told, "|", outcome.person)  # fmt: skip


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", type=int, default=20, help="crews of splicers that rise")
    parser.add_argument("--others", type=int, default=10, help="crews for each other subject")
    parser.add_argument("--healthy", type=int, default=10, help="crews without a rise")
    parser.add_argument("--first", type=int, default=301, help="first seed")
    parser.add_argument("--factor", type=float, default=1.7)
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    jobs = [
        (kind, options.first + number, -1) for number in range(options.others) for kind in KINDS
    ]
    jobs += [
        ("splicer", options.first + number, workdays)
        for number in range(options.seeds)
        for workdays in AFTER_REPLACEMENT
    ]
    found: list[Outcome] = []
    with ProcessPoolExecutor(options.processes) as pool:
        for done, outcome in enumerate(pool.map(partial(_try, factor=options.factor), jobs), 1):
            found += [] if outcome is None else [outcome]
            if done % 15 == 0 and found:
                say(f"\n=== {done} of {len(jobs)} ===")
                print_table(found)
        healthy = pool.map(try_healthy, range(options.first, options.first + options.healthy))
        told = [text for texts in healthy for text in texts]
    say("\n=== All ===")
    if found:
        print_table(found)
    say(f"\nFindings of risen loss in {options.healthy} healthy crews of {DAYS} days\n",
        pd.Series(told, dtype=object).value_counts().to_string())  # fmt: skip


if __name__ == "__main__":
    main()
