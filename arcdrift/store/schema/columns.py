"""What the tables of the store have in common.

Every instant is a 64-bit integer: microseconds since 1970-01-01 UTC. Local days are ISO text.
"""

from sqlalchemy import BigInteger, Column, Float, ForeignKey, Integer, MetaData

_NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
}
metadata = MetaData(naming_convention=_NAMING)
"""Tables that migrations carry from version to version: records and annotations."""
result_metadata = MetaData(naming_convention=_NAMING)
"""Tables of the last analysis: made anew when their definition changes, never migrated."""


def id_column() -> Column[int]:
    """Column of a number that the database gives to each row."""
    # INTEGER on SQLite so that it is the rowid; BIGINT elsewhere
    return Column("id", BigInteger().with_variant(Integer, "sqlite"), primary_key=True)


def origin_columns() -> tuple[Column[int], Column[int]]:
    """Columns for where a row came from: its import and its first physical line there."""
    return (
        Column("import_id", Integer, ForeignKey("imports.id"), nullable=False, index=True),
        Column("line", BigInteger, nullable=False),
    )


def air_columns() -> tuple[Column[float], Column[float], Column[float]]:
    """Columns for temperature, pressure and humidity as reported."""
    return (
        Column("temperature_c", Float),
        Column("pressure_hpa", Float),
        Column("humidity_pct", Float),
    )


def clock_bounds_columns() -> tuple[
    Column[int], Column[float], Column[float], Column[float], Column[float]
]:
    """Columns for `arcdrift.clock_bounds.ClockBounds`, all but its splicer and start."""
    return (
        Column("ends_at", BigInteger, nullable=False),
        Column("first_number", Float),
        Column("end_number", Float),
        Column("first_arc", Float),
        Column("end_arc", Float),
    )
