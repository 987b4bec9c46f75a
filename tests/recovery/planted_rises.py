"""Lasting rises of loss of known subjects, planted so many workdays after a service event.

The losses of a healthy simulated crew are multiplied by a factor from one instant on. The onset is
counted from a replacement of electrodes, on the subject itself if it is a splicer, else on a
splicer on which the subject works. Replacements may move what a splicer loses by a known amount.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from arcdrift.arrays import Floats
from arcdrift.simulate import Scenario, SimulatedCrew, invented_crew, simulate_frames

SPLICERS, DAYS = 8, 130
LEARNED_DAYS = 56
"""Days of records before the earliest rise."""
REVIEWED_WORKDAYS = (10, 22)
"""Workdays after the onset at which the crew is reviewed."""
KINDS = ("stream", "splicer", "technician", "cleaver", "shared cleaver", "program", "site", "crew")
"""Kinds of subjects. The cleavers of simulated crews each stay with one splicer, so that only its
cleave angles could tell them apart; a shared cleaver is exchanged with another splicer's."""
EXCHANGE_DAYS = 7
"""Days after which two splicers exchange their cleavers."""
FEWEST, FEWEST_HERE = 100, 20
"""Splices that a subject makes within the first ten workdays, and those on the splicer whose
electrodes were replaced."""
FEWEST_ON_TWO = 40
"""Splices that a person, program, site or shared cleaver makes on each of two splicers."""
DAY = pd.Timedelta(days=1)
ZONE = "America/Denver"
"""Time zone of the simulated crews."""


@dataclass(frozen=True)
class Plan:
    """One rise to plant; without a kind the crew stays healthy.

    Attributes
    ----------
    workdays : int
        From the replacement of electrodes to the onset.
    omega : float
        Standard deviation of the log of the factor by which a replacement moves a splicer's loss.
    """

    kind: str
    factor: float
    workdays: int
    omega: float
    seed: int


@dataclass(frozen=True)
class PlantedRise:
    """A crew with its rise.

    Attributes
    ----------
    subject_type, subject : str
        As findings name them.
    """

    plan: Plan
    made: SimulatedCrew
    subject_type: str
    subject: str
    onset: pd.Timestamp

    def end(self, workdays: int) -> pd.Timestamp:
        """The local midnight before the workday that comes so many workdays after the onset."""
        return local_midnight(self.onset + pd.offsets.BDay(workdays))

    def rows(self, rows: pd.DataFrame) -> pd.Series:
        """Whether each splice or cell is the subject's."""
        if self.subject_type == "crew":
            return pd.Series(True, index=rows.index)
        return subject_names(self.subject_type, rows) == self.subject


def local_midnight(at: pd.Timestamp) -> pd.Timestamp:
    """The crew's midnight at or before an instant."""
    return at.tz_convert(ZONE).normalize().tz_convert("UTC")


def subject_names(subject_type: str, rows: pd.DataFrame) -> pd.Series:
    """Name of the subject of a type to which each row belongs."""
    if subject_type == "stream":
        return rows["splicer"].astype(str) + " / " + rows["program"].astype(str)
    return rows[subject_type].astype(str)


def crew_of(seed: int) -> Scenario:
    """The crew of a seed."""
    return invented_crew(splicers=SPLICERS, days=DAYS, seed=seed)


def plant_rise(plan: Plan) -> PlantedRise | None:
    """Simulate a crew and plant a rise; None if no subject of the crew fits the plan."""
    scenario = crew_of(plan.seed)
    made = simulate_frames(scenario)
    splices, replaced = made["splices"], _replacements(made)
    start = pd.Timestamp(scenario.start, tz="UTC")
    rng = np.random.default_rng([plan.seed, 7])
    chosen = _subject_and_onset(plan, splices, replaced, start, rng)
    if chosen is None:
        return None
    splicer, subject, onset = chosen
    if plan.kind == "shared cleaver":
        splices = _with_exchanged_cleavers(splices, splicer, start)
    kind = "cleaver" if plan.kind == "shared cleaver" else plan.kind
    rise = PlantedRise(plan, made, kind, subject, onset)
    factor = np.exp(_level_moves(splices, replaced, plan))
    since = (splices["spliced_at"] >= onset).to_numpy() & rise.rows(splices).to_numpy()
    factor[since] *= plan.factor
    made.records["splices"] = with_factor(splices, factor, rng)
    return rise


def healthy_crew(plan: Plan) -> SimulatedCrew:
    """A crew without a rise, whose replacements move the loss."""
    made = simulate_frames(crew_of(plan.seed))
    factor = np.exp(_level_moves(made["splices"], _replacements(made), plan))
    rng = np.random.default_rng([plan.seed, 7])
    made.records["splices"] = with_factor(made["splices"], factor, rng)
    return made


