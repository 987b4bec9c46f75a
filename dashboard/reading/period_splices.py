"""Splices of a period, with what is accepted of each: what reports sum by stream or by place."""

from datetime import UTC, date, datetime, time, timedelta

import pandas as pd

from arcdrift.analysis.common.record_columns import MEASURED_COLUMNS
from arcdrift.analysis.loss.acceptance.period_acceptance import period_losses
from arcdrift.store.records.record_rows import read_records
from dashboard.reading.data import CrewData

COLUMNS = (
    "id", "splicer", "program", "spliced_at", "loss_db", "outcome", "purpose", "site", "location",
    "fiber_a", "fiber_b", *MEASURED_COLUMNS,
)  # fmt: skip
"""No column names a person, so that every viewer may see these rows."""
MARGIN = timedelta(days=2)
"""A local workday lies within so many days of the same date in UTC, whatever the zone."""


def splices_of_period(data: CrewData, first: date, last: date, until: datetime) -> pd.DataFrame:
    """Return the production splices with a loss on the workdays of a period.

    Parameters
    ----------
    first, last : date
        Local workdays, both included.
    until : datetime
        Instant (UTC) after which nothing counts.

    Returns
    -------
    DataFrame
        `COLUMNS`, and what `arcdrift.analysis.loss.acceptance.period_acceptance.period_losses`
        adds.
    """
    begins, ends = (datetime.combine(day, time(), tzinfo=UTC) for day in (first, last))
    rows = read_records(
        data.engine,
        "splices",
        since=begins - MARGIN,
        until=min(ends + MARGIN, until + timedelta(microseconds=1)),
        columns=COLUMNS,
        exclude_wrong_clock=True,
    )
    return period_losses(rows, data.crew, first.isoformat(), last.isoformat())
