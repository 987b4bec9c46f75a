"""Changes single settings in crew.toml; everything else in it stays, comments too."""

import codecs
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import ValidationError
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable

from arcdrift.crew_setup import DEFAULT_UNIT, CrewSetup
from arcdrift.errors import BadInput
from arcdrift.settings import CREW_FILE, Crew, first_sentence, load_crew
from arcdrift.shares import FORMER_NAMES, Shares


def save_budget(folder: Path, false_alarms_per_month: float, shares: Shares | None = None) -> Crew:
    """Write the false-alarm budget and its shares to crew.toml.

    Parameters
    ----------
    shares : Shares, optional
        None leaves the shares as they are.

    Returns
    -------
    Crew
        The changed settings.

    Raises
    ------
    BadInput
        When a value is refused, or the file cannot be read or written; it is then unchanged.
    """
    crew = load_crew(folder)
    changed = crew.model_dump(by_alias=True) | {"false_alarms_per_month": false_alarms_per_month}
    if shares is not None:
        changed["shares"] = shares.model_dump()
    _require_valid(changed)

    def write(document: tomlkit.TOMLDocument) -> None:
        document["false_alarms_per_month"] = _whole_if_possible(false_alarms_per_month)
        if shares is not None and (shares != crew.shares or crew.notices):
            table = document.setdefault("shares", tomlkit.table())
            for former in FORMER_NAMES:
                table.pop(former, None)
            for name, share in shares.model_dump().items():
                table[name] = round(share, 6)

    _change(folder / CREW_FILE, write)
    return load_crew(folder)


def save_setup(folder: Path, setup: CrewSetup) -> Crew:
    """Write what a new crew says about itself to crew.toml.

    Sites and splicers that it does not name are taken out; other settings of the others stay.

    Returns
    -------
    Crew
        The changed settings.

    Raises
    ------
    BadInput
        When a value is refused, or the file cannot be read or written; it is then unchanged.
    """
    crew = load_crew(folder)
    sites = {name: {"elevation_m": height} for name, height in setup.sites.items()}
    splicers = {
        name: {"home_site": each.home_site, "setting_unit": each.setting_unit}
        for name, each in setup.splicers.items()
    }
    changed = crew.model_dump(by_alias=True) | {
        "name": setup.name, "time_zone": setup.time_zone, "sites": sites, "splicers": splicers,
    }  # fmt: skip
    _require_valid(changed)

    def write(document: tomlkit.TOMLDocument) -> None:
        if document.get("name") != setup.name:
            document["name"] = setup.name
        if setup.time_zone is None:
            document.pop("time_zone", None)
        elif "time_zone" not in document:
            _insert_after(document, "name", "time_zone", setup.time_zone)
        elif document["time_zone"] != setup.time_zone:
            document["time_zone"] = setup.time_zone
        _write_tables(document, "sites", sites)
        _write_tables(document, "splicers", splicers)

    _change(folder / CREW_FILE, write)
    return load_crew(folder)


def _require_valid(changed: dict[str, Any]) -> None:
    """Check changed settings before anything is written."""
    try:
        Crew.model_validate(changed)
    except ValidationError as problem:
        raise BadInput(f"This was not saved: {first_sentence(problem)}") from None


def _write_tables(
    document: tomlkit.TOMLDocument, kind: str, wanted: dict[str, dict[str, Any]]
) -> None:
    """Write some keys of the tables of a kind, by name; those of other names are taken out."""
    if kind not in document:
        if not wanted:
            return
        document[kind] = tomlkit.table(is_super_table=True)
    tables: Any = document[kind]
    for name in [name for name in tables if name not in wanted]:
        del tables[name]
    for name, values in wanted.items():
        if name not in tables:
            inline = isinstance(tables, InlineTable)
            tables[name] = tomlkit.inline_table() if inline else tomlkit.table()
        for key, value in values.items():
            new = _whole_if_possible(value) if isinstance(value, float) else value
            if new is None or (new == DEFAULT_UNIT and key == "setting_unit"):
                tables[name].pop(key, None)
            elif tables[name].get(key) != new:
                tables[name][key] = new


def save_store(folder: Path, store: str | None) -> None:
    """Write to crew.toml where the store is; None for the file in the crew folder.

    Raises
    ------
    BadInput
        When the file cannot be read or written; it is then unchanged.
    """

    def write(document: tomlkit.TOMLDocument) -> None:
        if store is not None and "store" in document:
            document["store"] = store
        elif store is not None:
            # behind the name: at the end it would belong to the last table
            _insert_after(document, "name", "store", store)
        else:
            document.pop("store", None)

    _change(folder / CREW_FILE, write)


def _insert_after(document: tomlkit.TOMLDocument, before: str, key: str, value: str) -> None:
    """Insert a key behind another one that is there."""
    document._insert_after(before, key, value)


def _change(path: Path, write: Callable[[tomlkit.TOMLDocument], None]) -> None:
    """Change single settings in a file."""
    try:
        content = path.read_bytes()
        mark = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
        document = tomlkit.parse(content.decode("utf-8-sig"))
        write(document)
        new = tomlkit.dumps(document)
    except (OSError, UnicodeDecodeError, TOMLKitError) as problem:
        raise BadInput(f"{path} cannot be changed: {problem}.") from None
    _replace(path, mark + new.encode("utf-8"))


def _whole_if_possible(value: float) -> int | float:
    return int(value) if float(value).is_integer() else float(value)


def _replace(path: Path, content: bytes) -> None:
    """Replace a file in one step, so that a reader sees either the old or the new content."""
    path = path.resolve()
    temporary = None
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        temporary = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(path.stat().st_mode & 0o777)
        temporary.replace(path)
    except OSError as problem:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        raise BadInput(f"{path} cannot be written: {problem}.") from None
