"""Finds the dialect of a store."""

from sqlalchemy import Connection, Engine

from arcdrift.store.database.dialect import StoreDialect


def dialect_of(store: Engine | Connection) -> StoreDialect:
    """Return what differs in the database of a store."""
    if store.dialect.name == "postgresql":
        # its driver is installed on demand
        from arcdrift.store.database.postgresql.postgresql_dialect import PostgresqlDialect

        return PostgresqlDialect()
    from arcdrift.store.database.sqlite.sqlite_dialect import SqliteDialect

    return SqliteDialect()
