"""The ledger of what people wrote down by hand: checks, service and remarks."""

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, String, Table, Text

from arcdrift.store.schema.columns import id_column, metadata

REMARKS = "remarks"
"""Kind of an entry that is a remark alone, without a check or service."""

# An entry has a row of the list of imports, whose `undone_at` says whether it still counts. A check
# or service is a record as well, or a row of the record that a log has of the same event.
written = Table(
    "written",
    metadata,
    id_column(),
    Column("import_id", Integer, ForeignKey("imports.id"), nullable=False, index=True),
    Column("kind", String(16), nullable=False),  # arc-checks, service or remarks
    Column("subject", Text, nullable=False),  # splicer, for service also another asset
    Column("happened_at", BigInteger, nullable=False),
    Column("record", Text, nullable=False),  # JSON: the columns that were filled in
    Column("written_by", Text, nullable=False),
    Index(None, "subject", "happened_at"),
)
