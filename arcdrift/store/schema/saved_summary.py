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
    text,
)

from arcdrift.store.schema.columns import metadata, result_metadata
from arcdrift.store.schema.records import RECORDS, TIME_COLUMN

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
    Column("name", Text, primary_key=True),  # of a frame; "about": JSON of what it rests on
    Column("content", LargeBinary, nullable=False),  # Arrow IPC stream
)


def trigger_statements() -> list[str]:
    """SQL of the triggers that note the days of changed and deleted records, for SQLite."""
    statements = []
    for kind, table in RECORDS.items():
        time = TIME_COLUMN[kind]
        for happening, earliest in (
            ("UPDATE", f"min(OLD.{time}, NEW.{time})"),
            ("DELETE", f"OLD.{time}"),
        ):
            statements.append(
                f"CREATE TRIGGER note_{table.name}_{happening.lower()} "  # noqa: S608 - our names
                f"AFTER {happening} ON {table.name} BEGIN "
                f"INSERT INTO changed_days (kind, day, version) "
                f"VALUES ('{kind}', {earliest} / 86400000000, 1) "
                f"ON CONFLICT (kind, day) DO UPDATE SET version = version + 1; END"
            )
    return statements


@event.listens_for(metadata, "after_create")
def _make_triggers(_metadata: MetaData, connection: Connection, **_options: object) -> None:
    if connection.dialect.name == "sqlite":
        for statement in trigger_statements():
            connection.execute(text(statement))
