"""Daily checks: which splicer was checked, when, and before how many splices.

Every splicer has one row for each local day from its first record to its last (or to today).
"""

import pandas as pd

from arcdrift.analysis.days import sites_of, workdays, zones_of
from arcdrift.settings import Crew
from arcdrift.times import local_day

COLUMNS = (
    "splicer",
    "day",
    "site",
    "status",
    "checked_at",
    "first_splice_at",
    "splices",
    "splices_before_check",
    "attempts",
    "failed_attempts",
    "splices_after_failure",
    "day_over",
)
KEYS = ["splicer", "day"]


def daily_checks(
    checks: pd.DataFrame, splices: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> pd.DataFrame:
    """Status of every splicer-day.

    Parameters
    ----------
    checks : DataFrame
        Arc checks: ``splicer``, ``checked_at`` (UTC), ``outcome``, ``site``.
    splices : DataFrame
        ``splicer``, ``spliced_at`` (UTC), ``site``; every splice counts, practice included,
        because each one leans on the arc.
    now : Timestamp
        UTC. A day that has not ended by then is "due" where it would be "missed".

    Returns
    -------
    DataFrame
        `COLUMNS`, one row a splicer-day, ordered. ``status`` is ``checked`` (a passed check at
        or before the first splice), ``late`` (passed, but after ``splices_before_check``
        splices), ``failed-only`` (attempts, none passed), ``missed``, ``due`` or ``no-work``.
        ``splices_after_failure`` counts splices whose latest check that day had failed.
    """
    splices = splices.assign(day=workdays(splices, crew, "spliced_at"))
    checks = checks.assign(day=workdays(checks, crew, "checked_at")).sort_values("checked_at")
    table = _calendar(checks, splices, crew, now)
    if table.empty:
        return pd.DataFrame(columns=list(COLUMNS))

    passed = checks[checks["outcome"] == "pass"].groupby(KEYS)["checked_at"].min()
    by_day = checks.groupby(KEYS)["outcome"]
    work = splices.groupby(KEYS)["spliced_at"].agg(["min", "size"])
    key = pd.MultiIndex.from_frame(table[KEYS])
    table["checked_at"] = passed.reindex(key).array
    table["first_splice_at"] = work["min"].reindex(key).array
    table["splices"] = work["size"].reindex(key).fillna(0).astype(int).to_numpy()
    table["attempts"] = by_day.size().reindex(key).fillna(0).astype(int).to_numpy()
    failed = (checks["outcome"] != "pass").groupby([checks["splicer"], checks["day"]]).sum()
    table["failed_attempts"] = failed.reindex(key).fillna(0).astype(int).to_numpy()
    before, after_failure = _splices_at_risk(splices, checks, passed)
    table["splices_before_check"] = before.reindex(key).fillna(0).astype(int).to_numpy()
    table["splices_after_failure"] = after_failure.reindex(key).fillna(0).astype(int).to_numpy()
    table["status"] = _status(table)
    return table[list(COLUMNS)]


def _calendar(
    checks: pd.DataFrame, splices: pd.DataFrame, crew: Crew, now: pd.Timestamp
) -> pd.DataFrame:
    """One row a splicer and local day from its first record to its last, or to today."""
    records = pd.concat(
        [
            part.assign(at=part[column])[["splicer", "day", "at", "site"]]
            for part, column in ((checks, "checked_at"), (splices, "spliced_at"))
        ]
    )
    if records.empty:
        return pd.DataFrame(columns=KEYS)
    records["site"] = sites_of(records, crew)
    latest = records.sort_values("at").groupby(KEYS)["site"].last()
    spans = records.groupby("splicer")["day"].agg(["min", "max"])
    current = latest.groupby("splicer").last()
    zones = zones_of(current.reindex(spans.index), crew)
    today = local_day(pd.Series(now, index=spans.index), zones, crew.day_offset)
    last = spans["max"].where(spans["max"] >= today, today)
    days = [
        pd.DataFrame({"splicer": splicer, "day": pd.date_range(first, end, freq="D")})
        for splicer, first, end in zip(spans.index, spans["min"], last, strict=True)
    ]
    table = pd.concat(days, ignore_index=True)
    table["site"] = latest.reindex(pd.MultiIndex.from_frame(table[KEYS])).to_numpy()
    table["day_over"] = table["day"] < table["splicer"].map(today)
    return table


def _splices_at_risk(
    splices: pd.DataFrame, checks: pd.DataFrame, passed: pd.Series
) -> tuple[pd.Series, pd.Series]:
    """Splices before the day's first pass, and splices after a failure and before a pass."""
    with_pass = splices.join(passed.rename("first_pass"), on=KEYS)
    early = splices[with_pass["spliced_at"] < with_pass["first_pass"]]
    before = early.groupby(KEYS).size()
    if checks.empty or splices.empty:
        return before, before.iloc[:0]
    joined = pd.merge_asof(
        splices[["splicer", "day", "spliced_at"]].sort_values("spliced_at"),
        checks[["splicer", "day", "checked_at", "outcome"]].rename(columns={"outcome": "latest"}),
        left_on="spliced_at",
        right_on="checked_at",
        by=KEYS,
    )
    return before, joined[joined["latest"] == "fail"].groupby(KEYS).size()


def _status(table: pd.DataFrame) -> pd.Series:
    worked = table["splices"] > 0
    passed = table["checked_at"].notna()
    late = table["splices_before_check"] > 0
    status = pd.Series("missed", index=table.index, dtype=object)
    status[~table["day_over"]] = "due"
    status[table["attempts"] > 0] = "failed-only"
    status[passed & late] = "late"
    status[passed & ~late] = "checked"
    status[~worked] = "no-work"
    return status
