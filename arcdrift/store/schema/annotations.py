"""Tables of what people wrote down about clocks, baselines and colleagues.

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
    Column("shift_s", BigInteger, nullable=False),  # added when records are read; 0: it is right
    Column("said_by", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)

baseline_marks = Table(  # what a person said of the baselines of loss charts
    "baseline_marks",
    metadata,
    id_column(),
    Column("action", String(8), nullable=False),  # exclude / freeze
    Column("splicer", Text),  # NULL: every splicer
    Column("program", Text),  # NULL: every program
    Column("first_day", String(10), nullable=False),
    Column("last_day", String(10)),  # NULL: until taken back
    Column("note", Text, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("recorded_at", BigInteger, nullable=False),
    Column("undone_at", BigInteger),
    sqlite_autoincrement=True,
)

# what somebody told a person, kept for good; figures of a review never touch it
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
