"""Reasons of failed splices as they were logged, with how often each was."""

from sqlalchemy import Engine, func, select

from arcdrift.store import schema
from arcdrift.store.database.connect import reading


def logged_reasons(
    engine: Engine, import_id: int | None = None, *, after: int = 0
) -> dict[str, int]:
    """Return how many failed splices have each reason, the commonest first.

    Parameters
    ----------
    import_id : int, optional
        Import whose splices are counted; default all.
    after : int
        Id from which on splices are counted, itself left out.
    """
    t = schema.splices.columns
    count = func.count().label("splices")
    query = (
        select(t.error_reason, count)
        .where(t.outcome == "error", t.error_reason.is_not(None))
        .group_by(t.error_reason)
        .order_by(count.desc(), t.error_reason)
    )
    if import_id is not None:
        query = query.where(t.import_id == import_id)
    if after:
        query = query.where(t.id > after)
    with reading(engine) as connection:
        return {row.error_reason: row.splices for row in connection.execute(query)}
