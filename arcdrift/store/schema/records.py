"""Tables of what was imported, and of the imports themselves."""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
)

from arcdrift.store.schema.columns import air_columns, id_column, metadata, origin_columns

QUARANTINE = "quarantine"
"""Kind of a source row that repeats a quarantined row instead of a record."""

imports = Table(
    "imports",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("file_name", Text, nullable=False),
    Column("sha256", String(64), nullable=False, index=True),
    Column("size_bytes", BigInteger, nullable=False),
    Column("kind", String(16), nullable=False),
    Column("layout", Text),
    Column("header", Text),  # JSON: header cells of the file
    Column("delimiter", String(1)),  # character between its cells
    Column("given", Text),  # JSON: record columns that the file has
    Column("to_the_second", Boolean),  # False: its times have no seconds
    Column("dates_alone", Boolean),  # whether it has dates without a time of day
    Column("started_at", BigInteger, nullable=False),
    Column("seconds", Float, nullable=False),
    Column("lines", BigInteger, nullable=False),
    Column("other_lines", BigInteger, nullable=False),  # header, blank, skipped, continuation
    Column("rows", BigInteger, nullable=False),
    Column("accepted", BigInteger, nullable=False),
    Column("already_stored", BigInteger, nullable=False),
    Column("conflicting", BigInteger, nullable=False),
    Column("quarantined", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    Column("line_counts", Text),  # JSON: header, blank, skipped lines and lines of rows
    Column("settings_sha256", String(64)),  # of the settings that it was read with
    Column("judged_at", BigInteger),  # what "now" was; NULL: rows lay in the future then
    Column("days_from_1904", Boolean),  # whether day numbers in place of dates count from 1904
    Column("same_as", Integer),  # import of which it is a repeat, without rows of its own
    Column("imported_by", Text),  # who sent it in; NULL: whoever has the crew folder
)

arc_checks = Table(
    "arc_checks",
    metadata,
    id_column(),
    *origin_columns(),
    Column("splicer", Text, nullable=False),
    Column("checked_at", BigInteger, nullable=False),
    Column("outcome", String(8), nullable=False),
    Column("arc_setting", Float),
    Column("arc_count", Float),
    Column("technician", Text),
    Column("site", Text),
    Column("melt_back_um", Float),
    *air_columns(),
    Column("remark", Text),
    Index(None, "splicer", "checked_at"),
    sqlite_autoincrement=True,
)

splices = Table(
    "splices",
    metadata,
    id_column(),
    *origin_columns(),
    Column("splicer", Text, nullable=False),
    Column("spliced_at", BigInteger, nullable=False),
    Column("loss_db", Float),
    Column("loss_below_db", Float),  # the loss is only known to be below it; loss_db is half of it
    Column("outcome", String(8), nullable=False),
    Column("technician", Text),
    Column("program", Text),
    Column("fiber_a", Text),
    Column("fiber_b", Text),
    Column("cleave_left_deg", Float),
    Column("cleave_right_deg", Float),
    Column("core_offset_um", Float),
    Column("arc_count", Float),
    Column("splice_number", Float),
    Column("cleaver", Text),
    Column("blade_position", Text),
    Column("site", Text),
    Column("location", Text),
    Column("purpose", String(12), nullable=False),
    Column("sleeve_mm", Float),
    Column("heater_program", Text),
    Column("measured_ab_db", Float),
    Column("measured_ba_db", Float),
    *air_columns(),
    Column("remark", Text),
    Column("error_reason", Text),  # as logged; `arcdrift.error_reasons` has its class
    Column("holding", String(8)),
    Index(None, "splicer", "spliced_at"),
    sqlite_autoincrement=True,
)

readings = Table(
    "readings",
    metadata,
    id_column(),
    *origin_columns(),
    Column("read_at", BigInteger, nullable=False),
    Column("site", Text),
    Column("splicer", Text),
    *air_columns(),  # pressure as reported; pressure_reference says what it refers to
    Column("pressure_reference", String(10)),
    Column("source", Text),
    Column("station", Text),  # weather station; its sites are in crew.toml
    Column("dew_point_c", Float),
    Index(None, "site", "read_at"),
    Index(None, "splicer", "read_at"),
    Index(None, "station", "read_at"),
    sqlite_autoincrement=True,
)

service = Table(
    "service",
    metadata,
    id_column(),
    *origin_columns(),
    Column("asset", Text, nullable=False),
    Column("serviced_at", BigInteger, nullable=False),
    Column("action", String(24), nullable=False),
    Column("remark", Text),
    Index(None, "asset", "serviced_at"),
    sqlite_autoincrement=True,
)

quarantine = Table(
    "quarantine",
    metadata,
    id_column(),
    *origin_columns(),
    Column("last_line", BigInteger, nullable=False),
    Column("raw", Text, nullable=False),
    Column("column", Text),
    Column("code", String(32), nullable=False),
    Column("message", Text, nullable=False),
    # a row is closed when a later import corrects it or a person gives it up
    Column("closed_by", Integer, ForeignKey("imports.id"), index=True),
    Column("closed_at", BigInteger),
    Column("closed_who", Text),
    Column("closed_why", Text),
)

# rows that repeat a record or a quarantined row, or that a record was completed or corrected
# from: without them no other import could be undone exactly
source_rows = Table(
    "source_rows",
    metadata,
    id_column(),
    *origin_columns(),
    Column("kind", String(16), nullable=False),  # kind of the record, or "quarantine"
    Column("record_id", BigInteger, nullable=False),
    Column("record", Text),  # JSON: values of the row; NULL when they equal the record's
    Column("raw", Text),
    Index(None, "kind", "record_id"),
)

conflicts = Table(
    "conflicts",
    metadata,
    id_column(),
    *origin_columns(),
    Column("stored_id", BigInteger, nullable=False),
    Column("differs", Text, nullable=False),  # JSON: column -> [stored, in the file]
    Column("record", Text, nullable=False),  # JSON: all columns of the new version
    Column("raw", Text, nullable=False),
    Column("kept", String(3)),  # version that a person chose: old or new; NULL while open
    Column("decided_at", BigInteger),
    Column("decided_by", Text),
    Column("decided_against", Text),  # JSON: the other version at the time of the decision
)

imports_in_progress = Table(
    "imports_in_progress",
    metadata,
    Column("token", String(16), primary_key=True),
    Column("file_name", Text, nullable=False),
    Column("started_at", BigInteger, nullable=False),
)

watched = Table(
    "watched",
    metadata,
    Column("path", Text, primary_key=True),
    Column("size_bytes", BigInteger, nullable=False),
    Column("modified_ns", BigInteger, nullable=False),
    Column("sha256", String(64), index=True),  # NULL when the file could not be read
    Column("said", Text),  # why it was not imported; NULL when it was imported, now or before
)

RECORDS: dict[str, Table] = {
    "arc-checks": arc_checks,
    "splices": splices,
    "readings": readings,
    "service": service,
}
TIME_COLUMN: dict[str, str] = {
    "arc-checks": "checked_at",
    "splices": "spliced_at",
    "readings": "read_at",
    "service": "serviced_at",
}
