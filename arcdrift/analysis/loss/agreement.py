"""How far a splicer's own estimate of loss is from what an OTDR measured.

Measured loss is the mean of both directions: where two fibers differ in mode-field diameter each
direction alone is off by the same step with opposite signs, and the mean is free of it
(ITU-T G.650.3, appendix I.3). A splice measured one way only tells nothing here.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import t as student

from arcdrift.analysis.common.episodes import severity
from arcdrift.analysis.common.grouping import as_text
from arcdrift.analysis.common.record_columns import MEASURED_COLUMNS
from arcdrift.analysis.loss.stream_days import NO_PROGRAM
from arcdrift.charts.change_point import single_break
from arcdrift.errors import BadInput
from arcdrift.finding import Finding
from arcdrift.settings import Crew

LIMITS = 1.96
"""Standard deviations of the limits of agreement (Bland and Altman 1986)."""
SURE = 0.99
"""Level of the interval of the bias that a finding waits for."""
SHOWN_FROM = 5
"""Pairs below which a difference is not given an interval."""
PAIR_COLUMNS = ["splicer", "program", "spliced_at", "estimate_db", "measured_db", "step_db"]


@dataclass(frozen=True)
class Agreement:
    """Estimate less measurement, over ``n`` splices measured both ways; all in dB.

    Attributes
    ----------
    bias, low, high : float
        Mean difference with its interval (Student's t).
    sd : float
        Standard deviation of the differences.
    lower, upper : float
        Limits of agreement, bias -+ 1.96 sd: 95 % of differences lie between, if normal.
    limit_error : float
        Half width of each limit's interval, t sqrt(3/n) sd.
    level : float
        Of the intervals.
    """

    n: int
    bias: float
    low: float
    high: float
    sd: float
    lower: float
    upper: float
    limit_error: float
    level: float


def agreement(difference: ArrayLike, level: float = 0.95) -> Agreement:
    """Bias and limits of agreement (Bland and Altman 1986, Lancet i, 307-310).

    Parameters
    ----------
    difference : array_like, shape (n,)
        Estimate less measurement, dB.

    Raises
    ------
    BadInput
        With fewer than two differences.
    """
    values = np.asarray(difference, dtype=np.float64)
    n = len(values)
    if n < 2:
        raise BadInput(f"Agreement needs two splices measured both ways; there is {n}.")
    bias, sd = float(values.mean()), float(values.std(ddof=1))
    t = float(student.ppf(0.5 + level / 2, n - 1))
    half = t * sd / np.sqrt(n)
    return Agreement(
        n=n,
        bias=bias,
        low=float(bias - half),
        high=float(bias + half),
        sd=sd,
        lower=bias - LIMITS * sd,
        upper=bias + LIMITS * sd,
        limit_error=float(half * np.sqrt(3)),
        level=level,
    )


def measured_pairs(splices: pd.DataFrame) -> pd.DataFrame:
    """Splices that were measured both ways.

    Parameters
    ----------
    splices : DataFrame
        With ``splicer``, ``program``, ``spliced_at``, ``loss_db`` and both of `MEASURED_COLUMNS`.

    Returns
    -------
    DataFrame
        `PAIR_COLUMNS`: ``measured_db`` is the mean of both directions, ``step_db`` half their
        difference, what each direction alone would be off by.
    """
    splices = splices.dropna(subset=[*MEASURED_COLUMNS, "loss_db"])
    ab, ba = (splices[name].astype(float) for name in MEASURED_COLUMNS)
    pairs = pd.DataFrame(
        {
            "splicer": as_text(splices["splicer"]),
            "program": as_text(splices["program"]).fillna(NO_PROGRAM),
            "spliced_at": splices["spliced_at"],
            "estimate_db": splices["loss_db"].astype(float),
            "measured_db": (ab + ba) / 2.0,
            "step_db": (ab - ba) / 2.0,
        }
    )
    return pairs.sort_values(["splicer", "spliced_at"], ignore_index=True)


def agreement_table(pairs: pd.DataFrame) -> pd.DataFrame:
    """Agreement of each splicer and program, and of each splicer over all programs.

    Returns
    -------
    DataFrame
        ``splicer``, ``program`` (empty for all of them), ``pairs``, ``bias_db``, ``low_db``,
        ``high_db``, ``sd_db``, ``lower_db``, ``upper_db``, ``since``, ``until``; figures are
        missing under `SHOWN_FROM` pairs.
    """
    both = pd.concat([pairs.assign(program=""), pairs])
    difference = (both["estimate_db"] - both["measured_db"]).rename("difference")
    grouped = both.assign(difference=difference).groupby(["splicer", "program"])
    table = grouped.agg(
        pairs=("difference", "size"),
        bias_db=("difference", "mean"),
        sd_db=("difference", "std"),
        since=("spliced_at", "min"),
        until=("spliced_at", "max"),
    ).reset_index()
    n = table["pairs"]
    half = student.ppf(0.975, np.maximum(n - 1, 1)) * table["sd_db"] / np.sqrt(n)
    table["low_db"], table["high_db"] = table["bias_db"] - half, table["bias_db"] + half
    table["lower_db"] = table["bias_db"] - LIMITS * table["sd_db"]
    table["upper_db"] = table["bias_db"] + LIMITS * table["sd_db"]
    figures = ["bias_db", "low_db", "high_db", "sd_db", "lower_db", "upper_db"]
    table.loc[n < SHOWN_FROM, figures] = np.nan
    return table


def optimistic_findings(pairs: pd.DataFrame, crew: Crew, now: pd.Timestamp) -> list[Finding]:
    """Splicers whose estimate is better than the measurement by more than the crew accepts.

    Notes
    -----
    If the differences are better described by two levels than by one (lower BIC), only those
    since the break count, and it is the onset. A finding waits for the whole 99 % interval of
    the bias to lie beyond the margin, so a splicer at the margin itself has 1 chance in 200.
    """
    found = []
    for splicer, mine in pairs.groupby("splicer"):
        finding = _optimistic(str(splicer), mine.reset_index(drop=True), crew, now)
        found += [] if finding is None else [finding]
    return found


def _optimistic(splicer: str, mine: pd.DataFrame, crew: Crew, now: pd.Timestamp) -> Finding | None:
    rules = crew.estimate
    if len(mine) < rules.fewest_pairs:
        return None
    difference = (mine["estimate_db"] - mine["measured_db"]).to_numpy(dtype=float)
    if len(mine) >= 2 * rules.fewest_pairs:
        split = single_break(difference, smallest=rules.fewest_pairs)
        if split.supported:
            mine, difference = mine.iloc[split.index :], difference[split.index :]
    told = agreement(difference, SURE)
    if told.high >= -rules.margin_db:
        return None
    first, last = mine["spliced_at"].iloc[0], mine["spliced_at"].iloc[-1]
    return Finding(
        kind="estimate-optimistic",
        subject_type="splicer",
        subject_id=splicer,
        since=first.to_pydatetime(),
        until=last.to_pydatetime(),
        severity=severity(last, now, heavy=False),
        evidence={
            "bias_db": round(told.bias, 4),
            "low_db": round(told.low, 4),
            "high_db": round(told.high, 4),
            "level": SURE,
            "limits_of_agreement_db": [round(told.lower, 4), round(told.upper, 4)],
            "margin_db": rules.margin_db,
            "splices_measured_both_ways": told.n,
        },
        summary=(
            f"{splicer}: its loss estimate reads {-told.bias:.3f} dB better than an OTDR measured "
            f"both ways ({-told.high:.3f} to {-told.low:.3f} dB, {told.n} splices)."
        ),
        next_step="Add that much to its estimates before accepting a splice by them, have its "
        "optics and v-grooves cleaned, and measure a few more; if it stays, send it to service.",
        assessed_on=now.to_pydatetime(),
    )
