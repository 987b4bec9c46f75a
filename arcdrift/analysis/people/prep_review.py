"""Everything on preparation for one review: result tables and findings from summed splices."""

import json
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.analysis.maintenance.blade_positions import blade_table, cleaves_on_blade
from arcdrift.analysis.people.comparability import cheapest_swaps, connected_sets
from arcdrift.analysis.people.prep_effects import MEASURES, PrepEffects, person_levels, prep_effects
from arcdrift.analysis.people.prep_findings import prep_findings
from arcdrift.analysis.people.sign_off import promises, sign_offs
from arcdrift.analysis.people.signature_days import dirt, first_splices, learning, tiring
from arcdrift.analysis.people.signatures import (
    Signature,
    blade_worn,
    both_sides,
    cleave_run_signatures,
    one_side,
)
from arcdrift.analysis.people.within_day_spread import consistency, person_days
from arcdrift.charts.funnel import binomial_limits, overdispersion
from arcdrift.finding import Finding
from arcdrift.settings import Crew

_ENDS = {"began": "since", "ended": "until"}


@dataclass(frozen=True)
class PrepReview:
    """Rows by result table, and findings."""

    frames: dict[str, pd.DataFrame]
    findings: list[Finding]


def review_prep(
    cells: pd.DataFrame,
    runs: pd.DataFrame,
    practice: pd.DataFrame,
    use: pd.DataFrame,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
) -> PrepReview:
    """Look at the crew's hands.

    Parameters
    ----------
    cells : DataFrame
        `arcdrift.analysis.loss.technician_days.hand_days` of every splicer.
    runs, practice : DataFrame
        `arcdrift.analysis.people.cleave_runs`, every splicer.
    use : DataFrame
        `arcdrift.analysis.maintenance.service_findings.use_by_hour` of every splicer.
    service : DataFrame
        Service events of every asset.
    """
    service, use = service[service["serviced_at"] <= now], use[use["at"] <= now]
    blades = blade_table(use, service, crew.blade)
    attempts = sign_offs(practice, crew.prep.sign_off)
    frames = {
        "result_blades": blades.rename(columns={"last": "until"}),
        "result_sign_offs": pd.DataFrame(
            [asdict(one) | {"measures": json.dumps([asdict(m) for m in one.measures])}
             for one in attempts]
        ).rename(columns=_ENDS),
    }  # fmt: skip
    document: dict[str, Any] = {"refusal": None, "promises": promises(crew.prep.sign_off)}
    # by the month, so that what is found keeps its first day while the window moves
    start = (now.tz_localize(None) - pd.Timedelta(days=crew.prep.window_days)).to_period("M")
    cells = cells[cells["day"] >= start.start_time] if len(cells) else cells
    told = _told(cells)
    if told.empty:
        document["refusal"] = "No splice names its technician yet."
        return PrepReview(frames | _document(document), [])
    cells = cells.assign(cleaves=cleaves_on_blade(cells, use, service)).reset_index(drop=True)
    runs = runs[runs["began"] >= cells["first_at"].min()] if len(runs) else runs
    table = consistency(cells, crew.prep.margin)
    frames |= {
        "result_consistency": table,
        "result_shared_work": _shared_work(told),
        "result_cleave_runs": runs[runs["technician"] != NOBODY].rename(columns=_ENDS),
    }
    shares, document["shares"] = _shares(told)
    frames["result_shares"] = shares
    effects = prep_effects(cells, crew.prep)
    signatures = cleave_run_signatures(runs, cells) if len(runs) else []
    signatures += [*dirt(cells, crew.prep), *first_splices(cells, crew.prep),
                   *tiring(cells, crew.prep)]  # fmt: skip
    machines = pd.DataFrame(columns=["who"])
    days = person_days(cells)
    if isinstance(effects, str):
        document["refusal"] = effects
        document["swaps"] = []
    else:
        signatures += [
            *both_sides(effects, cells, crew.prep), *one_side(effects, cells, crew.prep),
            *blade_worn(cells, effects, blades), *learning(cells, effects, crew.prep),
        ]  # fmt: skip
        frames["result_people"] = effects.effects.rename(columns={"set": "connected"})
        days = days.merge(person_levels(cells, effects), on=["technician", "day"], how="left")
        machines = _machines(effects, cells, crew)
        document |= _connection(effects, told, crew)
    frames["result_person_days"] = _iso(days)
    frames["result_signatures"] = _signature_table(signatures)
    uneven = table[table["sure"] >= crew.prep.sure].merge(_ends(told), on="technician")
    # one finding a person: of angles where both stand out
    uneven = uneven.sort_values("measure").drop_duplicates("technician")
    found = prep_findings(signatures, machines, runs, uneven, now)
    return PrepReview(frames | _document(document), found)


