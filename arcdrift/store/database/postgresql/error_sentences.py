"""Sentences about what a PostgreSQL server or its driver says.

The code of an error (SQLSTATE, appendix "PostgreSQL Error Codes" of the server's manual) tells
most; a connection that is refused has none, and libpq's words are looked at.
"""

from typing import NamedTuple


class _Rule(NamedTuple):
    """What to say for some codes (or their first two characters), or words in the message."""

    codes: tuple[str, ...]
    words: tuple[str, ...]
    sentence: str

    def applies(self, code: str, words: str) -> bool:
        """Whether an error with this code, or without one and in these words, is meant."""
        if code:
            return code.startswith(self.codes)
        return any(part in words for part in self.words)


_RULES = (
    _Rule(
        ("28P01",),
        ("password authentication failed", "no password supplied", "empty password"),
        "The server refuses the password for the store {place}; put the right one into ~/.pgpass "
        "or the environment variable PGPASSWORD.",
    ),
    _Rule(
        (),
        ("no pg_hba.conf entry", "pg_hba.conf rejects"),
        "The server does not let this user or computer in to the store {place}; who runs it must "
        "allow it in pg_hba.conf.",
    ),
    _Rule(
        ("28",),
        ('role "',),
        "The server knows no such user for the store {place}; correct the name in the address, or "
        "have the user made.",
    ),
    _Rule(
        ("3D000",),
        ('database "',),
        "There is no such database for the store {place}; correct its name in the address, or have "
        "it made with `createdb`.",
    ),
    _Rule(
        ("57P03",),
        ("is starting up", "is shutting down", "not yet accepting connections", "recovery mode"),
        "The server of the store {place} is just starting or stopping; try again in a minute.",
    ),
    _Rule(
        ("53300",),
        ("too many clients", "too many connections", "remaining connection slots"),
        "The server of the store {place} has no connection left; try again in a minute, or have "
        "max_connections raised.",
    ),
    _Rule(
        (),
        (
            "connection refused",
            "failed to resolve host",
            "could not translate host name",
            "connection timeout expired",
            "timeout expired",
            "no such file or directory",
            "network is unreachable",
            "no route to host",
        ),
        "The server of the store {place} does not answer; see that PostgreSQL runs there and that "
        "the network reaches it, then try again.",
    ),
    _Rule(
        ("42501",),
        ("permission denied",),
        "This user lacks a right in the store {place} ({message}); let the owner of the database "
        "grant it: to make a store, CREATE on the database.",
    ),
    _Rule(
        ("53100",),
        ("no space left on device",),
        "The disk of the server of the store {place} is full; make room there and try again.",
    ),
    _Rule(
        ("25006",),
        (),
        "The server of the store {place} takes no changes, as a standby does; use the address of "
        "the server that does.",
    ),
    _Rule(
        ("40P01", "40001", "55P03", "57014"),
        (),
        "The store {place} is busy with other work; try again in a minute.",
    ),
    _Rule(
        ("57P01", "57P02", "57P05", "08"),
        (
            "server closed the connection",
            "the connection is lost",
            "the connection is closed",
            "connection not open",
            "no connection to the server",
            "connection has been closed",
            "terminating connection",
            "connection reset",
            "broken pipe",
            "consuming input failed",
            "sending query failed",
            "could not receive data",
            "could not send data",
        ),
        "The connection to the store {place} was lost, perhaps because its server was restarted; "
        "what was not finished is not kept. Try again in a minute.",
    ),
    _Rule(
        (),
        ("queuepool limit",),
        "The store {place} is busy with other work; try again in a minute.",
    ),
)


def error_sentence(problem: BaseException, place: str) -> str:
    """What to tell a person about an error of the server or its driver."""
    code = str(getattr(problem, "sqlstate", None) or "")
    message = " ".join(str(problem).split()).rstrip(".")
    words = message.lower()
    for rule in _RULES:
        if rule.applies(code, words):
            return rule.sentence.format(place=place, message=message)
    return f"The store {place} cannot be used: {message}."
