"""Users: found whatever the case, no two of one name, and keys that end their sign-ins."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from arcdrift.errors import UsageError
from arcdrift.store import schema
from arcdrift.store.accounts import user_accounts
from arcdrift.store.accounts.ended_sign_ins import end_sign_ins
from arcdrift.store.accounts.passwords import hash_password, password_matches
from arcdrift.store.accounts.user_accounts import (
    add_user,
    find_user,
    has_users,
    remove_user,
    reset_password,
    signed_in_user,
)
from arcdrift.store.database.connect import reading
from tests.both_stores import both_stores

pytestmark = both_stores

PASSWORD = "kettle orbit plum 7"
NOW = datetime.now(UTC)


@pytest.fixture
def quick(monkeypatch):
    """Stores passwords as they are where the hash is not what is tested, which takes time."""
    monkeypatch.setattr(user_accounts, "hash_password", lambda password, name: password)


@pytest.mark.usefixtures("quick")
def test_a_user_is_found_in_any_case_and_no_second_has_the_name(engine):
    assert not has_users(engine)
    add_user(engine, " Ada  Alder ", PASSWORD, "technician", "Alder")
    assert has_users(engine)
    user = find_user(engine, "ada ALDER")
    assert (user.name, user.role, user.technician) == ("Ada Alder", "technician", "Alder")
    with pytest.raises(UsageError, match="There is a user ADA ALDER already"):
        add_user(engine, "ADA ALDER", PASSWORD, "lead")
    # full-width letters look alike and are the same name
    assert find_user(engine, "\uff21da Alder") == user


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(
    ("name", "role", "technician", "message"),
    [
        ("", "lead", None, "1 to 64 characters"),
        ("a" * 65, "lead", None, "1 to 64 characters"),
        ("a\x1b[2Jb", "lead", None, "that can be printed"),
        ("Ada", "technician", None, "needs the name that the logs give"),
        ("Ada", "lead", "Alder", "trainers and leads have none"),
    ],
)
def test_a_user_that_cannot_be_is_refused(engine, name, role, technician, message):
    with pytest.raises(UsageError, match=message):
        add_user(engine, name, PASSWORD, role, technician)
    assert not has_users(engine)


@pytest.mark.usefixtures("quick")
def test_a_reset_a_removal_and_a_sign_out_end_sign_ins(engine):
    add_user(engine, "Ada", PASSWORD, "lead")
    key = find_user(engine, "Ada").session_key
    assert signed_in_user(engine, key, "one").name == "Ada"
    end_sign_ins(engine, {"one": NOW + timedelta(hours=1)})
    assert signed_in_user(engine, key, "one") is None
    assert signed_in_user(engine, key, "another").name == "Ada"
    reset_password(engine, "ada", PASSWORD)
    assert signed_in_user(engine, key, "another") is None
    key = find_user(engine, "Ada").session_key
    remove_user(engine, "Ada")
    assert signed_in_user(engine, key, "another") is None
    add_user(engine, "Ada", PASSWORD, "lead")
    assert signed_in_user(engine, key, "another") is None


def test_ended_sign_ins_are_kept_until_they_have_expired(engine):
    end_sign_ins(engine, {"old": NOW - timedelta(hours=1), "young": NOW + timedelta(hours=1)})
    end_sign_ins(engine, {"young": NOW + timedelta(hours=1)})
    with reading(engine) as connection:
        assert connection.execute(select(schema.ended_sign_ins.c.sign_in)).scalars().all() == [
            "young"
        ]


def test_unknown_users_are_named_with_those_there_are(engine):
    with pytest.raises(UsageError, match=r"There is no user 'Bo'; there are: none\."):
        remove_user(engine, "Bo")


def test_a_password_is_stored_as_argon2id_with_a_salt_of_its_own():
    stored = hash_password(PASSWORD, "Ada")
    # RFC 9106, section 4, second recommended option: 3 passes, 4 lanes, 64 MiB
    assert stored.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert hash_password(PASSWORD, "Ada") != stored
    assert password_matches(PASSWORD, stored)
    assert not password_matches(PASSWORD + " ", stored)
    assert not password_matches(PASSWORD, None)
    assert not password_matches(PASSWORD, "not a hash")
    assert not password_matches("x" * 100_000, stored)
    # one letter, as one character or as a letter with an accent after it
    assert password_matches("cafe\u0301 orbit plum", hash_password("caf\u00e9 orbit plum", "Ada"))


@pytest.mark.parametrize(
    ("password", "message"),
    [
        ("short", "too short"),
        ("x" * 300, "longer than 256"),
        ("aaaaaaaaaaaaaaa", "too easy"),
        ("my name is ADA!", "too easy"),
    ],
)
def test_weak_passwords_are_refused(password, message):
    with pytest.raises(UsageError, match=message):
        hash_password(password, "Ada")
