"""Faults from TOML files, planted into a scenario by the day and the name of whom they hit.

A plan names each fault's kind, subject (a name, or ``random``), start and end (day numbers from
0 on, dates, or local dates with a time; the end is the first moment without the fault), and
size. Unknown keys are refused with the nearest known one.
"""

import difflib
import tomllib
from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from typing import Any, get_args

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

import arcdrift
from arcdrift.errors import BadInput, UsageError
from arcdrift.simulate.crew.faults import SUBJECT, Fault, FaultKind, Side
from arcdrift.simulate.crew.scenario import Habits, Scenario

RANDOM = "random"
Moment = datetime | date | float


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PlannedFault(_Strict):
    """One fault of a plan; see `arcdrift.simulate.crew.faults.Fault` for what size means."""

    kind: FaultKind
    subject: str = RANDOM
    start: Moment
    end: Moment | None = None
    size: float = 0.0
    description: str = ""
    target: str | None = None
    side: Side | None = None
    fiber: str | None = None


class PlannedCrew(_Strict):
    """Habits and crew-wide effects that a plan sets; what it leaves out stays as it is."""

    late: float | None = Field(None, ge=0, le=1)
    missed: float | None = Field(None, ge=0, le=1)
    failed_only: float | None = Field(None, ge=0, le=1)
    retry: float | None = Field(None, ge=0, le=1)
    at_work: float | None = Field(None, gt=0, le=1)
    swaps: float | None = Field(None, ge=0)
    weekend: float | None = Field(None, ge=0, le=1)
    night: float | None = Field(None, ge=0, le=1)
    indoor: float | None = Field(None, ge=0, le=1)
    crew_day_sd: float | None = Field(None, ge=0)
    crew_day_lag: float | None = Field(None, ge=0, lt=1)
    time_zone: str | None = None


class FaultPlan(_Strict):
    """A TOML file of faults."""

    name: str
    description: str = ""
    crew: PlannedCrew = Field(default_factory=PlannedCrew)
    faults: tuple[PlannedFault, ...] = ()


def plan_names() -> list[str]:
    """Names of the plans that come with the package."""
    return sorted(path.stem for path in _shipped().glob("*.toml"))


def load_plan(name_or_path: str) -> FaultPlan:
    """Read a plan by its name, or from a TOML file.

    Raises
    ------
    BadInput
        With one sentence when there is no such plan or the file cannot be used.
    """
    path = Path(name_or_path)
    if path.suffix != ".toml":
        path = _shipped() / f"{name_or_path}.toml"
        if not path.is_file():
            near = difflib.get_close_matches(name_or_path, plan_names(), n=1)
            hint = f" Did you mean {near[0]}?" if near else f" Known: {', '.join(plan_names())}."
            raise BadInput(f"There are no faults named {name_or_path}.{hint}")
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as problem:
        raise BadInput(f"{path} cannot be read: {problem}.") from None
    except tomllib.TOMLDecodeError as problem:
        raise BadInput(f"{path} is not valid TOML: {problem}.") from None
    try:
        return FaultPlan.model_validate({"name": path.stem, **found})
    except ValidationError as problem:
        raise BadInput(f"{path.name}: {_first_sentence(problem)}") from None


def add_faults(scenario: Scenario, plan: FaultPlan) -> Scenario:
    """Add the faults of a plan to a scenario, and take over its habits.

    Raises
    ------
    UsageError
        When a fault falls outside the days, or nobody of the crew fits it.
    """
    scenario = _with_habits(scenario, plan.crew)
    rng = scenario.rng("plan", plan.name)
    for planned in plan.faults:
        scenario = _add(scenario, planned, plan.name, rng)
    return scenario


