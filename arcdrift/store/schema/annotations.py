"""Tables of annotations: what people wrote about clocks, baselines and coaching.

A review reads them and never changes them.
"""

from sqlalchemy import BigInteger, Column, String, Table, Text

from arcdrift.store.schema.columns import clock_bounds_columns, id_column, metadata

clock_shifts = Table(
    "clock_shifts",
    metadata,
    id_column(),
    Column("splicer", Text, nullable=False, index=True),
    Column("starts_at", BigInteger, nullable=False),  # as logged, like ends_at
    *clock_bounds_columns(),
    Column("shift_s", BigInteger, nullable=False),  # added when read; 0: the clock was right
    Column("said_by", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)

baseline_marks = Table(  # days excluded from loss charts, and frozen baselines
    "baseline_marks",
    metadata,
    id_column(),
    Column("action", String(8), nullable=False),  # exclude / freeze
    Column("splicer", Text),  # NULL: every splicer
    Column("program", Text),  # NULL: every program
    Column("first_day", String(10), nullable=False),
    Column("last_day", String(10)),  # NULL: until withdrawn
    Column("note", Text, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)

# notes about coaching sessions; no figure depends on them
coaching = Table(
    "coaching",
    metadata,
    id_column(),
    Column("technician", Text, nullable=False, index=True),
    Column("held_on", String(10), nullable=False),  # local day
    Column("topic", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)
