"""The part of a review on preparation: result tables and findings from summed splices."""

import json
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.common.chart_states import ChartStates
from arcdrift.analysis.common.days import first_of_month_before
from arcdrift.analysis.common.grouping import (
    as_text,
    category_to_text,
    count_distinct,
    group_index,
    group_span,
    text_to_category,
)
from arcdrift.analysis.loss.proportion_charts import COUNTED, Share
from arcdrift.analysis.loss.technician_days import NOBODY
from arcdrift.analysis.maintenance.blade_left import is_last_position
from arcdrift.analysis.maintenance.blade_positions import (
    BladeUse,
    blade_table,
    cleaves_on_blade,
)
from arcdrift.analysis.people.cleave_angles.angle_review import AngleReview, review_angles
from arcdrift.analysis.people.comparability import cheapest_swaps, connected_sets
from arcdrift.analysis.people.hands_by_machine import hands_by_machine
from arcdrift.analysis.people.prep_effects import (
    MEASURES,
    SHARES,
    PrepEffects,
    person_levels,
    prep_effects,
)
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
from arcdrift.analysis.people.within_day_spread import person_days, within_day_spread
from arcdrift.charts.funnel import binomial_limits, overdispersion
from arcdrift.finding import Finding
from arcdrift.settings import Crew

_RENAMED_TIMES = {"began": "since", "ended": "until"}


@dataclass(frozen=True)
class PrepReview:
    """Rows of each result table, findings, and new states of charts by name."""

    frames: dict[str, pd.DataFrame]
    findings: list[Finding]
    chart_states: dict[str, bytes] = field(default_factory=dict)