def add_random_faults(scenario: Scenario) -> Scenario:
    """Plant a handful of the shipped faults: one for every three splicers, three at least.

    Kinds, subjects and starts are drawn with the scenario's seed; starts lie between a quarter
    and three quarters of the days.
    """
    rng = scenario.rng("some faults")
    names = [name for name in plan_names() if load_plan(name).faults]
    wanted = max(3, len(scenario.splicers) // 3)
    while wanted:
        for name in rng.permutation(names)[:wanted]:
            wanted -= 1
            planned = load_plan(str(name)).faults[0]
            begin = round(float(rng.uniform(0.25, 0.75)) * scenario.days)
            if isinstance(planned.end, float) and isinstance(planned.start, float):
                end = begin + planned.end - planned.start
                planned = planned.model_copy(update={"end": end})
            moved = planned.model_copy(update={"start": float(begin), "subject": RANDOM})
            try:
                scenario = _add(scenario, moved, str(name), rng)
            except NoSubjectFits:
                continue
    return scenario


class NoSubjectFits(UsageError):
    """A crew has nobody, or no machine, that a fault could happen to."""


@cache
def _shipped() -> Path:
    package = Path(arcdrift.__file__).parent
    for place in (package / "example_scenarios", package.parent / "data" / "scenarios"):
        if place.is_dir():
            return place
    raise BadInput("The fault plans are missing from this installation; install arcdrift anew.")


def _first_sentence(problem: ValidationError) -> str:
    first = problem.errors()[0]
    where = ".".join(str(part) for part in first["loc"] if not str(part).startswith("function"))
    key = str(first["loc"][-1]) if first["loc"] else ""
    if first["type"] == "extra_forbidden":
        models = (FaultPlan, PlannedFault, PlannedCrew)
        known = {name for model in models for name in model.model_fields}
        said, word = f"the key {where} is not known.", key
    elif first["type"] == "literal_error" and key == "kind":
        known, word = set(get_args(FaultKind)), str(first["input"])
        said = f"{where}: the kind {word} is not known."
    else:
        return f"{where}: {first['msg']}."
    near = difflib.get_close_matches(word, sorted(known), n=1)
    return f"{said} Did you mean {near[0]}?" if near else said


def _with_habits(scenario: Scenario, crew: PlannedCrew) -> Scenario:
    said = {key: value for key, value in crew.model_dump().items() if value is not None}
    habits = {f.name: said[f.name] for f in fields(Habits) if f.name in said}
    losses = {key: said[key] for key in ("crew_day_sd", "crew_day_lag") if key in said}
    return replace(
        scenario,
        habits=replace(scenario.habits, **habits),
        losses=replace(scenario.losses, **losses),
        time_zone=said.get("time_zone", scenario.time_zone),
    )


def _add(
    scenario: Scenario, planned: PlannedFault, name: str, rng: np.random.Generator
) -> Scenario:
    since = _local(scenario, planned.start)
    until = None if planned.end is None else _local(scenario, planned.end)
    first = datetime.combine(scenario.start, time())
    last = datetime.combine(scenario.last_day, time()) + timedelta(days=1)
    if not first <= since < last:
        raise UsageError(
            f"The fault {planned.kind} begins on {since:%Y-%m-%d}, outside the simulated days "
            f"{scenario.start} to {scenario.last_day}; simulate more days, or move its start."
        )
    if until is not None and until <= since:
        raise UsageError(f"The fault {planned.kind} ends before it begins.")
    if until is not None and until >= last:
        until = None
    planned = _completed(scenario, planned)
    subject = _subject(scenario, planned, rng)
    fault = Fault(
        planned.kind, subject, since, until, planned.size,
        planned.description.format(subject=subject), target=_target(scenario, planned, subject),
        side=planned.side, fiber=planned.fiber, name=name,
    )  # fmt: skip
    if planned.kind == "newcomer":
        scenario = _with_newcomer(scenario, fault)
    return replace(scenario, faults=(*scenario.faults, fault))


def _local(scenario: Scenario, moment: Moment) -> datetime:
    if isinstance(moment, datetime):
        return moment.replace(tzinfo=None)
    if isinstance(moment, date):
        return datetime.combine(moment, time())
    return datetime.combine(scenario.start, time()) + timedelta(days=moment)


def _completed(scenario: Scenario, planned: PlannedFault) -> PlannedFault:
    """Fill in what a plan may leave to the crew: the fiber and the program of a wrong program."""
    if planned.kind != "wrong-program" or (planned.fiber and planned.target):
        return planned
    fiber = planned.fiber or next(
        (p.fiber_b for p in scenario.programs if p.fiber_a != p.fiber_b),
        scenario.programs[0].fiber_b,
    )
    others = [p.name for p in scenario.programs if p.fiber_b != fiber]
    if not others:
        raise NoSubjectFits(f"There is no program for another fiber than {fiber} to confuse.")
    return planned.model_copy(update={"fiber": fiber, "target": planned.target or others[-1]})


def _subject(scenario: Scenario, planned: PlannedFault, rng: np.random.Generator) -> str:
    fitting, word = _fitting(scenario, planned), SUBJECT[planned.kind]
    if planned.subject != RANDOM:
        known = _everybody(scenario, word)
        if planned.subject not in known:
            near = difflib.get_close_matches(planned.subject, known, n=1)
            hint = f" Did you mean {near[0]}?" if near else ""
            raise UsageError(f"The crew has no {word} named {planned.subject}.{hint}")
        if planned.subject not in fitting:
            raise NoSubjectFits(f"The fault {planned.kind} cannot happen to {planned.subject}.")
        return planned.subject
    taken = {f.subject for f in scenario.faults if SUBJECT[f.kind] == word and word != "crew"}
    free = [name for name in fitting if name not in taken] or fitting
    if not free:
        raise NoSubjectFits(
            f"The crew has no {word} that the fault {planned.kind} could happen to."
        )
    return str(free[int(rng.integers(len(free)))])


def _everybody(scenario: Scenario, word: str) -> Sequence[str]:
    names: dict[str, list[str]] = {
        "splicer": [s.name for s in scenario.splicers],
        "technician": [t.name for t in scenario.technicians],
        "cleaver": [s.cleaver for s in scenario.splicers],
        "site": [s.name for s in scenario.sites],
        "crew": [scenario.name],
    }
    return names[word]


def _fitting(scenario: Scenario, planned: PlannedFault) -> Sequence[str]:
    """Whom a fault can happen to."""
    if planned.kind == "wrong-program":
        right = {p.name for p in scenario.programs if p.fiber_b == planned.fiber}
        return [
            s.name
            for s in scenario.splicers
            if not s.programs or any(share for name, share in s.programs if name in right)
        ]
    if planned.kind == "site-move":
        if len(scenario.sites) < 2:
            return []
        return [s.name for s in scenario.splicers if s.home_site != planned.target]
    if planned.kind == "readings-gap":
        return [site.name for site in scenario.sites if site.logger_min is not None]
    if planned.kind == "newcomer" and len(scenario.technicians) == len(scenario.splicers):
        return []
    if planned.kind == "newcomer":
        return [t.name for t in scenario.technicians if t.joins is None]
    return _everybody(scenario, SUBJECT[planned.kind])


def _target(scenario: Scenario, planned: PlannedFault, subject: str) -> str | None:
    if planned.kind == "wrong-program":
        if planned.target not in [p.name for p in scenario.programs]:
            raise UsageError(f"The crew has no program named {planned.target}.")
        return planned.target
    if planned.kind != "site-move":
        return None
    if planned.target is not None:
        if planned.target not in [site.name for site in scenario.sites]:
            raise UsageError(f"The crew has no site named {planned.target}.")
        return planned.target
    home = next(s.home_site for s in scenario.splicers if s.name == subject)
    height = {site.name: site.elevation_m for site in scenario.sites}
    return max(height, key=lambda name: abs(height[name] - height[home]))


def _with_newcomer(scenario: Scenario, fault: Fault) -> Scenario:
    people: list[Any] = [
        replace(t, joins=fault.since.date(), practice_days=3, novice_loss=fault.size - 1.0)
        if t.name == fault.subject
        else t
        for t in scenario.technicians
    ]
    return replace(scenario, technicians=tuple(people))
