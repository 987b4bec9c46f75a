"""Tables of cases: what is kept of each, and what people said about cases and places.

Unlike results they outlive every analysis: a case keeps its id, and statements are only added.
"""

from sqlalchemy import BigInteger, Column, Float, ForeignKey, String, Table, Text

from arcdrift.store.schema.columns import id_column, metadata

cases = Table(  # as last found; see arcdrift.case.KeptCase
    "cases",
    metadata,
    Column("id", String(12), primary_key=True),
    Column("keys", Text, nullable=False),  # JSON: cause, subject type and name; the first its own
    Column("title", Text, nullable=False),
    Column("began", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    Column("first_seen", BigInteger, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
)

case_statements = Table(  # never changed and never deleted
    "case_statements",
    metadata,
    id_column(),
    Column("case_id", String(12), ForeignKey("cases.id"), nullable=False, index=True),
    Column("action", String(8), nullable=False),  # take / done / close / reopen
    Column("how", String(16), nullable=False),  # of closing: cured / not-a-fault / accepted
    Column("why", Text, nullable=False),
    Column("acted_on", BigInteger),  # when the work was done, if not when it was said
    Column("evidence_until", BigInteger, nullable=False),  # latest evidence known then
    Column("said_by", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    sqlite_autoincrement=True,
)

# splices over the limit that a person has dealt with; the splice is known by what the log says of
# it, because its number changes when its import is undone and repeated
revisited_splices = Table(
    "revisited_splices",
    metadata,
    id_column(),
    Column("splice_id", BigInteger, nullable=False),
    Column("splicer", Text, nullable=False),
    Column("spliced_at", BigInteger, nullable=False),
    Column("location", Text),
    Column("loss_db", Float, nullable=False),
    Column("note", Text, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)
