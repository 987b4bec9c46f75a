"""Passwords of users: what is asked of one, and its Argon2id hash (RFC 9106)."""

import unicodedata
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from arcdrift.errors import UsageError

FEWEST_CHARACTERS = 12
MOST_CHARACTERS = 256
"""A longer text is refused unread, since each try costs the server time."""


@cache
def _hasher() -> PasswordHasher:
    return PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)


def _normalized(password: str) -> str:
    """Return the one form of a text that keyboards may compose in several ways (NFC)."""
    return unicodedata.normalize("NFC", password)


def hash_password(password: str, name: str) -> str:
    """Return the Argon2id hash of a user's new password, with its parameters and salt.

    Raises
    ------
    UsageError
        When it is too short or too long, has fewer than five different characters, or contains
        the user's name.
    """
    password = _normalized(password)
    if len(password) < FEWEST_CHARACTERS:
        raise UsageError(
            f"The password is too short: use {FEWEST_CHARACTERS} characters or more, for example "
            "four words that do not belong together."
        )
    if len(password) > MOST_CHARACTERS:
        raise UsageError(f"The password is longer than {MOST_CHARACTERS} characters.")
    if len(set(password)) < 5 or name.casefold() in password.casefold():
        raise UsageError(
            "The password is too easy to guess: leave out the user's name, and use more than a "
            "few different characters."
        )
    return _hasher().hash(password)


def password_matches(password: str, password_hash: str | None) -> bool:
    """Whether a password belongs to a hash.

    Without a hash the answer is no, after the same work: the time tells nobody which users exist.
    """
    if len(password) > MOST_CHARACTERS:
        return False
    try:
        matches = _hasher().verify(password_hash or _unused_hash(), _normalized(password))
    except (VerificationError, InvalidHashError):
        return False
    return matches and password_hash is not None


@cache
def _unused_hash() -> str:
    return _hasher().hash("belongs to nobody")