def review_prep(
    cells: pd.DataFrame,
    runs: pd.DataFrame,
    practice: pd.DataFrame,
    use: pd.DataFrame,
    service: pd.DataFrame,
    crew: Crew,
    now: pd.Timestamp,
    states: ChartStates | None = None,
) -> PrepReview:
    """Analyze how a crew prepares its splices.

    Parameters
    ----------
    cells : DataFrame
        `arcdrift.analysis.loss.technician_days.aggregate_technician_days` of every splicer.
    runs, practice : DataFrame
        `arcdrift.analysis.people.cleave_runs`, every splicer.
    use : DataFrame
        `arcdrift.analysis.maintenance.service_findings.usage_by_hour` of every splicer.
    service : DataFrame
        Service events of every asset.
    states : ChartStates, optional
        States from which the charts may go on.
    """
    states = ChartStates() if states is None else states
    service, use = service[service["serviced_at"] <= now], text_to_category(use[use["at"] <= now])
    blade_use = BladeUse.of(use, service)
    blades = blade_table(blade_use, crew.blade)
    attempts = sign_offs(practice, crew.prep.sign_off)
    frames = {
        "result_blades": blades.rename(columns={"last": "until"}),
        "result_sign_offs": pd.DataFrame(
            [asdict(attempt) | {"measures": json.dumps([asdict(m) for m in attempt.measures])}
             for attempt in attempts]
        ).rename(columns=_RENAMED_TIMES),
    }  # fmt: skip
    document: dict[str, Any] = {"refusal": None, "promises": promises(crew.prep.sign_off)}
    start = first_of_month_before(now, crew.prep.window_days)
    cells = text_to_category(cells[cells["day"] >= start]) if len(cells) else cells
    named_cells = _with_technician(cells)
    if named_cells.empty:
        document["refusal"] = "No splice names its technician yet."
        return PrepReview(frames | _document(document), [])
    cells = cells.assign(cleaves=cleaves_on_blade(cells, blade_use)).reset_index(drop=True)
    runs = runs[runs["began"] >= cells["first_at"].min()] if len(runs) else runs
    angles = review_angles(cells, runs, service, crew, now, states)
    cells, runs_of_people = angles.cells, angles.runs_of_people
    named_cells = _with_technician(cells)
    table = within_day_spread(named_cells, crew.prep.margin)
    frames |= angles.frames | {
        "result_consistency": table,
        "result_shared_work": _shared_work(named_cells),
        "result_cleave_runs": runs[runs["technician"] != NOBODY].rename(columns=_RENAMED_TIMES),
    }
    shares, document["shares"] = _shares(named_cells)
    frames["result_shares"] = shares
    effects = prep_effects(named_cells, crew.prep)
    rows = None if isinstance(effects, str) else effects.rows
    frames["result_hands_by_machine"] = hands_by_machine(named_cells, rows)
    signatures = cleave_run_signatures(runs_of_people, cells) if len(runs_of_people) else []
    signatures += [*dirt(named_cells, crew.prep), *first_splices(named_cells, crew.prep),
                   *tiring(named_cells, crew.prep)]  # fmt: skip
    machines = pd.DataFrame(columns=["who"])
    days = person_days(named_cells)
    if isinstance(effects, str):
        document["refusal"] = effects
        document["swaps"] = []
    else:
        uneven_sides = one_side(effects, cells, crew.prep)
        signatures += [
            *both_sides(effects, cells, crew.prep, uneven_sides), *uneven_sides,
            *blade_worn(named_cells, effects, blades), *learning(named_cells, effects, crew.prep),
        ]  # fmt: skip
        frames["result_people"] = effects.effects.rename(columns={"set": "connected"})
        days = days.merge(person_levels(effects), on=["technician", "day"], how="left")
        machines = _machines(effects, cells, crew, uneven_sides)
        document |= _comparability(effects, named_cells, crew)
    frames["result_person_days"] = _with_iso_days(category_to_text(days))
    frames["result_signatures"] = _signature_table(signatures)
    uneven = table[table["sure"] >= crew.prep.sure].merge(
        _first_and_last(named_cells), on="technician"
    )
    # one finding a person: that on angles where angles and losses both stand out
    uneven = uneven.sort_values("measure").drop_duplicates("technician")
    last_positions = [
        str(row["cleaver"])
        for row in blades.astype(object).where(blades.notna(), None).to_dict("records")
        if is_last_position(row["position"], row["positions_used"], crew.blade)
    ]
    findings = prep_findings(signatures, machines, runs_of_people, uneven, now, last_positions)
    findings = _with_rises(findings, angles)
    return PrepReview(frames | _document(document), findings, states.kept)


def _with_rises(findings: list[Finding], angles: AngleReview) -> list[Finding]:
    """Add findings of rises; while one is open it is the only one on its subject's angles."""
    still_open = {
        (finding.kind, finding.subject_type, finding.subject_id)
        for finding in angles.findings
        if not finding.evidence["ended"]
    }
    lasting = [
        finding
        for finding in findings
        if (finding.kind, finding.subject_type, finding.subject_id) not in still_open
    ]
    return lasting + angles.findings


def _with_technician(cells: pd.DataFrame) -> pd.DataFrame:
    named = cells["technician"] != NOBODY
    return cells if named.all() else cells[named]


def _document(document: dict[str, Any]) -> dict[str, pd.DataFrame]:
    return {"result_prep": pd.DataFrame({"id": [1], "document": [json.dumps(document)]})}


def _with_iso_days(days: pd.DataFrame) -> pd.DataFrame:
    return days.assign(day=pd.to_datetime(days["day"]).dt.strftime("%Y-%m-%d"))


def _first_and_last(named_cells: pd.DataFrame) -> pd.DataFrame:
    person, first = group_index(named_cells["technician"])
    since, until = group_span(person, named_cells["first_at"], named_cells["last_at"])
    names = as_text(named_cells["technician"].iloc[first]).to_numpy()
    return pd.DataFrame({"technician": names, "since": since, "until": until})