def _replacements(made: SimulatedCrew) -> pd.DataFrame:
    """Replacements of electrodes in order of time."""
    service = made["service"]
    return service[service["action"] == "electrodes replaced"].sort_values("serviced_at")


def with_factor(
    splices: pd.DataFrame, factor: Floats, rng: np.random.Generator
) -> pd.DataFrame:  # fmt: skip
    """Splices whose losses are multiplied; those with a factor of 1 keep theirs.

    Losses are rounded to 0.01 dB. A random part of a step is added before, so that a small factor
    does not vanish in the rounding.
    """
    loss = splices["loss_db"].to_numpy(dtype=np.float64)
    within_step = rng.uniform(-0.005, 0.005, len(loss))
    more = np.round(np.maximum(loss + within_step, 0.0) * factor, 2)
    return splices.assign(loss_db=np.where(factor == 1.0, loss, more))


def _level_moves(splices: pd.DataFrame, replaced: pd.DataFrame, plan: Plan) -> Floats:
    """Log of the factor by which past replacements moved each splice's loss."""
    rng = np.random.default_rng([plan.seed, 11])
    moved = np.zeros(len(splices))
    for splicer, at in zip(replaced["asset"].astype(str), replaced["serviced_at"], strict=True):
        move = rng.normal(0.0, plan.omega) if plan.omega else 0.0
        since = (splices["splicer"].astype(str) == splicer) & (splices["spliced_at"] >= at)
        moved[since.to_numpy()] += move
    return moved


def _with_exchanged_cleavers(
    splices: pd.DataFrame, splicer: str, start: pd.Timestamp
) -> pd.DataFrame:
    """Splices of two splicers of one site that exchange their cleavers every other week."""
    cleaver = splices["cleaver"].astype(str)
    other = _neighbor(splices, splicer)
    own, others = (str(cleaver[splices["splicer"] == name].iloc[0]) for name in (splicer, other))
    week = (splices["spliced_at"] - start) // (EXCHANGE_DAYS * DAY)
    exchanged = cleaver.replace({own: others, others: own})
    return splices.assign(cleaver=cleaver.where(week % 2 == 0, exchanged))


def _neighbor(splices: pd.DataFrame, splicer: str) -> str:
    """The splicer that shares most of a splicer's site."""
    here = splices["splicer"] == splicer
    site = splices.loc[here, "site"].astype(str).mode().iloc[0]
    others = splices.loc[~here & (splices["site"].astype(str) == site), "splicer"]
    if others.empty:
        others = splices.loc[~here, "splicer"]
    return str(others.astype(str).mode().iloc[0])


def _subject_and_onset(
    plan: Plan,
    splices: pd.DataFrame,
    replaced: pd.DataFrame,
    start: pd.Timestamp,
    rng: np.random.Generator,
) -> tuple[str, str, pd.Timestamp] | None:
    """Splicer whose electrodes were replaced, subject and onset that fit a plan."""
    earliest = start + LEARNED_DAYS * DAY
    latest = start + DAYS * DAY - pd.offsets.BDay(max(REVIEWED_WORKDAYS) + 1)
    events = list(zip(replaced["asset"].astype(str), replaced["serviced_at"], strict=True))
    for number in rng.permutation(len(events)):
        splicer, at = events[number]
        onset = at + pd.offsets.BDay(plan.workdays) if plan.workdays else at
        again = any(name == splicer and at < other <= onset for name, other in events)
        if again or not earliest <= onset <= latest:
            continue
        rows = splices
        if plan.kind == "shared cleaver":
            rows = _with_exchanged_cleavers(splices, splicer, start)
        end = onset + pd.offsets.BDay(min(REVIEWED_WORKDAYS))
        since = rows[(rows["spliced_at"] >= onset) & (rows["spliced_at"] < end)]
        names = _fitting(plan.kind, since, splicer)
        if names:
            return splicer, str(rng.choice(names)), onset
    return None


def _fitting(kind: str, since: pd.DataFrame, splicer: str) -> list[str]:
    """Subjects of a kind with enough splices, some of them on a splicer."""
    if kind == "crew":
        return ["crew"]
    if kind == "splicer":
        return [splicer] if (since["splicer"] == splicer).sum() >= FEWEST else []
    several = kind in ("technician", "program", "site", "shared cleaver")
    names = subject_names("cleaver" if kind == "shared cleaver" else kind, since)
    each = since.groupby([names.rename("name"), since["splicer"].astype(str)]).size()
    each = each[each > 0]
    by_name = each.groupby(level=0)
    wanted = by_name.sum() >= FEWEST
    here = each[each.index.get_level_values(1) == splicer]
    wanted &= here.droplevel(1).reindex(wanted.index, fill_value=0) >= FEWEST_HERE
    if several:
        wanted &= (each >= FEWEST_ON_TWO).groupby(level=0).sum() >= 2
    if kind == "site":
        wanted &= by_name.size() < since["splicer"].nunique()
    return sorted(wanted.index[wanted].astype(str))
