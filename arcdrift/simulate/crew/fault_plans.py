"""Plans of faults in TOML files, and adding their faults to a scenario.

A plan gives for each fault the kind, the subject (a name, or ``random``), the start and the end
(day numbers from 0 on, dates, or local dates with a time; the end is the first moment without
the fault) and the size. An unknown key is refused with a similar known one as a suggestion.
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
from arcdrift.simulate.crew.faults import SUBJECT_TYPES, Fault, FaultKind, Side
from arcdrift.simulate.crew.scenario import Habits, Scenario

RANDOM = "random"
_JOINS = ("newcomer", "slow-beginner")
"""Faults of somebody who joins when they begin."""
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
    """Habits and crew-wide effects that a plan changes; None leaves one unchanged."""

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
    """The content of a TOML file of faults."""

    name: str
    description: str = ""
    by_chance: bool = True
    """Whether it may be among faults that are chosen at random."""
    crew: PlannedCrew = Field(default_factory=PlannedCrew)
    faults: tuple[PlannedFault, ...] = ()


def plan_names() -> list[str]:
    """Return the names of the plans that come with the package."""
    return sorted(path.stem for path in _plan_folder().glob("*.toml"))


def load_plan(name_or_path: str) -> FaultPlan:
    """Read a plan by its name, or from a TOML file.

    Raises
    ------
    BadInput
        If there is no such plan, or the file cannot be used.
    """
    path = Path(name_or_path)
    if path.suffix != ".toml":
        path = _plan_folder() / f"{name_or_path}.toml"
        if not path.is_file():
            similar = difflib.get_close_matches(name_or_path, plan_names(), n=1)
            hint = (
                f" Did you mean {similar[0]}?" if similar else f" Known: {', '.join(plan_names())}."
            )
            raise BadInput(f"There are no faults named {name_or_path}.{hint}")
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as problem:
        raise BadInput(f"{path} cannot be read: {problem}.") from None
    except tomllib.TOMLDecodeError as problem:
        raise BadInput(f"{path} is not valid TOML: {problem}.") from None
    try:
        return FaultPlan.model_validate({"name": path.stem, **content})
    except ValidationError as problem:
        raise BadInput(f"{path.name}: {_error_sentence(problem)}") from None


def add_faults(scenario: Scenario, plan: FaultPlan) -> Scenario:
    """Add the faults of a plan to a scenario, and apply its habits.

    Raises
    ------
    UsageError
        If a fault starts outside the simulated days, or the crew has no subject for it.
    """
    scenario = _apply_habits(scenario, plan.crew)
    rng = scenario.rng("plan", plan.name)
    for planned in plan.faults:
        scenario = _add_fault(scenario, planned, plan.name, rng)
    return scenario


def add_random_faults(scenario: Scenario) -> Scenario:
    """Add random faults of the plans in the package: one per three splicers, at least three.

    Kinds, subjects and starts depend on the scenario's seed; starts lie between one quarter and
    three quarters of the days.
    """
    rng = scenario.rng("some faults")
    plans = {name: load_plan(name) for name in plan_names()}
    names = [name for name, plan in plans.items() if plan.faults and plan.by_chance]
    remaining = max(3, len(scenario.splicers) // 3)
    while remaining:
        for name in rng.permutation(names)[:remaining]:
            remaining -= 1
            planned = load_plan(str(name)).faults[0]
            start_day = round(float(rng.uniform(0.25, 0.75)) * scenario.days)
            if isinstance(planned.end, float) and isinstance(planned.start, float):
                end = start_day + planned.end - planned.start
                planned = planned.model_copy(update={"end": end})
            shifted = planned.model_copy(update={"start": float(start_day), "subject": RANDOM})
            try:
                scenario = _add_fault(scenario, shifted, str(name), rng)
            except NoSubjectFits:
                continue
    return scenario


class NoSubjectFits(UsageError):
    """The crew has no person, machine or site that the fault could happen to."""


@cache
def _plan_folder() -> Path:
    package = Path(arcdrift.__file__).parent
    for folder in (package / "example_scenarios", package.parent / "data" / "scenarios"):
        if folder.is_dir():
            return folder
    raise BadInput("The fault plans are missing from this installation; install arcdrift anew.")


def _error_sentence(problem: ValidationError) -> str:
    first = problem.errors()[0]
    where = ".".join(str(part) for part in first["loc"] if not str(part).startswith("function"))
    key = str(first["loc"][-1]) if first["loc"] else ""
    if first["type"] == "extra_forbidden":
        models = (FaultPlan, PlannedFault, PlannedCrew)
        known = {name for model in models for name in model.model_fields}
        sentence, typed = f"the key {where} is not known.", key
    elif first["type"] == "literal_error" and key == "kind":
        known, typed = set(get_args(FaultKind)), str(first["input"])
        sentence = f"{where}: the kind {typed} is not known."
    else:
        return f"{where}: {first['msg']}."
    similar = difflib.get_close_matches(typed, sorted(known), n=1)
    return f"{sentence} Did you mean {similar[0]}?" if similar else sentence


def _apply_habits(scenario: Scenario, crew: PlannedCrew) -> Scenario:
    values = {key: value for key, value in crew.model_dump().items() if value is not None}
    habits = {f.name: values[f.name] for f in fields(Habits) if f.name in values}
    losses = {key: values[key] for key in ("crew_day_sd", "crew_day_lag") if key in values}
    return replace(
        scenario,
        habits=replace(scenario.habits, **habits),
        losses=replace(scenario.losses, **losses),
        time_zone=values.get("time_zone", scenario.time_zone),
    )


def _add_fault(
    scenario: Scenario, planned: PlannedFault, name: str, rng: np.random.Generator
) -> Scenario:
    since = _local_time(scenario, planned.start)
    until = None if planned.end is None else _local_time(scenario, planned.end)
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
    planned = _with_default_fiber(scenario, planned)
    subject = _choose_subject(scenario, planned, rng)
    fault = Fault(
        planned.kind, subject, since, until, planned.size,
        planned.description.format(subject=subject),
        target=_choose_target(scenario, planned, subject),
        side=planned.side, fiber=planned.fiber, name=name,
    )  # fmt: skip
    if planned.kind in _JOINS:
        scenario = _with_newcomer(scenario, fault)
    return replace(scenario, faults=(*scenario.faults, fault))


def _local_time(scenario: Scenario, moment: Moment) -> datetime:
    if isinstance(moment, datetime):
        return moment.replace(tzinfo=None)
    if isinstance(moment, date):
        return datetime.combine(moment, time())
    return datetime.combine(scenario.start, time()) + timedelta(days=moment)


def _with_default_fiber(scenario: Scenario, planned: PlannedFault) -> PlannedFault:
    """Fill in the fiber and the program of a wrong-program fault if the plan leaves them out."""
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


def _choose_subject(scenario: Scenario, planned: PlannedFault, rng: np.random.Generator) -> str:
    fitting_names, subject_type = _fitting_names(scenario, planned), SUBJECT_TYPES[planned.kind]
    if planned.subject != RANDOM:
        known = _all_names(scenario, subject_type)
        if planned.subject not in known:
            similar = difflib.get_close_matches(planned.subject, known, n=1)
            hint = f" Did you mean {similar[0]}?" if similar else ""
            raise UsageError(f"The crew has no {subject_type} named {planned.subject}.{hint}")
        if planned.subject not in fitting_names:
            raise NoSubjectFits(f"The fault {planned.kind} cannot happen to {planned.subject}.")
        return planned.subject
    used = {
        f.subject
        for f in scenario.faults
        if SUBJECT_TYPES[f.kind] == subject_type and subject_type != "crew"
    }
    unused = [name for name in fitting_names if name not in used] or fitting_names
    if not unused:
        raise NoSubjectFits(
            f"The crew has no {subject_type} that the fault {planned.kind} could happen to."
        )
    return str(unused[int(rng.integers(len(unused)))])


def _all_names(scenario: Scenario, subject_type: str) -> Sequence[str]:
    names: dict[str, list[str]] = {
        "splicer": [s.name for s in scenario.splicers],
        "technician": [t.name for t in scenario.technicians],
        "cleaver": [s.cleaver for s in scenario.splicers],
        "site": [s.name for s in scenario.sites],
        "crew": [scenario.name],
    }
    return names[subject_type]


def _fitting_names(scenario: Scenario, planned: PlannedFault) -> Sequence[str]:
    """Return the names of the subjects that a fault can happen to."""
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
    if planned.kind == "site-dusty":
        return sorted({splicer.home_site for splicer in scenario.splicers})
    if planned.kind in _JOINS and len(scenario.technicians) == len(scenario.splicers):
        return []
    if planned.kind in _JOINS:
        return [t.name for t in scenario.technicians if t.joins is None]
    return _all_names(scenario, SUBJECT_TYPES[planned.kind])


def _choose_target(scenario: Scenario, planned: PlannedFault, subject: str) -> str | None:
    if planned.kind == "easy-program" and planned.target is None:
        return max(scenario.programs[:2], key=lambda program: program.mean_db).name
    if planned.kind in ("wrong-program", "easy-program"):
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
    elevations = {site.name: site.elevation_m for site in scenario.sites}
    return max(elevations, key=lambda name: abs(elevations[name] - elevations[home]))


def _with_newcomer(scenario: Scenario, fault: Fault) -> Scenario:
    novice: dict[str, Any] = {"practice_days": 3, "novice_loss": fault.size - 1.0}
    if fault.kind == "slow-beginner":
        novice = {"novice_loss": 0.0, "novice_angle": 0.0}
    people: list[Any] = [
        replace(t, joins=fault.since.date(), **novice) if t.name == fault.subject else t
        for t in scenario.technicians
    ]
    return replace(scenario, technicians=tuple(people))
