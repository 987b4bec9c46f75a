"""Signatures of preparation: patterns that hint at a hand, a blade, a holder, dirt or tiredness.

Here those of angles; those in how a person's days go are in
`arcdrift.analysis.people.signature_days`.

Each is a pure function of summed splices or fitted effects; each looks at differences from the
rest of the crew, so that what the whole crew shares is nobody's mark. Thresholds are common
practice, no source.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr
from scipy.stats import t as student

from arcdrift.analysis.loss.technician_days import NO_CLEAVER, NOBODY
from arcdrift.analysis.people.prep_effects import PrepEffects
from arcdrift.analysis.people.signature_stats import poisson_interval, slope_by_days
from arcdrift.charts.intervals import Z95
from arcdrift.settings import Prep

Row = dict[Any, Any]

UNEVEN = 0.15
"""One side's angles are this much above the other's before anybody is bothered."""
WORN_RISE = 0.40
"""Rise of the angle since the blade was turned that makes it the blade."""
MIN_DAYS = 10
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
        Size with a 95 % interval; ``unit`` says of what.
    splices, days : int
        What it rests on.
    since, until : Timestamp
        First and last evidence, UTC.
    words : str
        One sentence.
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


def both_sides(effects: PrepEffects, cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """People whose angles stand out on both sides, whatever machine they use."""
    table = effects.of("technician", "angle")
    uneven = {one.subject for one in one_side(effects, cells, prep)
              if one.subject_type == "technician"}  # fmt: skip
    high = table[(table["sure"] >= prep.sure) & ~table["name"].isin(uneven)]
    return [
        _signature(
            "both-sides", "technician", row, "angle against the crew", cells,
            f"Cleave angles {row['effect']:+z.0%} against the crew on both sides, on every "
            "splicer: technique, or a cleaver that goes where they go.",
        )
        for row in high.to_dict("records")
    ]  # fmt: skip


def one_side(effects: PrepEffects, cells: pd.DataFrame, prep: Prep) -> list[Signature]:
    """People and machines with one side's angles above the other's, beyond the crew's habit."""
    found = []
    for who in effects.told_apart:
        for row in effects.of(who, "uneven").dropna(subset=["effect"]).to_dict("records"):
            log, sd = _log_normal(row)
            for sign, side in ((1, "right"), (-1, "left")):
                if ndtr((sign * log - np.log1p(UNEVEN)) / sd) < prep.sure:
                    continue
                size = np.expm1(sign * log)
                ends = sorted(np.expm1(sign * log + np.array([-Z95, Z95]) * sd))
                found.append(
                    _signature(
                        "one-side", who,
                        row | {"effect": size, "low": ends[0], "high": ends[1]},
                        f"{side} against the other side", cells,
                        f"Angles on the {side} are {size:.0%} above the other side's, beyond the "
                        f"crew's: {_ONE_SIDE[who]}.",
                    )
                )  # fmt: skip
    return found


_ONE_SIDE = {
    "technician": "how this hand loads that side",
    "splicer": "a fiber holder or clamp of that side, whoever splices",
    "cleaver": "the cleaver's clamp, on whichever splicer it is used",
}


def cleave_run_signatures(runs: pd.DataFrame, cells: pd.DataFrame) -> list[Signature]:
    """People with runs of bad cleaves (`arcdrift.analysis.people.cleave_runs`)."""
    found = []
    for name, mine in runs[runs["technician"] != NOBODY].groupby("technician"):
        made = int(cells.loc[cells["technician"] == name, "seen"].sum())
        low, high = poisson_interval(len(mine))
        scale = 1000.0 / max(made, 1)
        blades = mine[["cleaver", "blade_position"]].astype(object).fillna("not logged")
        common = blades.value_counts().index[0]
        found.append(
            Signature(
                "cleave-run", "technician", str(name), len(mine) * scale, low * scale, high * scale,
                "runs per 1,000 splices", int(mine["length"].sum()),
                int(mine["began"].dt.floor("D").nunique()), mine["began"].min(),
                mine["ended"].max(),
                f"{len(mine)} {'run' if len(mine) == 1 else 'runs'} of bad cleaves, the longest of "
                f"{int(mine['length'].max())}, worst {mine['worst_deg'].max():.1f}°, most on "
                f"cleaver {common[0]}, blade position {common[1]}: look at the blade first.",
            )
        )  # fmt: skip
    return found


def blade_worn(cells: pd.DataFrame, effects: PrepEffects, blades: pd.DataFrame) -> list[Signature]:
    """Cleavers whose angles rise with use and whose blade now stands where they are high.

    Parameters
    ----------
    cells : DataFrame
        With ``cleaves`` on the blade position.
    blades : DataFrame
        `arcdrift.analysis.maintenance.blade_positions.blade_table`.

    Notes
    -----
    Each cell's mean log angle, less its technician's effect, regressed on cleaves within the
    cleaver; standard errors by days.
    """
    if "angle" not in effects.fits or "cleaves" not in cells.columns:
        return []
    fit = effects.fits["angle"]
    places = fit.places("technician")
    used = cells[(cells["angles"] > 0) & cells["cleaves"].notna()
                 & cells["technician"].isin(list(places))]  # fmt: skip
    own = fit.effect[[places[str(name)] for name in used["technician"]]]
    used = used.assign(y=used["angle"] / used["angles"] - own)
    rows = blades.dropna(subset=["cleaves"]).to_dict("records")
    standing = {str(row["cleaver"]): row for row in rows}
    found = []
    for name, mine in used[used["cleaver"] != NO_CLEAVER].groupby("cleaver"):
        if str(name) not in standing or mine["day"].nunique() < MIN_DAYS:
            continue
        slope, sd, freedom = slope_by_days(
            mine["cleaves"] / 1000.0, mine["y"], mine["angles"], mine["day"]
        )
        thousands = float(standing[str(name)]["cleaves"]) / 1000.0
        reach = student.ppf(0.995, freedom) * sd
        if not np.isfinite(sd) or np.expm1((slope - reach) * thousands) < WORN_RISE:
            continue
        half = student.ppf(0.975, freedom) * sd
        found.append(
            Signature(
                "blade-worn", "cleaver", str(name), float(np.expm1(slope * thousands)),
                float(np.expm1((slope - half) * thousands)),
                float(np.expm1((slope + half) * thousands)), "angle since the blade was turned",
                int(mine["angles"].sum()), int(mine["day"].nunique()),
                standing[str(name)]["since"],
                mine["last_at"].max(),
                f"Angles rose {np.expm1(slope * thousands):.0%} over the "
                f"{1000 * thousands:,.0f} cleaves since the blade was turned, whoever "
                "cleaved: the blade, not the person.",
            )
        )  # fmt: skip
    return found


def _log_normal(row: Row) -> tuple[float, float]:
    """Center and standard deviation on the log scale of a relative effect with its interval."""
    sd = (np.log1p(row["high"]) - np.log1p(row["low"])) / (2.0 * Z95)
    return float(np.log1p(row["effect"])), float(max(sd, 1e-9))


def _signature(
    kind: str, who: str, row: Row, unit: str, cells: pd.DataFrame, words: str
) -> Signature:
    mine = cells[cells[who] == row["name"]]
    return Signature(
        kind, who, str(row["name"]), float(row["effect"]), float(row["low"]),
        float(row["high"]), unit, int(row["splices"]),
        int(row["days"]), mine["first_at"].min(), mine["last_at"].max(), words,
    )  # fmt: skip
