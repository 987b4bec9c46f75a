"""Brings the tables of a store to what this version of arcdrift declares.

A new store gets all tables at once. In an older one the tables of records and annotations are
changed by numbered migrations. Result tables can be computed again, and are not migrated: when
their definition differs from the one they were made with, they are dropped and made empty, and
the store is as one that was never analyzed.
"""

from functools import cache
from hashlib import sha256
from pathlib import Path

from sqlalchemy import Connection, Engine, MetaData, Table, insert, select, text
from sqlalchemy.schema import CreateIndex, CreateTable, DropTable

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.dialect import WRITES, is_read_only
from arcdrift.store.database.dialects import dialect_of
from arcdrift.store.database.moved_marks import MOVED, moved_sentence
from arcdrift.store.schema import DERIVED, metadata, result_definitions, result_metadata

MIGRATIONS = Path(__file__).parent / "migrations"
HEAD = "0014"
"""Number of the last migration."""


def bring_up_to_date(engine: Engine, place: str) -> None:
    """Make or change the tables of a store where they are not as declared.

    Parameters
    ----------
    place : str
        Where the store is, for messages.

    Raises
    ------
    StoreTrouble
        When the database is not a store, or was made by a newer arcdrift.
    """
    with engine.connect() as connection:
        version = store_version_number(connection)
        if version == MOVED:
            raise StoreTrouble(moved_sentence(place))
        if version == HEAD and _made_results(connection) == _result_hashes():
            return
        if version is None:
            dialect_of(engine).check_new(connection, place)
    if is_read_only(engine):
        raise StoreTrouble(
            f"The store {place} was made by another version of arcdrift and must be brought up to "
            "date, but it cannot be written; work on a copy of it."
        )
    dialect_of(engine).prepare(engine)
    with engine.execution_options(**{WRITES: True}).begin() as connection:
        # another program may have changed the tables since the look above
        version = store_version_number(connection)
        if version is None:
            make_tables(connection)
            return
        if version != HEAD:
            _migrate(connection, version, place)
        if _made_results(connection) != _result_hashes():
            _remake_results(connection)


def store_version_number(connection: Connection) -> str | None:
    """Number of the last migration a store has seen, None when it has no tables yet."""
    if "alembic_version" not in dialect_of(connection).table_names(connection):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def make_tables(connection: Connection) -> None:
    """Make the tables of a new store, which then needs no migration."""
    metadata.create_all(connection, checkfirst=False)
    # the table by which Alembic knows which migrations a store has seen
    connection.execute(
        text(
            "CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL, "
            "CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num))"
        )
    )
    connection.execute(
        text("INSERT INTO alembic_version (version_num) VALUES (:head)"), {"head": HEAD}
    )
    _make_results(connection)


def _migrate(connection: Connection, version: str, place: str) -> None:
    # slow to load, and seldom needed in the life of a store
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    known = {step.revision for step in ScriptDirectory.from_config(config).walk_revisions()}
    if version not in known:
        raise StoreTrouble(
            f"The store {place} was made by a newer arcdrift (its version is "
            f"{version}, this one knows up to {HEAD}); update arcdrift."
        )
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


@cache
def _result_hashes() -> dict[str, str]:
    """SHA-256 of the declared definition of each result table, by name."""
    hashes = {}
    for name, table in DERIVED.items():
        indexes = sorted(str(CreateIndex(index)) for index in table.indexes)
        hashes[name] = sha256("".join([str(CreateTable(table)), *indexes]).encode()).hexdigest()
    return hashes


def _made_results(connection: Connection) -> dict[str, str]:
    """SHA-256 of the definition by which each result table of a store was made, by name."""
    if result_definitions.name not in dialect_of(connection).table_names(connection):
        return {}
    rows = connection.execute(select(result_definitions))
    return {row.table_name: row.sha256 for row in rows}


def _remake_results(connection: Connection) -> None:
    """Drop the result tables and make them as declared, empty."""
    _drop_results(connection)
    _make_results(connection)


def _drop_results(connection: Connection) -> None:
    existing = dialect_of(connection).table_names(connection)
    # only tables that are surely ours: a shared database may hold those of other programs
    made = {*_made_results(connection), *DERIVED, result_definitions.name}
    for name in sorted(made & existing):
        connection.execute(DropTable(Table(name, MetaData())))


def drop_tables(connection: Connection) -> None:
    """Drop all tables of a store."""
    _drop_results(connection)
    metadata.drop_all(connection)
    connection.execute(DropTable(Table("alembic_version", MetaData())))


def _make_results(connection: Connection) -> None:
    result_metadata.create_all(connection, checkfirst=False)
    result_definitions.create(connection)
    rows = [{"table_name": name, "sha256": value} for name, value in _result_hashes().items()]
    connection.execute(insert(result_definitions), rows)
