"""Changes crew.toml and leaves everything else in it as it was, comments too."""

import os
import tempfile
from pathlib import Path

import tomlkit
from pydantic import ValidationError
from tomlkit.exceptions import TOMLKitError

from arcdrift.errors import BadInput
from arcdrift.settings import CREW_FILE, Crew, Shares, first_sentence, load_crew


def save_budget(folder: Path, false_alarms_per_month: float, shares: Shares | None = None) -> Crew:
    """Write the false-alarm budget, and how it is shared out, into a crew's crew.toml.

    Parameters
    ----------
    shares : Shares, optional
        Left as they are when not given.

    Returns
    -------
    Crew
        The settings as they now stand.

    Raises
    ------
    BadInput
        When a value is refused, or the file cannot be read or written; it is then unchanged.
    """
    crew = load_crew(folder)
    path = folder / CREW_FILE
    changed = crew.model_dump(by_alias=True) | {"false_alarms_per_month": false_alarms_per_month}
    if shares is not None:
        changed["shares"] = shares.model_dump()
    try:
        Crew.model_validate(changed)
    except ValidationError as problem:
        raise BadInput(f"This was not saved: {first_sentence(problem)}") from None
    try:
        text = path.read_bytes().decode("utf-8")
        document = tomlkit.parse(text)
        document["false_alarms_per_month"] = _plain(false_alarms_per_month)
        if shares is not None and shares != crew.shares:
            table = document.setdefault("shares", tomlkit.table())
            for name, share in shares.model_dump().items():
                table[name] = round(share, 6)
        new = tomlkit.dumps(document)
    except (OSError, UnicodeDecodeError, TOMLKitError) as problem:
        raise BadInput(f"{path} cannot be changed: {problem}.") from None
    _replace(path, new)
    return load_crew(folder)


def _plain(value: float) -> int | float:
    return int(value) if float(value).is_integer() else float(value)


def _replace(path: Path, text: str) -> None:
    """Put a new text in a file's place at once: a reader sees the old one or the new one."""
    path = path.resolve()
    made = None
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        made = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        made.chmod(path.stat().st_mode & 0o777)
        made.replace(path)
    except OSError as problem:
        if made is not None:
            made.unlink(missing_ok=True)
        raise BadInput(f"{path} cannot be written: {problem}.") from None
