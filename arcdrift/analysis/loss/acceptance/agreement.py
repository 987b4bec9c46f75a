"""Agreement of splicers' loss estimates with OTDR measurements.

Measured loss is the mean of both directions: where two fibers differ in mode-field diameter each
direction alone is off by the same step with opposite signs, and the mean is free of it
(ITU-T G.650.3, appendix I.3). Splices measured in one direction only are not used.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtrit

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
FINDING_LEVEL = 0.99
"""Level of the interval of the bias that must lie beyond the margin for a finding."""
SHOWN_FROM = 5
"""Pairs needed for figures of agreement."""


@dataclass(frozen=True)
class Agreement:
    """Estimate minus measurement of ``n`` splices measured in both directions; all in dB.

    Attributes
    ----------
    bias, low, high : float
        Mean difference with its interval (Student's t).
    sd : float
        Standard deviation of the differences.
    lower, upper : float
        Limits of agreement, bias -+ 1.96 sd: 95 % of differences lie between, if normal.
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
    level: float


def agreement(difference: ArrayLike, level: float = 0.95) -> Agreement:
    """Bias and limits of agreement (Bland and Altman 1986, Lancet i, 307-310).

    Parameters
    ----------
    difference : array_like, shape (n,)
        Estimate minus measurement, dB.

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
    t = float(stdtrit(n - 1, 0.5 + level / 2))
    half = t * sd / np.sqrt(n)
    return Agreement(
        n=n,
        bias=bias,
        low=float(bias - half),
        high=float(bias + half),
        sd=sd,
        lower=bias - LIMITS * sd,
        upper=bias + LIMITS * sd,
        level=level,
    )


def measured_pairs(splices: pd.DataFrame) -> pd.DataFrame:
    """Splices measured in both directions.

    Parameters
    ----------
    splices : DataFrame
        With ``splicer``, ``program``, ``spliced_at``, ``loss_db`` and both of `MEASURED_COLUMNS`.

    Returns
    -------
    DataFrame
        ``splicer``, ``program``, ``spliced_at``, ``estimate_db``, ``measured_db`` (mean of both
        directions), ``step_db`` (half their difference, the error of each direction alone).
    """
    splices = splices[["splicer", "program", "spliced_at", "loss_db", *MEASURED_COLUMNS]]
    figures = splices[["loss_db", *MEASURED_COLUMNS]].to_numpy(np.float64, na_value=np.nan)
    splices = splices[~np.isnan(figures).any(axis=1)]
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
    half = stdtrit(np.maximum(n - 1, 1), 0.975) * table["sd_db"] / np.sqrt(n)
    table["low_db"], table["high_db"] = table["bias_db"] - half, table["bias_db"] + half
    table["lower_db"] = table["bias_db"] - LIMITS * table["sd_db"]
    table["upper_db"] = table["bias_db"] + LIMITS * table["sd_db"]
    figures = ["bias_db", "low_db", "high_db", "sd_db", "lower_db", "upper_db"]
    table.loc[n < SHOWN_FROM, figures] = np.nan
    return table


def optimistic_findings(pairs: pd.DataFrame, crew: Crew, now: pd.Timestamp) -> list[Finding]:
    """Findings on splicers whose estimates are too low by more than the margin the crew accepts.

    Notes
    -----
    If two levels describe the differences better than one (lower BIC), only those since the break
    are used, and the break is the onset. A finding needs the whole 99 % interval of the bias to lie
    beyond the margin, so a splicer exactly at the margin gets one with probability 1 in 200.
    """
    found = []
    for splicer, splicer_pairs in pairs.groupby("splicer"):
        finding = _optimistic(str(splicer), splicer_pairs.reset_index(drop=True), crew, now)
        found += [] if finding is None else [finding]
    return found


def _optimistic(splicer: str, pairs: pd.DataFrame, crew: Crew, now: pd.Timestamp) -> Finding | None:
    rules = crew.estimate
    if len(pairs) < rules.fewest_pairs:
        return None
    difference = (pairs["estimate_db"] - pairs["measured_db"]).to_numpy(dtype=float)
    if len(pairs) >= 2 * rules.fewest_pairs:
        split = single_break(difference, smallest=rules.fewest_pairs)
        if split.supported:
            pairs, difference = pairs.iloc[split.index :], difference[split.index :]
    result = agreement(difference, FINDING_LEVEL)
    if result.high >= -rules.margin_db:
        return None
    first, last = pairs["spliced_at"].iloc[0], pairs["spliced_at"].iloc[-1]
    return Finding(
        kind="estimate-optimistic",
        subject_type="splicer",
        subject_id=splicer,
        since=first.to_pydatetime(),
        until=last.to_pydatetime(),
        severity=severity(last, now, heavy=False),
        evidence={
            "bias_db": round(result.bias, 4),
            "low_db": round(result.low, 4),
            "high_db": round(result.high, 4),
            "level": FINDING_LEVEL,
            "limits_of_agreement_db": [round(result.lower, 4), round(result.upper, 4)],
            "margin_db": rules.margin_db,
            "splices_measured_both_ways": result.n,
        },
        summary=(
            f"{splicer}: its loss estimate reads {-result.bias:.3f} dB better than an OTDR "
            f"measured both ways ({-result.high:.3f} to {-result.low:.3f} dB, {result.n} splices)."
        ),
        next_step="Add that much to its estimates before accepting a splice by them, have its "
        "optics and v-grooves cleaned, and measure a few more; if it stays, send it to service.",
        assessed_on=now.to_pydatetime(),
    )
