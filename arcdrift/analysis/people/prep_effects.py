"""Whose hands, and whose machine: people, splicers and cleavers told apart on four measures.

Every technician works on several splicers and every splicer with several technicians, so a
crossed model can tell them apart; where the shared work does not connect them, nothing can,
and the answer says so.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

from arcdrift.analysis.loss.day_level import ratio_of, relative_level
from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NOBODY
from arcdrift.analysis.people.comparability import connected_sets, home_parts
from arcdrift.analysis.people.crossed_random_effects import Crossed, fit_crossed, full_rank
from arcdrift.analysis.people.variance_components import STINT
from arcdrift.arrays import Floats
from arcdrift.charts.intervals import Z95
from arcdrift.settings import Prep

MIN_DAYS = 5
"""Days of work below which nobody is given a figure."""
LEAST_MOVED = 0.5
REDO_WEEKS = 4
"""Redone splices are rare: they are counted over four weeks, not days."""
MEASURES = {
    "loss": "loss",
    "angle": "cleave angle",
    "uneven": "right cleave angle against left",
    "redo": "odds of a redo",
}
EFFECT_COLUMNS = [
    "who", "name", "measure", "days", "splices", "set", "effect", "low", "high", "sure", "note",
]  # fmt: skip


@dataclass(frozen=True)
class PrepEffects:
    """Effects of people and machines.

    Attributes
    ----------
    effects : DataFrame
        `EFFECT_COLUMNS`: who (``technician``, ``splicer`` or ``cleaver``), name, measure (a key
        of `MEASURES`), days, splices, set (who is comparable with whom), effect, low, high
        (relative difference from the average of the set, shrunken, with a 95 % interval), sure
        (probability that it lies above the margin); NaN with a note where there is no figure.
    fits : dict of Crossed
        By measure.
    sets : int
        Sets of people and machines that no shared work connects; 1 is best.
    told_apart : tuple of str
        Groupings in the model.
    not_told_apart : tuple of str
        Sentences on what cannot be separated.
    level : float
        Of the intervals.
    """

    effects: pd.DataFrame
    fits: dict[str, Crossed]
    sets: int
    told_apart: tuple[str, ...]
    not_told_apart: tuple[str, ...]
    level: float = 0.95

    def of(self, who: str, measure: str) -> pd.DataFrame:
        """Effects of one kind on one measure, in order of name."""
        rows = self.effects
        return rows[(rows["who"] == who) & (rows["measure"] == measure)].reset_index(drop=True)


def prep_effects(
    cells: pd.DataFrame, prep: Prep | None = None, measures: Iterable[str] = tuple(MEASURES)
) -> PrepEffects | str:
    """Estimate crossed effects on loss, cleave angle, unevenness and redo.

    Parameters
    ----------
    cells : DataFrame
        From `arcdrift.analysis.loss.technician_days.hand_days`, all splicers together; a column
        ``cleaves`` (on the blade position) is adjusted for where it is known.
    prep : Prep, optional
        Settings; the margin is used here.
    measures : iterable of str
        Keys of `MEASURES` to look at.

    Returns
    -------
    PrepEffects, or a sentence why there are none.

    Notes
    -----
    Loss: y = 3 (r^(1/3) - 1) of each cell's capped mean, r relative to that of its program and
    fibers, over the share of the capped sum that lies below the cap: a factor f on all losses
    moves the capped mean by f to the power of that share only (the derivative of E min(f X, c)
    for f at 1 is E[X; X < c]). Angle: mean log of both sides. Unevenness: log of right over
    left. Redo: log odds.
    Fixed: program with fibers, site, air density and vapor pressure, cleaves on the blade (angle).
    Random and crossed: technician, splicer, cleaver; for loss and angle a week of one person on
    one splicer within them (days of one week share work, fiber and blade). Rows are weighed by
    1/(between + within/n), both estimated by moments.
    """
    prep = prep or Prep()
    work = cells[(cells["technician"] != NOBODY) & (cells["made"] > 0)].reset_index(drop=True)
    who, shared = _groupings(work)
    people, machines = work["technician"].nunique(), work["splicer"].nunique()
    days = len(work[["technician", "splicer", "day"]].drop_duplicates())
    if people < 3 or machines < 2 or days < 10 * (people + machines):
        return (
            f"{people} technicians on {machines} splicers over {days} technician-days are "
            "too few to tell hands from machines."
        )
    sets = connected_sets(work[list(who)])
    homes = home_parts(work[["technician", "splicer"]], sets)
    fits: dict[str, Crossed] = {}
    parts = []
    for measure in measures:
        rows = measure_rows(work, measure)
        if rows["technician"].nunique() < 3 or len(rows) < 10 * (people + machines) / REDO_WEEKS:
            continue
        fits[measure] = _fit(rows, measure, who, homes)
        parts.append(_table(fits[measure], rows, work, measure, who, sets, prep.margin))
    count = len(set(sets.values()))
    return PrepEffects(
        effects=pd.concat(parts, ignore_index=True),
        fits=fits,
        sets=count,
        told_apart=who,
        not_told_apart=tuple(shared),
    )


def _groupings(work: pd.DataFrame) -> tuple[tuple[str, ...], list[str]]:
    """Groupings that can be told apart; a cleaver that never leaves its splicer cannot."""
    who, said = ["technician", "splicer"], []
    logged = work[work["cleaver"] != NO_CLEAVER]
    if len(logged):
        pairs = logged[["splicer", "cleaver"]].drop_duplicates()
        own = (pairs["splicer"].value_counts() == 1).all()
        if own and (pairs["cleaver"].value_counts() == 1).all():
            said.append(
                "Each cleaver was used with one splicer only: a splicer's figure is that of both."
            )
        else:
            who.append("cleaver")
    else:
        said.append("No cleaver is logged: a splicer's figure is that of its cleavers too.")
    return tuple(who), said


def measure_rows(work: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Rows of the model of one measure: ``y``, ``weight`` and what explains them."""
    count = {"loss": "n", "angle": "angles", "uneven": "angles", "redo": "made"}[measure]
    rows = work[work[count] > 0].copy()
    rows["recipe"] = rows["program"].astype(str) + " | " + rows["fibers"].astype(str)
    rows["week"] = (pd.to_datetime(rows["day"]) - pd.Timestamp(0)).dt.days // 7
    if measure == "redo":
        rows["period"] = rows["week"] // REDO_WEEKS
        keys = ["technician", "splicer", "cleaver", "recipe", "site", "period"]
        sums = ["made", "redo", "density_n", "density", "vapor"]
        rows = rows.groupby(keys, as_index=False)[sums].sum()
        return rows.assign(y=rows["redo"] / rows["made"], weight=rows["made"], n=rows["made"])
    n = rows[count].to_numpy(dtype=np.float64)
    if measure == "loss":
        totals = rows.groupby("recipe")[["n", "capped", "below"]].transform("sum")
        mean = (totals["capped"] / totals["n"]).to_numpy(dtype=np.float64)
        ratio = rows["capped"].to_numpy(dtype=np.float64) / n / np.maximum(mean, 1e-4)
        # a hand that doubles every loss moves only what lies below the cap
        moved = np.maximum((totals["below"] / totals["capped"]).to_numpy(np.float64), LEAST_MOVED)
        rows["y"] = relative_level(ratio) / moved
        squares = rows["squares"].to_numpy(dtype=np.float64) / np.maximum(mean, 1e-4) ** 2
        scatter = np.maximum(squares - n * ratio**2, 0.0) / moved**2
    else:
        value = rows[measure].to_numpy(dtype=np.float64) / n
        rows["y"] = value
        scatter = np.maximum(
            rows[f"{measure}_squares"].to_numpy(dtype=np.float64) - n * value**2, 0.0
        )
    within = scatter.sum() / max(float((n - 1).sum()), 1.0)
    between = _between(rows, within / n)
    return rows.assign(n=n, weight=1.0 / (between + within / n + 1e-9))


