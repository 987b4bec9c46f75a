"""A report: its parts gathered from the data of a viewer, and written as one HTML file."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from arcdrift.figures.svg.figure_svg import picture_svg
from arcdrift.people import Role
from arcdrift.wording import isolated_text
from dashboard.components import View
from dashboard.reports.imprint import imprint

TEMPLATES = Path(__file__).parent / "templates"
NOT_IN_FILE_NAMES = re.compile(r"[^A-Za-z0-9]+")
PAPERS = ("A4", "letter")


@dataclass(frozen=True)
class Asked:
    """What a report is asked for.

    Attributes
    ----------
    view : View
        The data of whoever asks, and the query of the address: which week, whom, which splicer.
    address : str
        Where the dashboard is reached, for codes that lead back to it; empty if not known.
    paper : str
        One of `PAPERS`; empty where the printer decides.
    """

    view: View
    address: str = ""
    paper: str = ""


@dataclass(frozen=True)
class Contents:
    """What a report tells.

    Attributes
    ----------
    title, line : str
        Its heading and the line below.
    file_name : str
        What it is about, for the name of the file; any text.
    parts : mapping
        What its template uses.
    of_now : bool
        Whether it tells of this moment rather than of the last analysis.
    """

    title: str
    line: str
    file_name: str
    parts: Mapping[str, Any]
    of_now: bool = False


@dataclass(frozen=True)
class ReportKind:
    """A kind of report.

    Attributes
    ----------
    template : str
        Its file in ``templates``.
    least_role : str
        Who may have it; what is in it depends on the viewer as on the pages.
    gather : callable
        Returns its contents.
    about : str
        What its name on the command line is: a ``splicer``, a ``person``, a ``week``, a
        ``month``, or nothing.
    """

    template: str
    least_role: Role
    gather: Callable[[Asked], Contents]
    about: Literal["", "splicer", "person", "week", "month"] = ""


@dataclass(frozen=True)
class Report:
    """A report as a file: its name without an ending, and its text."""

    file_name: str
    html: str


def make_report(kind_name: str, kind: ReportKind, asked: Asked) -> Report:
    """Gather and write a report.

    The same store, clock and question give the same bytes.

    Raises
    ------
    UsageError
        Where the role does not suffice, or what is asked for does not exist.
    """
    view = asked.view
    view.data.require_role(kind.least_role, f"have the {kind_name} report")
    contents = kind.gather(asked)
    html = _environment().get_template(kind.template).render(
        contents.parts,
        title=contents.title,
        line=contents.line,
        crew=view.data.crew,
        imprint=imprint(view, present=contents.of_now),
        paper=asked.paper,
    )  # fmt: skip
    name = NOT_IN_FILE_NAMES.sub("-", contents.file_name).strip("-").lower()[:60].strip("-")
    return Report("-".join(part for part in ("arcdrift", kind_name, name) if part), html)


def _isolated(value: Any) -> Any:
    """Set names written from right to left apart in a sentence of a report."""
    return isolated_text(value) if type(value) is str else value


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        finalize=_isolated,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["svg"] = picture_svg
    return environment