def _shared_work(named_cells: pd.DataFrame) -> pd.DataFrame:
    pair, first = group_index(named_cells["technician"], named_cells["splicer"])
    names = category_to_text(named_cells.iloc[first][["technician", "splicer"]])
    return names.reset_index(drop=True).assign(
        days=count_distinct(pair, named_cells["day"]),
        splices=np.bincount(pair, named_cells["made"]),
    )


def _signature_table(signatures: list[Signature]) -> pd.DataFrame:
    rows = pd.DataFrame([asdict(signature) for signature in signatures])
    # nobody can have two signatures of one kind; keep the first should it ever happen
    keys = ["kind", "subject_type", "subject"]
    return rows.drop_duplicates(keys) if len(rows) else rows


def _machines(
    effects: PrepEffects, cells: pd.DataFrame, crew: Crew, uneven_sides: list[Signature]
) -> pd.DataFrame:
    """Find splicers and cleavers whose angles stand out on both sides, whoever cleaves."""
    rows = effects.effects
    rows = rows[
        (rows["measure"] == "angle")
        & (rows["who"] != "technician")
        & (rows["sure"] >= crew.prep.sure)
    ]
    uneven = {(found.subject_type, found.subject) for found in uneven_sides}
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


def _comparability(effects: PrepEffects, named_cells: pd.DataFrame, crew: Crew) -> dict[str, Any]:
    swaps: list[dict[str, Any]] = []
    if effects.sets > 1 and "loss" in effects.fits:
        work = named_cells[named_cells["n"] > 0]
        keys = ["technician", "splicer", "day"]
        days = category_to_text(work).groupby(keys, as_index=False)[["n"]].sum()
        sets = connected_sets(days[["technician", "splicer"]])
        proposed = cheapest_swaps(
            days, sets, effects.fits["loss"].variances, half_width=crew.prep.margin
        )
        swaps = [asdict(swap) for swap in proposed]
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


def _shares(named_cells: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Each person's shares of places not right first time, errors and bad cleaves, with limits.

    Expected counts apply everybody's share on the same splicers and programs (indirect
    standardization). The limits are around the crew's typical person, so that one person with
    many bad splices does not move them.
    """
    parts, crew = [], {}
    stream, _ = group_index(named_cells["splicer"], named_cells["program"])
    person, first = group_index(named_cells["technician"])
    people = as_text(named_cells["technician"].iloc[first]).to_numpy()
    counted = {name: COUNTED[name] for name in SHARES} | {"bad": Share("bad", "seen")}
    for measure, share in counted.items():
        total, bad = (
            float(named_cells[share.of].sum()),
            float(named_cells[share.bad].sum()),
        )
        if total == 0 or bad == 0:
            continue
        totals, counts = (named_cells[name].to_numpy(float) for name in (share.of, share.bad))
        stream_total = np.bincount(stream, totals)
        with np.errstate(invalid="ignore"):
            rate = (np.bincount(stream, counts) / stream_total)[stream]
        worked = totals > 0
        n, observed = (
            np.bincount(person, values).astype(np.float64) for values in (totals, counts)
        )
        expected = np.bincount(person[worked], (totals * rate)[worked], len(people))
        some = n > 0
        n, observed, expected = n[some], observed[some], np.maximum(expected[some], 1e-9)
        shares = np.minimum(bad / total * observed / expected, 1.0)
        order = np.argsort(shares)
        typical = float(shares[order][np.searchsorted(n[order].cumsum(), n.sum() / 2.0)])
        typical = max(typical, 0.5 / total)
        spread = overdispersion(shares * n, n, typical)
        # divided by the overdispersion, since people vary more than chance alone allows
        low, high = binomial_limits(np.maximum(np.rint(n / spread), 1.0), typical, 0.95)
        parts.append(
            pd.DataFrame(
                {
                    "technician": people[some], "measure": measure, "n": n,
                    "observed": observed, "expected": expected, "share": shares, "low": low,
                    "high": high,
                }
            )
        )  # fmt: skip
        crew[measure] = {"share": typical, "overdispersion": spread}
    return (pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()), crew
