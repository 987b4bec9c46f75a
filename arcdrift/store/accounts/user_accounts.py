"""Users who may sign in to the dashboard of a crew."""

import secrets
import unicodedata
from datetime import UTC, datetime
from typing import Any, NamedTuple, cast

from sqlalchemy import Engine, delete, exists, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from arcdrift.errors import StoreTrouble, UsageError
from arcdrift.instants import instant_at, microseconds
from arcdrift.people import Role
from arcdrift.store import schema
from arcdrift.store.accounts.passwords import hash_password
from arcdrift.store.database.connect import reading, writing

MOST_NAME_CHARACTERS = 64


class UserAccount(NamedTuple):
    """A user as stored.

    Attributes
    ----------
    technician : str or None
        The name in the logs of a user who is a technician.
    session_key : str
        Random text; a sign-in counts only while it carries the present one.
    """

    id: int
    name: str
    role: Role
    technician: str | None
    password_hash: str
    session_key: str
    created_at: datetime
    changed_at: datetime


def name_key(name: str) -> str:
    """Return the text under which a user is found: no letter's case and no spacing counts."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def add_user(
    engine: Engine, name: str, password: str, role: Role, technician: str | None = None
) -> None:
    """Add a user.

    Parameters
    ----------
    technician : str, optional
        Name in the logs, needed for a technician and not allowed for others.

    Raises
    ------
    UsageError
        When there is such a user, or the name, the password or the technician cannot be used.
    """
    name = " ".join(name.split())
    if not name or len(name) > MOST_NAME_CHARACTERS or not name.isprintable():
        raise UsageError(
            f"A user's name has 1 to {MOST_NAME_CHARACTERS} characters that can be printed."
        )
    if (role == "technician") != (technician is not None):
        raise UsageError(
            "A technician needs the name that the logs give them (--technician NAME); trainers "
            "and leads have none."
        )
    require_free_name(engine, name)
    now = microseconds(datetime.now(UTC))
    row = {
        "name": name, "name_key": name_key(name), "role": role, "technician": technician,
        "password_hash": hash_password(password, name), "session_key": secrets.token_urlsafe(32),
        "created_at": now, "changed_at": now,
    }  # fmt: skip
    try:
        with writing(engine) as connection:
            connection.execute(insert(schema.users).values(**row))
    except StoreTrouble as problem:
        if isinstance(problem.__cause__, IntegrityError):  # added by another command meanwhile
            raise UsageError(_taken(name)) from None
        raise


def require_free_name(engine: Engine, name: str) -> None:
    """Check that no user has a name.

    Raises
    ------
    UsageError
        When one has.
    """
    if find_user(engine, name) is not None:
        raise UsageError(_taken(name))


def _taken(name: str) -> str:
    return f"There is a user {name} already; choose another name, or `arcdrift user reset` it."


def user_accounts(engine: Engine) -> list[UserAccount]:
    """Return every user, by name."""
    with reading(engine) as connection:
        rows = connection.execute(select(schema.users)).all()
    return [_account(row._mapping) for row in sorted(rows, key=lambda row: str(row.name_key))]


def has_users(engine: Engine) -> bool:
    """Whether anybody can sign in."""
    with reading(engine) as connection:
        return bool(connection.execute(select(func.count()).select_from(schema.users)).scalar_one())


def find_user(engine: Engine, name: str) -> UserAccount | None:
    """Return the user of a name, in upper or lower case; None without one."""
    query = select(schema.users).where(schema.users.c.name_key == name_key(name))
    with reading(engine) as connection:
        row = connection.execute(query).first()
    return None if row is None else _account(row._mapping)


def signed_in_user(engine: Engine, session_key: str, sign_in: str) -> UserAccount | None:
    """Return the user whose present session key is given, unless that sign-in was ended."""
    ended = exists().where(schema.ended_sign_ins.c.sign_in == sign_in)
    query = select(schema.users).where(schema.users.c.session_key == session_key, ~ended)
    with reading(engine) as connection:
        row = connection.execute(query).first()
    return None if row is None else _account(row._mapping)


def reset_password(engine: Engine, name: str, password: str) -> None:
    """Give a user a new password, which ends all sign-ins of that user.

    Raises
    ------
    UsageError
        When there is no such user, or the password cannot be used.
    """
    user = require_user(engine, name)
    change = {
        "password_hash": hash_password(password, user.name),
        "session_key": secrets.token_urlsafe(32),
        "changed_at": microseconds(datetime.now(UTC)),
    }
    with writing(engine) as connection:
        connection.execute(
            update(schema.users).where(schema.users.c.id == user.id).values(**change)
        )


def remove_user(engine: Engine, name: str) -> None:
    """Remove a user, which ends all their sign-ins; what they wrote stays, with their name.

    Raises
    ------
    UsageError
        When there is no such user.
    """
    user = require_user(engine, name)
    with writing(engine) as connection:
        connection.execute(delete(schema.users).where(schema.users.c.id == user.id))


def require_user(engine: Engine, name: str) -> UserAccount:
    """Return the user of a name.

    Raises
    ------
    UsageError
        When there is no such user.
    """
    user = find_user(engine, name)
    if user is None:
        listed = ", ".join(account.name for account in user_accounts(engine)) or "none"
        raise UsageError(f"There is no user {name!r}; there are: {listed}.")
    return user


def _account(row: Any) -> UserAccount:
    return UserAccount(
        id=row["id"],
        name=row["name"],
        role=cast("Role", row["role"]),
        technician=row["technician"],
        password_hash=row["password_hash"],
        session_key=row["session_key"],
        created_at=instant_at(row["created_at"]),
        changed_at=instant_at(row["changed_at"]),
    )
