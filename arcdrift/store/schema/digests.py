"""Table of the messages that told readers what was new."""

from sqlalchemy import BigInteger, Column, String, Table, Text, UniqueConstraint

from arcdrift.store.schema.columns import id_column, metadata

digest_messages = Table(  # at most one a day and reader; see arcdrift.store.digests.sent_digests
    "digest_messages",
    metadata,
    id_column(),
    Column("recipient", String(32), nullable=False),  # digest of the address or of the webhook
    Column("reader", Text, nullable=False),  # name in crew.toml
    Column("day", String(10), nullable=False),  # workday of the crew
    Column("state", String(8), nullable=False),  # claimed / sending / sent / failed / quiet
    Column("token", String(32), nullable=False),  # of the run that has it in hand
    Column("since", BigInteger, nullable=False),  # what it tells begins there
    Column("begun_at", BigInteger, nullable=False),
    Column("ended_at", BigInteger),  # NULL: it was not told how it ended
    Column("told", Text),  # JSON: what the reader then knows; NULL in all but the latest
    UniqueConstraint("recipient", "day"),
    sqlite_autoincrement=True,
)
