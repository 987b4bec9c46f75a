"""The key that signs cookies: kept in a file that only the server's user can read."""

import os
import secrets
import tempfile
from pathlib import Path

from arcdrift.errors import StoreTrouble

KEY_FILE = "arcdrift.key"
_BYTES = 32


def secret_key(folder: Path) -> bytes:
    """Return the key of a crew folder, made where there is none yet.

    Where the folder cannot be written, the key is a new one each time: a restart of the server
    then signs everybody out.

    Raises
    ------
    StoreTrouble
        When the file holds no key, or other users of this computer could have changed it.
    """
    path = folder / KEY_FILE
    if not path.exists():
        try:
            _write_new(path)
        except FileExistsError:
            pass  # another server of this crew made it meanwhile
        except OSError:
            return secrets.token_bytes(_BYTES)
    return _stored(path)


def _write_new(path: Path) -> None:
    """Write the file whole before it has its name; readable for this user only from the start."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".arcdrift-key-")
    try:
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_hex(_BYTES) + "\n")
        os.link(name, path)
    finally:
        os.unlink(name)


def _stored(path: Path) -> bytes:
    try:
        status = path.stat()
        if os.name == "posix" and status.st_mode & 0o077:
            raise StoreTrouble(
                f"{path} signs the cookies of this dashboard and other users of this computer can "
                "read or change it; remove it, and the next start makes a new one (everybody signs "
                "in again)."
            )
        key = bytes.fromhex(path.read_text(encoding="ascii").strip())
    except (OSError, ValueError) as problem:
        raise StoreTrouble(f"{path} cannot be read or holds no key; remove it.") from problem
    if len(key) < _BYTES:
        raise StoreTrouble(f"{path} holds no whole key; remove it, and the next start makes one.")
    return key
