"""Measured error rates of the analyses on simulated crews with known truth."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.advice.advice import advise
from arcdrift.analysis.advice.splicer_state import AirNow, LastCheck, SplicerState
from arcdrift.analysis.arc.arc_model import ArcModel
from arcdrift.analysis.budget.replay_alarms import History, recorded_alarms
from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH, workdays_of
from arcdrift.analysis.loss.day_level import ratio_of, relative_level
from arcdrift.analysis.people.prep_effects import prep_effects
from arcdrift.analysis.review.pipeline import Assessment
from arcdrift.shares import Shares
from arcdrift.simulate import invented_crew, load_plan
from arcdrift.simulate.crew.fault_plans import add_faults
from tests.recovery.crews import Run, run_crew

LOOK_BACK = pd.Timedelta(days=7)
"""A finding that started more than this before a fault is not about it."""
EARLY_DAYS = 2 * WORKDAYS_PER_MONTH
"""The first workdays of a crew, whose charts have learned little yet."""
EARLY = pd.Timedelta(days=21)
"""A finding of worn electrodes may come this long before they are worn out."""


# -- false alarms ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Alarms:
    """Alarms of one healthy crew against its budget.

    Attributes
    ----------
    counts : dict of int
        Alarms by share of the budget (`arcdrift.shares.Shares`).
    early : dict of int
        Those of the first `EARLY_DAYS` workdays.
    """

    streams: int
    months: float
    budget: float
    counts: dict[str, int]
    early: dict[str, int]

    @property
    def total(self) -> int:
        """Alarms of all charts together."""
        return sum(self.counts.values())

    @property
    def realized(self) -> float:
        """Alarms per month, divided by the budget."""
        return self.total / self.months / self.budget


def shares_of(alarms: pd.DataFrame) -> pd.Series:
    """Share of the budget that each alarm counts toward."""
    level = pd.Series("rolled_up", alarms.index)
    of_stream = alarms["subject_type"] == "stream"
    level = level.mask(of_stream & (alarms["side"] == "up"), "loss_raised")
    level = level.mask(of_stream & (alarms["side"] == "down"), "loss_lowered")
    other = alarms["measure"].replace({"spread": "scattered"})
    return other.mask(alarms["measure"] == "level", level)


def count_alarms(run: Run) -> Alarms:
    """Count the alarms of each kind of chart in a crew without faults."""
    frames = run.assessment.frames
    days = frames["result_stream_days"]
    workdays = workdays_of(days["day"])
    alarms = recorded_alarms(History.read(frames.__getitem__))
    share = shares_of(alarms)
    early = alarms["day"] <= pd.Timestamp(workdays[min(EARLY_DAYS, len(workdays)) - 1])
    none = dict.fromkeys(Shares.model_fields, 0)
    return Alarms(
        streams=len(days.drop_duplicates(["splicer", "program"])),
        months=len(workdays) / WORKDAYS_PER_MONTH,
        budget=run.made.crew.false_alarms_per_month,
        counts=none | share.value_counts().to_dict(),
        early=none | share[early].value_counts().to_dict(),
    )


def healthy(seed: int, *, splicers: int, days: int = 365) -> Run:
    """One crew without faults."""
    return run_crew(invented_crew(splicers=splicers, days=days, seed=seed))


# -- planted faults ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Expectation:
    """Findings expected for a scenario.

    Attributes
    ----------
    kinds : set of str
        Kinds of findings that count as detection.
    named : bool
        Whether the finding must name the fault's subject, a person, among its causes.
    signature : str
        Signature on the Coaching page that counts as detection, too; it has no date.
    """

    kinds: frozenset[str]
    named: bool = False
    signature: str = ""


ARC = frozenset({"arc-step", "arc-drift"})
RAISED = frozenset({"loss-raised"})
SCENARIOS: dict[str, Expectation] = {
    "arc-step": Expectation(ARC),
    "slow-drift": Expectation(ARC),
    "electrodes-never-replaced": Expectation(frozenset({"electrodes-worn"})),
    "dirty-v-grooves": Expectation(RAISED),
    "careless-technician": Expectation(RAISED, named=True),
    "newcomer": Expectation(RAISED, named=True, signature="learning"),
    "dull-blade": Expectation(RAISED | {"cleave-raised"}),
    "holder-bent": Expectation(RAISED | {"cleave-uneven"}),
    "wrong-program": Expectation(RAISED | {"program-unexpected"}),
    "splicer-clock-reset": Expectation(frozenset({"clock-wrong"})),
    "optimistic-estimator": Expectation(frozenset({"estimate-optimistic"})),
    "checks-skipped": Expectation(frozenset({"check-missed"})),
}
HARMLESS = ("altitude-move", "cold-front")


@dataclass(frozen=True)
class Outcome:
    """Detection of one planted fault; delay and onset error in days, NaN where not found."""

    scenario: str
    found: bool
    delay: float
    onset_error: float


def try_scenario(name: str, seed: int) -> tuple[Run, Outcome]:
    """Plant one scenario in a crew of eight splicers over 120 days and search its findings."""
    run = run_crew(add_faults(invented_crew(seed=seed), load_plan(name)))
    (fault,) = run.made.truth.faults
    expected = SCENARIOS[name]
    began = pd.Timestamp(fault["since"])
    until = run.now if fault["until"] is None else pd.Timestamp(fault["until"])
    if name == "electrodes-never-replaced":
        worn = [row["since"] for row in run.made.truth.worn_out or []
                if row["splicer"] == fault["subject"]]  # fmt: skip
        # the finding should come before the electrodes are worn out
        began = (pd.Timestamp(worn[0]) if worn else run.now) - EARLY
    found = [
        finding
        for finding in run.findings
        if finding.kind in expected.kinds
        and _is_about(run, finding.subject_id, finding.likely_causes, fault, expected)
        and began - LOOK_BACK <= pd.Timestamp(finding.since) <= until + LOOK_BACK
    ]
    if not found:
        signatures = run.assessment.frames["result_signatures"]
        signatures = signatures.reindex(columns=["kind", "subject"])  # without rows, no columns
        matches = signatures["kind"] == expected.signature
        matches &= signatures["subject"] == fault["subject"]
        return run, Outcome(name, bool(matches.any()), np.nan, np.nan)
    first = min(found, key=lambda finding: finding.since)
    onset = first.onset.estimate if first.onset else first.since
    return run, Outcome(name, True, _days(first.since, began), _days(onset, began))


@dataclass(frozen=True)
class HarmlessOutcome:
    """Arc alarms during a harmless change and the week after it.

    ``without`` are those of the same crew without the change. Both should be chance alarms only,
    so the same number is expected of each. ``allowed`` is the number the budget allows.
    """

    scenario: str
    alarms: int
    without: int
    allowed: float


def try_harmless(name: str, seed: int) -> HarmlessOutcome:
    """Arc alarms of a crew of eight splicers with and without a harmless change."""
    changed = run_crew(add_faults(invented_crew(seed=seed), load_plan(name)))
    plain = run_crew(invented_crew(seed=seed))
    (fault,) = changed.made.truth.faults
    began = pd.Timestamp(fault["since"])
    ended = changed.now if fault["until"] is None else pd.Timestamp(fault["until"])
    until = min(ended + LOOK_BACK, changed.now)
    splicers = changed.assessment.frames["result_arc_points"]["splicer"].unique()
    concerned = splicers if fault["subject_type"] == "crew" else [fault["subject"]]

    def alarms(run: Run) -> int:
        points = run.assessment.frames["result_arc_points"]
        within = points["checked_at"].between(began, until) & points["splicer"].isin(concerned)
        return int(points.loc[within, "alarm"].sum())

    crew = changed.made.crew
    months = np.busday_count(began.date(), until.date()) / WORKDAYS_PER_MONTH
    share = crew.shares.arc * len(concerned) / len(splicers)
    allowed = crew.false_alarms_per_month * share * months
    return HarmlessOutcome(name, alarms(changed), alarms(plain), float(allowed))


def _is_about(
    run: Run,
    subject_id: str,
    causes: Iterable[object],
    fault: dict[str, object],
    expected: Expectation,
) -> bool:
    subject = str(fault["subject"])
    if expected.named:
        return subject_id == subject or any(subject in str(cause) for cause in causes)
    if fault["subject_type"] == "cleaver":
        used = run.made["splices"]
        at = used.loc[used["cleaver"] == subject, "splicer"].unique()
        return subject_id.split(" / ")[0] in set(map(str, at))
    if fault["subject_type"] == "crew":
        return True
    return subject_id.split(" / ")[0] == subject


def _days(later: datetime, earlier: pd.Timestamp) -> float:
    return float((pd.Timestamp(later) - earlier) / pd.Timedelta(days=1))


# -- intervals ---------------------------------------------------------------------------------


def arc_models(assessment: Assessment) -> dict[str, ArcModel]:
    """Arc models by splicer, for those that have one."""
    rows = assessment.frames["result_arc_models"].dropna(subset=["model"])
    return {
        str(name): ArcModel.from_json(json.loads(text))
        for name, text in zip(rows["splicer"], rows["model"], strict=True)
    }


def effect_coverage(run: Run) -> pd.DataFrame:
    """Whether each 95 % interval of an arc effect contains the true value.

    Returns
    -------
    DataFrame
        ``splicer``, ``effect``, ``basis`` (own or pooled), ``inside``.
    """
    rows = []
    for name, model in arc_models(run.assessment).items():
        truth = run.made.truth.arc[name]
        true = (truth["density"] * 0.01, truth["vapor"], truth["wear"])
        for basis, effects in (("own", model.effects), ("pooled", model.pooled)):
            rows += [
                {"splicer": name, "effect": effect.name, "basis": basis,
                 "inside": effect.low <= value <= effect.high}
                for effect, value in zip(effects, true, strict=bool(effects))
            ]  # fmt: skip
    return pd.DataFrame(rows)


def required_coverage(run: Run) -> pd.DataFrame:
    """Whether the advised setting's 95 % interval contains the truly required setting.

    Evaluated at four times per splicer in the last two weeks, on the present electrodes, with the
    true air and the true wear.

    Returns
    -------
    DataFrame
        ``splicer``, ``inside``.
    """
    rows = []
    for name, model in arc_models(run.assessment).items():
        renewed = [
            pd.Timestamp(row["replaced_at"])
            for row in run.made.truth.electrodes
            if row["splicer"] == name
        ]
        moments = [run.now - pd.Timedelta(days=days) for days in (0.1, 4, 8, 12)]
        times = [at for at in moments if not renewed or at > max(renewed)]
        truth = run.made.required(name, pd.DatetimeIndex(times))
        for at, row in zip(times, truth.itertuples(), strict=True):
            required = advise(_true_state(name, model, at, row), model, run.made.crew).required
            if required is not None:
                inside = required["low"] <= row.required <= required["high"]
                rows.append({"splicer": name, "inside": inside})
    return pd.DataFrame(rows, columns=["splicer", "inside"])


def _true_state(name: str, model: ArcModel, at: pd.Timestamp, truth: Any) -> SplicerState:
    """True state of a splicer, so that only the model can be wrong."""
    last = LastCheck(
        checked_at=at, site=None, arc_setting=truth.in_force, arcs=truth.arcs,
        temperature_c=None, pressure_hpa=None, humidity_pct=None,
        air_density=truth.air_density, vapor_pressure=truth.vapor_pressure,
    )  # fmt: skip
    air = AirNow(
        temperature_c=None, pressure_hpa=None, humidity_pct=None,
        air_density=truth.air_density, vapor_pressure=truth.vapor_pressure,
        source="truth", age_min=0.0,
    )  # fmt: skip
    return SplicerState(
        splicer=name, now=at, day_started=at, site=None, unit=model.unit, tolerance=None,
        last_check=last, failed_since=0, service_since=(), air=air, arcs_now=truth.arcs,
        program_classes=(),
    )  # fmt: skip


def technician_coverage(run: Run) -> pd.DataFrame:
    """Whether each technician's 95 % interval on loss contains the true effect.

    Both are relative to the crew's average.

    Returns
    -------
    DataFrame
        ``technician``, ``inside``.
    """
    effects = prep_effects(run.summary.technician_days)
    if isinstance(effects, str):
        return pd.DataFrame(columns=["technician", "inside"])
    table = effects.effects_of("technician", "loss").dropna(subset=["effect"]).set_index("name")
    factors = {
        name: np.exp(row["log_mean_loss"]) for name, row in run.made.truth.technicians.items()
    }
    truth = pd.Series(relative_level(np.array(list(factors.values()))), index=list(factors))
    truth = truth.reindex(table.index)
    truth = pd.Series(ratio_of((truth - truth.mean()).to_numpy()) - 1.0, index=truth.index)
    inside = (table["low"] <= truth) & (truth <= table["high"])
    return pd.DataFrame({"technician": table.index, "inside": inside.to_numpy()})


# -- check statuses ----------------------------------------------------------------------------


def wrong_statuses(run: Run) -> int:
    """Number of splicer-days whose status or counts of splices differ from the truth.

    Days with a wrong clock are not judged (`days_not_judged`).
    """
    columns = ["splicer", "day", "status", "splices", "splices_before_check"]
    computed = run.assessment.frames["result_check_days"]
    computed = (
        computed.loc[computed["splices"] > 0, columns].set_index(["splicer", "day"]).sort_index()
    )
    truth = _true_days(run)
    truth = truth.loc[~_in_wrong_stretch(truth, run), columns[2:]]
    if not computed.index.equals(truth.index):
        return len(computed.index.symmetric_difference(truth.index))
    return int((computed != truth).any(axis=1).sum())


def days_not_judged(run: Run) -> int:
    """Number of splicer-days with work that are not judged because a clock was wrong."""
    return int(_in_wrong_stretch(_true_days(run), run).sum())


def _true_days(run: Run) -> pd.DataFrame:
    truth = pd.DataFrame(run.made.truth.check_days)
    return truth[truth["splices"] > 0].set_index(["splicer", "day"]).sort_index()


def _in_wrong_stretch(days: pd.DataFrame, run: Run) -> pd.Series:
    """Whether each (splicer, day) lies in a stretch in which its clock was found wrong."""
    rows = days.index.to_frame(index=False)
    wrong = pd.Series(data=False, index=rows.index)
    for splicer, group in rows.groupby("splicer"):
        if splicer in run.summary.clocks:
            wrong[group.index] = run.summary.clocks[splicer].holds_day(pd.to_datetime(group["day"]))
    return wrong.set_axis(days.index)
