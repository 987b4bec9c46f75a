"""Tables that let an analysis begin where the last one ended.

The summary of the records of past days is kept, and the days on which records were changed or
deleted since are noted. All of it can be deleted at any time: the next analysis then reads every
record again.
"""

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    event,
)

from arcdrift.store.schema.change_triggers import trigger_statements
from arcdrift.store.schema.columns import metadata, result_metadata

changed_days = Table(  # where records were changed or deleted; new records are known by their ids
    "changed_days",
    metadata,
    Column("kind", String(16), primary_key=True),
    Column("day", BigInteger, primary_key=True, autoincrement=False),  # UTC, days since 1970
    Column("version", BigInteger, nullable=False),  # grows with every change
)

saved_summary = Table(
    "saved_summary",
    result_metadata,
    # a range of days; "about": what all of it rests on; "charts": states of charts after past days
    Column("part", Text, primary_key=True),
    Column("name", Text, primary_key=True),  # of a frame or chart
    # Arrow IPC stream; JSON for "about"; see `arcdrift.analysis.common.chart_states` for charts
    Column("content", LargeBinary, nullable=False),
)


@event.listens_for(metadata, "after_create")
def _make_triggers(_metadata: MetaData, connection: Connection, **_options: object) -> None:
    for statement in trigger_statements(connection.dialect.name):
        connection.exec_driver_sql(statement)