def _told(cells: pd.DataFrame) -> pd.DataFrame:
    return cells[cells["technician"] != NOBODY] if len(cells) else cells


def _document(document: dict[str, Any]) -> dict[str, pd.DataFrame]:
    return {"result_prep": pd.DataFrame({"id": [1], "document": [json.dumps(document)]})}


def _iso(days: pd.DataFrame) -> pd.DataFrame:
    return days.assign(day=pd.to_datetime(days["day"]).dt.strftime("%Y-%m-%d"))


def _ends(told: pd.DataFrame) -> pd.DataFrame:
    return told.groupby("technician", as_index=False).agg(
        since=("first_at", "min"), until=("last_at", "max")
    )


def _shared_work(told: pd.DataFrame) -> pd.DataFrame:
    return told.groupby(["technician", "splicer"], as_index=False).agg(
        days=("day", "nunique"), splices=("made", "sum")
    )


def _signature_table(signatures: list[Signature]) -> pd.DataFrame:
    rows = pd.DataFrame([asdict(one) for one in signatures])
    # a person uneven on both sides cannot be; the larger one is kept should it ever happen
    keys = ["kind", "subject_type", "subject"]
    return rows.drop_duplicates(keys) if len(rows) else rows


def _machines(effects: PrepEffects, cells: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Splicers and cleavers whose angles stand out whoever cleaves."""
    rows = effects.effects
    rows = rows[
        (rows["measure"] == "angle")
        & (rows["who"] != "technician")
        & (rows["sure"] >= crew.prep.sure)
    ]
    uneven = {(one.subject_type, one.subject) for one in one_side(effects, cells, crew.prep)}
    parts = [
        row
        | {
            "since": cells.loc[cells[row["who"]] == row["name"], "first_at"].min(),
            "until": cells.loc[cells[row["who"]] == row["name"], "last_at"].max(),
        }
        for row in rows.to_dict("records")
        if (row["who"], row["name"]) not in uneven
    ]
    return pd.DataFrame(parts)


def _connection(effects: PrepEffects, told: pd.DataFrame, crew: Crew) -> dict[str, Any]:
    swaps: list[dict[str, Any]] = []
    if effects.sets > 1 and "loss" in effects.fits:
        work = told[told["n"] > 0]
        days = work.groupby(["technician", "splicer", "day"], as_index=False)[["n"]].sum()
        sets = connected_sets(days[["technician", "splicer"]])
        found = cheapest_swaps(
            days, sets, effects.fits["loss"].variances, half_width=crew.prep.margin
        )
        swaps = [asdict(one) for one in found]
    return {
        "sets": effects.sets,
        "told_apart": list(effects.told_apart),
        "not_told_apart": list(effects.not_told_apart),
        "swaps": swaps,
        "level": effects.level,
        "measures": MEASURES,
        "spread": {
            measure: {name: float(np.sqrt(value)) for name, value in fit.variances.items()}
            for measure, fit in effects.fits.items()
        },
    }


def _shares(told: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Shares of redone splices and of bad cleaves, apart from the machines, with funnel limits.

    Expected is what everybody's share on the same splicers and programs gives (indirect
    standardization); the limits are about the crew's typical person, so that one poor hand does
    not move them.
    """
    parts, crew = [], {}
    for measure, of in (("redo", "made"), ("bad", "seen")):
        total, bad = float(told[of].sum()), float(told[measure].sum())
        if total == 0 or bad == 0:
            continue
        sums = told.groupby(["splicer", "program"])[[measure, of]].transform("sum")
        rate = sums[measure] / sums[of].where(sums[of] > 0)
        people = told.assign(expected=told[of] * rate).groupby("technician", as_index=False)[
            [of, measure, "expected"]
        ].sum()  # fmt: skip
        people = people[people[of] > 0].sort_values("technician", ignore_index=True)
        n = people[of].to_numpy(dtype=np.float64)
        observed = people[measure].to_numpy(dtype=np.float64)
        expected = np.maximum(people["expected"].to_numpy(dtype=np.float64), 1e-9)
        share = np.minimum(bad / total * observed / expected, 1.0)
        order = np.argsort(share)
        typical = float(share[order][np.searchsorted(n[order].cumsum(), n.sum() / 2.0)])
        typical = max(typical, 0.5 / total)
        spread = overdispersion(share * n, n, typical)
        # as if there were fewer splices, since people vary more than chance alone allows
        low, high = binomial_limits(np.maximum(np.rint(n / spread), 1.0), typical, 0.95)
        parts.append(
            pd.DataFrame(
                {
                    "technician": people["technician"], "measure": measure, "n": n,
                    "observed": observed, "expected": expected, "share": share, "low": low,
                    "high": high,
                }
            )
        )  # fmt: skip
        crew[measure] = {"share": typical, "overdispersion": spread}
    return (pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()), crew
