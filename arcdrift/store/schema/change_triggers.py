"""Triggers that note the days of changed and deleted records in the table ``changed_days``."""

from arcdrift.store.schema.records import RECORDS, TIME_COLUMN

DAY_US = 86_400_000_000
"""Microseconds of a day."""


def trigger_statements(database: str) -> list[str]:
    """SQL that makes the triggers.

    Parameters
    ----------
    database : str
        ``sqlite`` or ``postgresql``.
    """
    make = _for_postgresql if database == "postgresql" else _for_sqlite
    return [
        statement
        for kind, table in RECORDS.items()
        for happening in ("update", "delete")
        for statement in make(kind, table.name, TIME_COLUMN[kind], happening)
    ]


def _for_sqlite(kind: str, table: str, time: str, happening: str) -> list[str]:
    earliest = f"min(OLD.{time}, NEW.{time})" if happening == "update" else f"OLD.{time}"
    return [
        f"CREATE TRIGGER note_{table}_{happening} "  # noqa: S608 - our names
        f"AFTER {happening.upper()} ON {table} BEGIN "
        f"INSERT INTO changed_days (kind, day, version) "
        f"VALUES ('{kind}', {earliest} / {DAY_US}, 1) "
        f"ON CONFLICT (kind, day) DO UPDATE SET version = version + 1; END"
    ]


def _for_postgresql(kind: str, table: str, time: str, happening: str) -> list[str]:
    """One call a statement, not a row: an import that is undone deletes very many."""
    if happening == "update":
        transition = "OLD TABLE AS old_rows NEW TABLE AS new_rows"
        rows = "old_rows JOIN new_rows USING (id)"
        earliest = f"least(old_rows.{time}, new_rows.{time})"
    else:
        transition, rows, earliest = "OLD TABLE AS old_rows", "old_rows", f"old_rows.{time}"
    name = f"note_{table}_{happening}"
    return [
        f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "  # noqa: S608
        f"INSERT INTO changed_days AS known (kind, day, version) "
        f"SELECT '{kind}', {earliest} / {DAY_US}, count(*) FROM {rows} GROUP BY 2 "
        f"ON CONFLICT (kind, day) DO UPDATE SET version = known.version + excluded.version; "
        f"RETURN NULL; END $$",
        f"CREATE TRIGGER {name} AFTER {happening.upper()} ON {table} REFERENCING {transition} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {name}()",
    ]
