"""Losses of the splices that were made again: the list has their times, the records the losses."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Engine, select

from arcdrift.instants import microseconds
from arcdrift.store import schema
from arcdrift.store.database.connect import reading

AT_ONCE = 400
"""Times asked for in one statement."""


def losses_made_again(
    engine: Engine, rows: Sequence[Mapping[str, Any]], splicers: Sequence[str]
) -> dict[int, float]:
    """Return the loss of the later splice at each place, in dB, by the earlier splice's id.

    Parameters
    ----------
    rows : sequence of mapping
        From `arcdrift.store.cases.revisit_rows.read_revisit`. Those whose later splice is not
        found under its time (its clock was set right since) are left out.
    splicers : sequence of str
        All of the crew: the store finds splices by splicer and time.
    """
    wanted = [row for row in rows if row["made_again_at"] is not None and row["location"]]
    times = sorted({microseconds(row["made_again_at"]) for row in wanted})
    table = schema.RECORDS["splices"].columns
    later: dict[tuple[str, int], float] = {}
    with reading(engine) as connection:
        for start in range(0, len(times), AT_ONCE):
            found = connection.execute(
                select(table.location, table.spliced_at, table.loss_db).where(
                    table.splicer.in_(splicers),
                    table.spliced_at.in_(times[start : start + AT_ONCE]),
                )
            )
            later |= {
                (row.location, row.spliced_at): float(row.loss_db)
                for row in found
                if row.loss_db is not None
            }
    return {
        int(row["splice_id"]): later[row["location"], microseconds(row["made_again_at"])]
        for row in wanted
        if (row["location"], microseconds(row["made_again_at"])) in later
    }
