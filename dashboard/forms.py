"""Fields of forms, and reading typed days."""

from collections.abc import Mapping
from datetime import date
from typing import Any

import dash_mantine_components as dmc

from arcdrift.errors import UsageError
from dashboard import ids
from dashboard.access.current_user import current_user

EVERY_FORM = "all"
"""Name of no form: its field belongs to all of a page."""


def words_field(name: Mapping[str, str | int], label: str) -> dmc.TextInput:
    """Return a field for a line of text."""
    return dmc.TextInput(id=name, label=label, value="", size="sm", className="filter")


def name_field(name: dict[str, str]) -> dmc.TextInput | None:
    """Return the field for the name of who writes, which the browser remembers.

    None for somebody who has signed in.
    """
    if current_user() is not None:
        return None
    return dmc.TextInput(
        id=name,
        label="Your name",
        value="",
        persistence=True,
        persistence_type="local",
        autoComplete="name",
        size="sm",
        className="filter",
    )


def remembered_name_field() -> dmc.TextInput | None:
    """Return the field for the name of who writes in any form of cases or of a splicer.

    The browser remembers it for all of these; None for somebody who has signed in.
    """
    if current_user() is not None:
        return None
    return dmc.TextInput(
        id=ids.written_field(EVERY_FORM, "by"),
        label="Your name",
        value="",
        persistence=True,
        persistence_type="local",
        autoComplete="name",
        size="md",
        className="filter written-name",
    )


def typed_name(text: Any) -> str:
    """Return the name of who writes: of the sign-in, or as typed where nobody signs in."""
    user = current_user()
    return str(text or "").strip() if user is None else user.name


def day_field(name: dict[str, str], label: str, value: str | None = None) -> dmc.DateInput:
    """Return a field for a day, typed or picked."""
    return dmc.DateInput(
        id=name, label=label, value=value, valueFormat="YYYY-MM-DD", placeholder="2026-05-04",
        clearable=True, clearButtonProps={"aria-label": f"Clear {label}"}, size="sm",
        className="filter",
    )  # fmt: skip


def typed_day(text: Any, which: str) -> date | None:
    """Parse a typed day; None for an empty field.

    Raises
    ------
    UsageError
        When it is not a date.
    """
    if not text:
        return None
    try:
        return date.fromisoformat(str(text).strip())
    except ValueError:
        raise UsageError(f"{which} is not a date; write it like 2026-05-04.") from None
