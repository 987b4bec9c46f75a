"""Signatures: patterns in cleave angles that point to technique, a blade or a fiber holder.

Signatures in the course of a person's days are in `arcdrift.analysis.people.signature_days`.

Each is a pure function of summed splices or fitted effects. Each compares with the rest of the
crew, so that a pattern common to the whole crew is nobody's signature. Thresholds are common
practice, no source.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, stdtrit

from arcdrift.analysis.common.grouping import group_index
from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NOBODY
from arcdrift.analysis.people.prep_effects import PrepEffects
from arcdrift.analysis.people.signature_stats import poisson_interval, slope_by_days
from arcdrift.charts.intervals import CONFIDENCE_LEVEL, Z95
from arcdrift.settings import Prep

Row = dict[Any, Any]

UNEVEN = 0.15
"""Least relative difference between both sides' angles that is a signature."""
WORN_RISE = 0.40
"""Least relative rise of the angle since the blade was turned that is a signature."""
MIN_DAYS = 10
"""Days of work needed for a signature of trend."""
KINDS = {
    "both-sides": "High angles on both sides",
    "one-side": "One side cleaves worse",
    "cleave-run": "Runs of bad cleaves",
    "blade-worn": "Angles rise with use of the blade",
    "dirt": "High losses with good angles",
    "first-splices": "First splices of the day are worse",
    "learning": "Still learning",
    "tiring": "Worse as the day goes on",
}


@dataclass(frozen=True)
class Signature:
    """One signature on one person or machine.

    Attributes
    ----------
    kind : str
        A key of `KINDS`.
    subject_type, subject : str
        ``technician``, ``splicer`` or ``cleaver``, and its name.
    estimate, low, high : float
        Size with its 95 % interval.
    unit : str
        What the size measures.
    splices, days : int
        Splices and days it is based on.
    since, until : Timestamp
        First and last evidence, UTC.
    words : str
        The signature in one sentence.
    """

    kind: str
    subject_type: str
    subject: str
    estimate: float
    low: float
    high: float
    unit: str
    splices: int
    days: int
    since: pd.Timestamp
    until: pd.Timestamp
    words: str


def both_sides(
    effects: PrepEffects, cells: pd.DataFrame, prep: Prep, uneven_sides: list[Signature]
) -> list[Signature]:
    """Find people whose angles stand out on both sides, whatever machine they use.

    Parameters
    ----------
    uneven_sides : list of Signature
        From `one_side`.
    """
    table = effects.effects_of("technician", "angle")
    uneven = {signature.subject for signature in uneven_sides
              if signature.subject_type == "technician"}  # fmt: skip
    high = table[(table["sure"] >= prep.sure) & ~table["name"].isin(uneven)]
    return [
        _signature(
            "both-sides", "technician", row, "angle against the median colleague", cells,
            f"Cleave angles {row['effect']:+z.0%} against the median colleague on both sides, on "
            "every splicer: technique, or a cleaver that goes where they go.",
        )
        for row in high.to_dict("records")
    ]  # fmt: skip


