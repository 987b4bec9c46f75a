"""Passwords and secrets, from the environment or from a file that only its owner may read."""

import os
import stat
from collections.abc import Mapping

from arcdrift.errors import BadInput

_MOST_BYTES = 4096


def secret_value(variable: str, environment: Mapping[str, str]) -> str | None:
    """Return the secret in a variable, or in the file named by the variable with ``_FILE``.

    Parameters
    ----------
    variable : str
        Such as ``ARCDRIFT_SMTP_PASSWORD``.

    Returns
    -------
    str or None
        None when neither is set. The last line break of a file is not part of it.

    Raises
    ------
    BadInput
        When both are set, the file cannot be read or may be read by others, or the secret is
        empty or has a line break in it. No sentence repeats it.
    """
    file_variable = f"{variable}_FILE"
    direct, path = environment.get(variable), environment.get(file_variable)
    if direct and path:
        raise BadInput(f"{variable} and {file_variable} are both set; unset one of them.")
    if not direct and not path:
        return None
    secret = direct or _file_content(path or "", file_variable)
    if not secret or not secret.isprintable():
        where = variable if direct else f"The file that {file_variable} names"
        raise BadInput(f"{where} is empty, or has more than one line; put the secret alone there.")
    return secret


def _file_content(path: str, variable: str) -> str:
    try:
        # a pipe without a writer must not be waited for
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    except OSError as problem:
        reason = (problem.strerror or "it cannot be opened").lower()
        raise BadInput(
            f"The file {path}, which {variable} names, cannot be read: {reason}."
        ) from None
    try:
        # of the opened file, which nobody can exchange between a look and the reading
        _require_private(os.fstat(handle), path, variable)
        content = os.read(handle, _MOST_BYTES + 1)
    finally:
        os.close(handle)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        text = ""
    if not text or len(content) > _MOST_BYTES:
        raise BadInput(f"The file {path}, which {variable} names, does not hold a secret.")
    return text.removesuffix("\n").removesuffix("\r")


def _require_private(about: os.stat_result, path: str, variable: str) -> None:
    if not stat.S_ISREG(about.st_mode):
        raise BadInput(f"{path}, which {variable} names, is not a file.")
    if os.name != "posix":
        return
    if about.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise BadInput(
            f"The file {path}, which {variable} names, may be opened by other users; run "
            f"`chmod 600 {path}` and try again."
        )
    if about.st_uid not in (os.geteuid(), 0):
        raise BadInput(
            f"The file {path}, which {variable} names, belongs to another user; make one of your "
            "own."
        )
