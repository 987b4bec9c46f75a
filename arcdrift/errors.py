"""Errors with a message for the user, each with the exit code of the command line.

The message is always one or two plain sentences: what is wrong, where, and what to do next.
"""


class ArcdriftError(Exception):
    """Base of every error arcdrift raises on purpose."""

    exit_code = 1


class UsageError(ArcdriftError):
    """The command was asked for something it cannot do."""

    exit_code = 2


class StaleChange(UsageError):
    """Somebody else changed something since the person looked at it."""


class BadInput(ArcdriftError):
    """A file, a setting or a value from outside cannot be used."""

    exit_code = 3


class StoreTrouble(ArcdriftError):
    """The store cannot be opened, read or written."""

    exit_code = 4


class StoreDamaged(StoreTrouble):
    """The file of the store is damaged; what it says must not be believed or changed."""