def one_side(effects: PrepEffects, cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """Find people and machines with angles higher on one side, more so than the crew's."""
    signatures = []
    for grouping in effects.told_apart:
        for row in (
            effects.effects_of(grouping, "uneven").dropna(subset=["effect"]).to_dict("records")
        ):
            log_ratio, sd = _log_normal(row)
            for sign, side in ((1, "right"), (-1, "left")):
                if ndtr((sign * log_ratio - np.log1p(UNEVEN)) / sd) < prep.sure:
                    continue
                size = np.expm1(sign * log_ratio)
                limits = sorted(np.expm1(sign * log_ratio + np.array([-Z95, Z95]) * sd))
                signatures.append(
                    _signature(
                        "one-side", grouping,
                        row | {"effect": size, "low": limits[0], "high": limits[1]},
                        f"{side} against the other side", cells,
                        f"Angles on the {side} are {size:.0%} above the other side's, beyond the "
                        f"crew's: {_ONE_SIDE[grouping]}.",
                    )
                )  # fmt: skip
    return signatures


_ONE_SIDE = {
    "technician": "how this hand loads that side",
    "splicer": "a fiber holder or clamp of that side, whoever splices",
    "cleaver": "the cleaver's clamp, on whichever splicer it is used",
}


def cleave_run_signatures(runs: pd.DataFrame, cells: pd.DataFrame) -> list[Signature]:
    """Describe each person's runs of bad cleaves (`arcdrift.analysis.people.cleave_runs`)."""
    signatures = []
    for name, subset in runs[runs["technician"] != NOBODY].groupby("technician"):
        cleaved = int(cells.loc[cells["technician"] == name, "seen"].sum())
        low, high = map(float, poisson_interval(len(subset), CONFIDENCE_LEVEL))
        scale = 1000.0 / max(cleaved, 1)
        blades = subset[["cleaver", "blade_position"]].astype(object).fillna("not logged")
        cleaver, position = blades.value_counts().index[0]
        count, longest = len(subset), int(subset["length"].max())
        signatures.append(
            Signature(
                "cleave-run", "technician", str(name), count * scale, low * scale, high * scale,
                "runs per 1,000 splices", int(subset["length"].sum()),
                int(subset["began"].dt.floor("D").nunique()),
                subset["began"].min(), subset["ended"].max(),
                f"{count} {'run' if count == 1 else 'runs'} of bad cleaves, the longest of "
                f"{longest}, worst {subset['worst_deg'].max():.1f}°, most on cleaver {cleaver}, "
                f"blade position {position}: look at the blade first.",
            )
        )  # fmt: skip
    return signatures


def blade_worn(cells: pd.DataFrame, effects: PrepEffects, blades: pd.DataFrame) -> list[Signature]:
    """Find cleavers whose angles rise with use and whose present blade position is worn.

    Parameters
    ----------
    cells : DataFrame
        With ``cleaves``: number on the blade position so far.
    blades : DataFrame
        `arcdrift.analysis.maintenance.blade_positions.blade_table`.

    Notes
    -----
    Each cell's mean log angle, less its technician's effect, is regressed on cleaves within the
    cleaver, with standard errors that allow for correlation within days.
    """
    if "angle" not in effects.fits or "cleaves" not in cells.columns:
        return []
    fit = effects.fits["angle"]
    known = cells[(cells["angles"] > 0) & cells["cleaves"].notna()
                 & cells["technician"].isin(list(fit.positions("technician")))
                 & (cells["cleaver"] != NO_CLEAVER)]  # fmt: skip
    day = group_index(known["day"])[0]
    splices, angle, cleaves = (
        known[name].to_numpy(dtype=np.float64) for name in ("angles", "angle", "cleaves")
    )
    y = angle / splices - fit.of_rows("technician", known["technician"])
    rows = blades.dropna(subset=["cleaves"]).to_dict("records")
    blade_by_cleaver = {str(row["cleaver"]): row for row in rows}
    signatures = []
    for name, own in known.groupby("cleaver").indices.items():
        days = len(np.unique(day[own]))
        if str(name) not in blade_by_cleaver or days < MIN_DAYS:
            continue
        slope, sd, degrees_of_freedom = slope_by_days(
            cleaves[own] / 1000.0, y[own], splices[own], day[own]
        )
        thousands = float(blade_by_cleaver[str(name)]["cleaves"]) / 1000.0
        margin_99 = stdtrit(degrees_of_freedom, 0.995) * sd
        if not np.isfinite(sd) or np.expm1((slope - margin_99) * thousands) < WORN_RISE:
            continue
        half_width = stdtrit(degrees_of_freedom, 0.975) * sd
        signatures.append(
            Signature(
                "blade-worn", "cleaver", str(name), float(np.expm1(slope * thousands)),
                float(np.expm1((slope - half_width) * thousands)),
                float(np.expm1((slope + half_width) * thousands)),
                "angle since the blade was turned",
                int(splices[own].sum()), days,
                blade_by_cleaver[str(name)]["since"], known["last_at"].iloc[own].max(),
                f"Angles rose {np.expm1(slope * thousands):.0%} over the "
                f"{1000 * thousands:,.0f} cleaves since the blade was turned, whoever "
                "cleaved: the blade, not the person.",
            )
        )  # fmt: skip
    return signatures


def _log_normal(row: Row) -> tuple[float, float]:
    """Return center and standard deviation, on a log scale, of an effect with its interval."""
    sd = (np.log1p(row["high"]) - np.log1p(row["low"])) / (2.0 * Z95)
    return float(np.log1p(row["effect"])), float(max(sd, 1e-9))


def _signature(
    kind: str, grouping: str, row: Row, unit: str, cells: pd.DataFrame, words: str
) -> Signature:
    own = (cells[grouping] == row["name"]).to_numpy()
    return Signature(
        kind, grouping, str(row["name"]), float(row["effect"]), float(row["low"]),
        float(row["high"]), unit, int(row["splices"]),
        int(row["days"]), cells["first_at"][own].min(), cells["last_at"][own].max(), words,
    )  # fmt: skip
