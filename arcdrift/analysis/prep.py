"""Whose hands, and whose splicer: technician effects on loss, apart from the machines.

Every technician works on several splicers and every splicer with several technicians, so a
crossed model can tell them apart; where the shared work does not connect them, nothing can,
and the answer says so.
"""

import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from arcdrift.analysis.loss import relative_level
from arcdrift.analysis.splicer import NOBODY

Z95 = 1.959964
MIN_DAYS = 5
"""Days of work below which a technician is not given a figure."""

EFFECT_COLUMNS = ["technician", "splicer", "v1", "v2"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class PrepEffects:
    """Technician and splicer effects on loss.

    Attributes
    ----------
    technicians, splicers : DataFrame
        ``name``, ``days``, ``splices``, ``group`` (who is comparable with whom), ``effect``,
        ``low``, ``high``: relative difference from the crew's average, shrunken, with a 95 %
        interval; NaN with a ``note`` where the question cannot be answered.
    sd_technician, sd_splicer, sd_day : float
        Standard deviations between technicians, between splicers and of a day of work.
    groups : int
        Sets of technicians and splicers that no shared work connects; 1 is best.
    level : float
        Of the intervals.
    """

    technicians: pd.DataFrame
    splicers: pd.DataFrame
    sd_technician: float
    sd_splicer: float
    sd_day: float
    groups: int
    level: float = 0.95


def prep_effects(work: pd.DataFrame, within: float, between: float) -> PrepEffects | str:
    """Estimate crossed effects on the level of loss.

    Parameters
    ----------
    work : DataFrame
        Daily sums: ``splicer``, ``program``, ``technician``, ``day``, ``n``, ``capped`` (dB).
    within, between : float
        Relative variance of one capped splice and between days, from the loss charts: they say
        how much a long day counts for more than a short one.

    Returns
    -------
    PrepEffects, or a sentence why there is none.

    Notes
    -----
    y = 3 (r^(1/3) - 1) of each technician-day on its splicer and program, r relative to the
    program's mean; program fixed, technician and splicer random and crossed, a week of one on
    the other random within them, rows weighed by 1/(between + within/n). gpboost by maximum
    likelihood (not REML) with the Cholesky factorization: its default inversion misses the
    published Penicillin figures.
    """
    work = work[work["technician"] != NOBODY]
    rows = work.groupby(["splicer", "program", "technician", "day"], as_index=False)[
        ["n", "capped"]
    ].sum()
    # days of one week of one person on one splicer share work, fiber and blade: not fresh evidence
    day = pd.to_datetime(rows["day"])
    week = (day - pd.Timestamp(0)).dt.days // 7
    rows["stint"] = rows["technician"] + "|" + rows["splicer"] + "|" + week.astype(str)
    people, machines = rows["technician"].nunique(), rows["splicer"].nunique()
    if people < 3 or machines < 2 or len(rows) < 10 * (people + machines):
        return (
            f"{people} technicians on {machines} splicers over {len(rows)} technician-days are "
            "too few to tell hands from machines."
        )
    totals = rows.groupby("program")[["n", "capped"]].transform("sum")
    mean = (totals["capped"] / totals["n"]).to_numpy(dtype=np.float64)
    level = relative_level((rows["capped"] / rows["n"]).to_numpy(dtype=np.float64) / mean)
    weight = 1.0 / (between + within / rows["n"].to_numpy(dtype=np.float64))
    effects, spread = _crossed(level, rows, weight / weight.mean())
    group = _groups(rows)
    return PrepEffects(
        technicians=_table(rows, effects, "technician", group),
        splicers=_table(rows, effects, "splicer", group),
        sd_technician=spread["technician"],
        sd_splicer=spread["splicer"],
        sd_day=spread["day"],
        groups=len(set(group.values())),
    )


def _crossed(
    level: Floats, rows: pd.DataFrame, weight: Floats
) -> tuple[pd.DataFrame, dict[str, float]]:
    """Shrunken effects with their variances, one row a row of ``rows``, and the spreads."""
    import gpboost  # a second to load, and only this needs it

    fixed = pd.get_dummies(rows["program"], drop_first=True, dtype=float)
    fixed.insert(0, "intercept", 1.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = gpboost.GPModel(
            group_data=rows[["technician", "splicer", "stint"]].to_numpy(dtype=str),
            likelihood="gaussian",
            matrix_inversion_method="cholesky",
            weights=weight,
            num_parallel_threads=2,
        )
        model.fit(
            y=level,
            X=fixed.to_numpy(),
            params={"optimizer_cov": "lbfgs", "delta_rel_conv": 1e-10},
        )
        told = model.predict_training_data_random_effects(predict_var=True)
        variances = np.ravel(np.asarray(model.get_cov_pars(), dtype=np.float64))
    table = pd.DataFrame(np.asarray(told)[:, [0, 1, 3, 4]], columns=EFFECT_COLUMNS)
    residual, technician, splicer = np.sqrt(variances[:3])
    return table, {
        "technician": float(technician),
        "splicer": float(splicer),
        "day": float(residual),
    }


def _table(
    rows: pd.DataFrame, effects: pd.DataFrame, who: str, group: dict[str, int]
) -> pd.DataFrame:
    variance = "v1" if who == "technician" else "v2"
    frame = pd.DataFrame(
        {
            "name": rows[who],
            "day": rows["day"],
            "splices": rows["n"],
            "effect": effects[who].to_numpy(),
            "variance": effects[variance].to_numpy(),
        }
    )
    table = frame.groupby("name", as_index=False).agg(
        days=("day", "nunique"),
        splices=("splices", "sum"),
        effect=("effect", "first"),
        variance=("variance", "first"),
    )
    table["group"] = [group[f"{who} {name}"] for name in table["name"]]
    table["effect"] -= table.groupby("group")["effect"].transform("mean")
    half = Z95 * np.sqrt(table["variance"])
    table["low"], table["high"] = table["effect"] - half, table["effect"] + half
    few = table["days"] < MIN_DAYS
    table.loc[few, ["effect", "low", "high"]] = np.nan
    told = "only " + table["days"].astype(str) + " days of work"
    table["note"] = told.astype(object).where(few, None)
    return table.drop(columns="variance")


def _groups(rows: pd.DataFrame) -> dict[str, int]:
    """Number of the connected set each technician and splicer belongs to."""
    pairs = rows[["technician", "splicer"]].drop_duplicates()
    person, people = pd.factorize(pairs["technician"])
    machine, machines = pd.factorize(pairs["splicer"])
    size = len(people) + len(machines)
    links = coo_array((np.ones(len(pairs)), (person, machine + len(people))), shape=(size, size))
    _, label = connected_components(links, directed=False)
    names = [f"technician {name}" for name in people] + [f"splicer {name}" for name in machines]
    return dict(zip(names, map(int, label), strict=True))