def _between(rows: pd.DataFrame, error: Floats) -> float:
    """Variance between days of one person on one splicer beyond what few splices explain."""
    group = rows.groupby(["technician", "splicer", "recipe"])["y"]
    size = group.transform("size").to_numpy(dtype=np.float64)
    left = (rows["y"] - group.transform("mean")).to_numpy(dtype=np.float64)
    several = size > 1
    if not several.any():
        return 0.01
    spread = (left**2 * size / np.maximum(size - 1, 1.0) - error)[several]
    return max(float(spread.mean()), 1e-4)


def _fit(
    rows: pd.DataFrame, measure: str, who: tuple[str, ...], homes: dict[tuple[str, str], int]
) -> Crossed:
    groups = rows[list(who)].astype(str)
    if measure in ("loss", "angle"):
        week = rows["week"].astype(str)
        groups[STINT] = groups["technician"] + "|" + groups["splicer"] + "|" + week
    return fit_crossed(
        rows["y"].to_numpy(dtype=np.float64),
        rows["weight"].to_numpy(dtype=np.float64),
        _fixed(rows, measure),
        groups,
        likelihood="binomial_logit" if measure == "redo" else "gaussian",
        homes=homes,
    )


def _fixed(rows: pd.DataFrame, measure: str) -> Floats:
    columns = [np.ones(len(rows))]
    for name in ("recipe", "site"):
        dummies = pd.get_dummies(rows[name].astype(str), drop_first=True, dtype=float)
        columns += list(dummies.to_numpy().T)
    aired = rows["density_n"].to_numpy(dtype=np.float64)
    for name in ("density", "vapor"):
        with np.errstate(invalid="ignore", divide="ignore"):
            columns += _known(rows[name].to_numpy(dtype=np.float64) / aired)
    if measure == "angle" and "cleaves" in rows.columns:
        columns += _known(rows["cleaves"].to_numpy(dtype=np.float64))
    return full_rank(np.column_stack(columns))


