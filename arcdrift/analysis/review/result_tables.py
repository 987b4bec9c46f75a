"""Results of a review as the rows of the store's result tables."""

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.cases.found_cases import FoundCases
from arcdrift.analysis.loss.day_level import LAG_FROM, LossCharts
from arcdrift.analysis.loss.stream_days import CALIBRATION_DAYS
from arcdrift.analysis.review.crew_sums import HISTOGRAM_STEP_DB
from arcdrift.finding import Finding
from arcdrift.settings import Crew


def iso(days: pd.Series) -> pd.Series:
    """Local days as ISO text, in categories; missing where the day is."""
    code, distinct = pd.factorize(pd.to_datetime(days).to_numpy(dtype="datetime64[D]"), sort=True)
    texts = pd.Index(np.datetime_as_string(distinct), dtype="str")
    return pd.Series(pd.Categorical.from_codes(code, texts), index=days.index, name=days.name)


def dated(rows: pd.DataFrame, column: str) -> pd.DataFrame:
    """Rows with a column of local days as ISO text."""
    return rows.assign(**{column: iso(rows[column])}) if len(rows) else rows


def stream_days(days: pd.DataFrame) -> pd.DataFrame:
    """Rows of ``result_stream_days`` from charted days."""
    return days.assign(day=iso(days["day"]), splices=days["n"])


def streams_table(charts: LossCharts, crew: Crew) -> pd.DataFrame:
    """Rows of ``result_streams``: one a stream, as it stands after its last day."""
    keys, days = ["splicer", "program"], charts.days
    if days.empty:
        return pd.DataFrame(columns=keys)
    used = days[[*keys, "day", "site", "cap", "n", "total"]]
    alarms = {f"alarms_{side}": days["alarm"] == side for side in ("up", "down")}
    ordered = used.assign(**alarms).sort_values("day")
    grouped = ordered.groupby(keys)
    recent = grouped.tail(10).groupby(keys)[["total", "n"]].sum()
    last = grouped[["site", "cap"]].last()
    streams = pd.DataFrame(
        {
            "site": last["site"],
            "first_day": iso(grouped["day"].min()),
            "last_day": iso(grouped["day"].max()),
            "days": grouped.size(),
            "splices": grouped["n"].sum(),
            "cap_db": last["cap"],
            "recent_db": recent["total"] / recent["n"],
            **{name: grouped[name].sum() for name in alarms},
        }
    ).reset_index()
    streams = streams.merge(charts.units, on=keys, how="left")
    streams["charted_days"] = streams["n_days"]
    streams["program_class"] = [crew.class_of(program) for program in streams["program"]]
    streams["state"] = np.select(
        [streams["n_days"] < CALIBRATION_DAYS, streams["n_days"] < LAG_FROM],
        ["too-few", "learning"],
        "charted",
    )
    return streams


def crew_days(outcomes: pd.DataFrame, histogram: pd.DataFrame) -> pd.DataFrame:
    """Rows of ``result_crew_days``; percentiles from the summed histograms, to 0.001 dB."""
    if outcomes.empty:
        return pd.DataFrame(columns=["day"])
    totals = outcomes.groupby("day").sum()
    counts = histogram.groupby(["day", "bin"], as_index=False)["count"].sum()
    cumulative = counts.groupby("day")["count"].cumsum()
    whole = counts.groupby("day")["count"].transform("sum")
    for name, share in (("median_db", 0.5), ("p95_db", 0.95)):
        reached = counts[cumulative >= share * whole].groupby("day")["bin"].first()
        totals[name] = reached * HISTOGRAM_STEP_DB
    totals["mean_db"] = totals["total"] / totals["measured"].where(totals["measured"] > 0)
    totals = totals.rename(columns={"over": "over_010"}).reset_index()
    return totals.assign(day=iso(totals["day"]))


def models_table(models: list[ArcModel | Refusal]) -> pd.DataFrame:
    """Rows of ``result_arc_models``."""
    rows: list[dict[str, Any]] = [
        {
            "splicer": model.splicer,
            "checks": model.checks,
            "used": model.used,
            "refusal": model.reason if isinstance(model, Refusal) else None,
            "model": None if isinstance(model, Refusal) else json.dumps(model.to_json()),
            "peer_slopes": json.dumps(asdict(model.peer_slopes))
            if isinstance(model, Refusal) and model.peer_slopes is not None
            else None,
        }
        for model in models
    ]
    return pd.DataFrame(rows)


def findings_table(found: list[Finding]) -> pd.DataFrame:
    """Rows of ``findings``."""
    columns = ["id", "kind", "subject_type", "subject_id", "since", "until", "severity", "case_id"]
    rows = [
        {name: getattr(finding, name) for name in columns}
        | {"document": json.dumps(finding.to_json())}
        for finding in found
    ]
    frame = pd.DataFrame(rows, columns=[*columns, "document"])
    for name in ("since", "until"):
        frame[name] = pd.to_datetime(frame[name], utc=True).dt.as_unit("us")
    return frame


def cases_table(cases: FoundCases) -> pd.DataFrame:
    """Rows of ``result_cases``."""
    rows = [
        {
            "id": document["id"],
            "cause": document["cause"],
            "subject_type": document["subject"]["type"],
            "subject_id": document["subject"]["id"],
            "document": json.dumps(document),
        }
        for document in cases.documents
    ]
    return pd.DataFrame(rows, columns=["id", "cause", "subject_type", "subject_id", "document"])


def revisit_table(over: pd.DataFrame) -> pd.DataFrame:
    """Rows of ``result_splices_to_revisit``, from `splices_to_revisit`."""
    return dated(over.rename(columns={"id": "splice_id"}), "day")


def attempt_tables(frames: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Rows of the result tables about attempts, from `review_attempts`."""
    return {
        name: dated(rows, "day") if "day" in rows.columns else rows for name, rows in frames.items()
    }


def settings_used(crew: Crew, charts: LossCharts) -> dict[str, Any]:
    """What the review assumed and pooled, kept with its results."""
    return {
        "false_alarms_per_month": crew.false_alarms_per_month,
        "shares": crew.shares.model_dump(),
        "air_max_age_min": crew.air_max_age_min,
        "error_reasons": crew.error_reasons,
        "between_day_sd": float(np.sqrt(charts.between)),
        "within_day_sd": float(np.sqrt(charts.within)),
        "lag1": charts.lag1,
        "widening": charts.widening,
        "service_shift": charts.service_shift,
    }