def _known(value: Floats) -> list[Floats]:
    """A covariate in standard units; missing ones at the mean, with a column that says so."""
    known = np.isfinite(value)
    if known.sum() < 2 or value[known].std() == 0:
        return []
    centered = np.where(known, value - value[known].mean(), 0.0) / value[known].std()
    return [centered] if known.all() else [centered, (~known).astype(np.float64)]


def person_levels(cells: pd.DataFrame, effects: PrepEffects) -> pd.DataFrame:
    """Each technician's days apart from the machines they were on.

    Returns
    -------
    DataFrame
        ``technician``, ``day``, ``loss_level``, ``angle_level``: on the scale of a logarithm,
        against the mean of all (NaN without figures).
    """
    work = cells[(cells["technician"] != NOBODY) & (cells["made"] > 0)].reset_index(drop=True)
    told = work[["technician", "day"]].drop_duplicates(ignore_index=True)
    for measure in ("loss", "angle"):
        if measure not in effects.fits:
            told[f"{measure}_level"] = np.nan
            continue
        rows, fit = measure_rows(work, measure), effects.fits[measure]
        machines = np.zeros(len(rows))
        for who in effects.told_apart[1:]:
            places = fit.places(who)
            machines += fit.effect[[places[str(name)] for name in rows[who]]]
        left = rows["y"] - machines
        level = left - np.average(left, weights=rows["weight"])
        sums = rows.assign(w=rows["weight"], wl=rows["weight"] * level)
        sums = sums.groupby(["technician", "day"])[["w", "wl"]].sum()
        told = told.join((sums["wl"] / sums["w"]).rename(f"{measure}_level"),
                         on=["technician", "day"])  # fmt: skip
    return told


def relative(effect: Floats, measure: str) -> Floats:
    """Relative difference that an effect on a measure's scale means: +0.1 is 10 % more."""
    return (ratio_of(effect) if measure == "loss" else np.exp(effect)) - 1.0


def scaled(change: float, measure: str) -> float:
    """Inverse of `relative`."""
    if measure == "loss":
        return float(relative_level(np.array([1.0 + change]))[0])
    return float(np.log1p(change))


def _table(
    fit: Crossed,
    rows: pd.DataFrame,
    work: pd.DataFrame,
    measure: str,
    who: tuple[str, ...],
    sets: dict[tuple[str, str], int],
    margin: float,
) -> pd.DataFrame:
    parts = []
    for kind in who:
        places = fit.places(kind)
        worked = pd.DataFrame(
            {
                "days": work.groupby(work[kind].astype(str))["day"].nunique(),
                "splices": rows.groupby(rows[kind].astype(str))["n"].sum(),
            }
        )
        names = [name for name in places if not (kind == "cleaver" and name == NO_CLEAVER)]
        told = pd.DataFrame({"who": kind, "name": names, "measure": measure})
        told = told.join(worked, on="name")
        told["set"] = [sets[kind, name] for name in names]
        # each against the mean of its peers in the same part of the crew
        part, own = told["set"].to_numpy(), [places[name] for name in names]
        alike = (part[:, None] == part).astype(np.float64)
        weights = np.zeros((len(names), len(fit.labels)))
        weights[:, own] = np.eye(len(names)) - alike / alike.sum(axis=1, keepdims=True)
        effect, sd = fit.contrasts(weights)
        half = Z95 * sd
        told["effect"] = relative(effect, measure)
        told["low"], told["high"] = (
            relative(effect - half, measure),
            relative(effect + half, measure),
        )
        told["sure"] = norm.sf((scaled(margin, measure) - effect) / np.maximum(sd, 1e-12))
        few = told["days"] < MIN_DAYS
        told.loc[few, ["effect", "low", "high", "sure"]] = np.nan
        text = "only " + told["days"].astype(int).astype(str) + " days of work"
        told["note"] = text.astype(object).where(few, None)
        parts.append(told)
    return pd.concat(parts, ignore_index=True)[EFFECT_COLUMNS]
