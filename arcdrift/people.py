"""Decides whose figures a viewer may see, for screens, prints and exports.

Without sign-in everybody at the machine counts as the lead. A technician who has signed in sees
figures about nobody else, and no other name beside a record. crew.toml can keep people off
screens, prints and exports (``[prep] person_pages = false``: no figure about one person, no name
beside a record), and show pseudonyms instead of names (``pseudonyms = true``). A pseudonym does not
hide a person from somebody who knows where that person worked.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

from arcdrift.settings import Crew

if TYPE_CHECKING:
    import pandas as pd

Role = Literal["technician", "trainer", "lead"]
ROLES: tuple[Role, ...] = get_args(Role)
"""From the least to the highest: each may do what those before it may."""
PURPOSE = (
    "These figures are for coaching, not for pay, praise or blame. Each compares with the median "
    "colleague, is drawn toward the crew's average and comes with a 95 % interval and the splices "
    "it rests on; one whose interval spans 0 % says nothing about the person. People are listed by "
    "name, never by rank."
)
UNNAMED = "the work of one person"
CASE_SENTENCES = ("title", "cause_text", "next_step")
"""Sentences of a case that may name somebody; who said something about it is no figure."""
SOMEBODY = "one person"
"""Stands in a sentence for the name of somebody who may not be seen."""
OTHERS = "Figures about one person are shown to that person, to trainers and to leads."
HIDDEN = "This crew keeps figures about single people off screens (person_pages in crew.toml)."


@dataclass(frozen=True)
class Viewer:
    """Somebody who looks at figures: a role and, for a technician, the name."""

    role: Role = "lead"
    technician: str | None = None

    def has_role(self, least: Role) -> bool:
        """Whether this viewer has a role or a higher one."""
        return ROLES.index(self.role) >= ROLES.index(least)


LOCAL = Viewer()


class People:
    """Hides or renames the people of a crew for one viewer."""

    def __init__(self, crew: Crew, viewer: Viewer = LOCAL) -> None:
        self._settings = crew.prep
        self._key = crew.name.encode()[:64]
        self._viewer = viewer

    def may_see(self, technician: str) -> bool:
        """Whether figures about one person may be shown."""
        if not self._settings.person_pages:
            return False
        return self._viewer.role != "technician" or self._viewer.technician == technician

    @property
    def sees_everybody(self) -> bool:
        """Whether figures about every single person are shown to this viewer."""
        return self._settings.person_pages and self._viewer.role != "technician"

    @property
    def any_pages(self) -> bool:
        """Whether any page about a single person is shown."""
        return self._settings.person_pages

    def shown(self, technician: str) -> str:
        """Name to show: the true one, or a pseudonym that is always the same for a person."""
        if not self._settings.pseudonyms:
            return technician
        mark = hashlib.blake2b(technician.encode(), key=self._key, digest_size=5).digest()
        return f"Technician {base64.b32encode(mark).decode()[:5]}"

    def named(self, shown: str, technicians: Iterable[str]) -> str | None:
        """The technician with a shown name, None when there is none or they may not be seen."""
        return next(
            (name for name in technicians if self.shown(name) == shown and self.may_see(name)),
            None,
        )

    def figures(self, rows: pd.DataFrame, column: str = "technician") -> pd.DataFrame:
        """Rows of figures about people: only of those who may be seen, by shown name."""
        if column not in rows.columns or rows.empty:
            return rows
        names = rows[column].astype(object)
        visible = names.notna() & names.map(lambda name: self.may_see(str(name)))
        return self.renamed(rows[visible.astype(bool)].reset_index(drop=True), column)

    def renamed(self, rows: pd.DataFrame, column: str = "technician") -> pd.DataFrame:
        """Rows of records, which every viewer may see; the names change, or are left out."""
        if column not in rows.columns or rows.empty:
            return rows
        if self.sees_everybody and not self._settings.pseudonyms:
            return rows
        names = rows[column].dropna().unique()
        known = {name: self.shown(str(name)) for name in names if self.may_see(str(name))}
        if not known:
            return rows.assign(**{column: None}).astype({column: "str"})
        return rows.assign(**{column: rows[column].astype(object).map(known)})

    def sentences(self, texts: pd.Series, technicians: Iterable[str]) -> pd.Series:
        """What people wrote, with `SOMEBODY` in place of names that may not be shown."""
        hidden = [name for name in technicians if not self.may_see(name)]
        written = texts.notna()
        if not hidden or not written.any():
            return texts
        pattern = _names_pattern(hidden)
        return texts.mask(
            written, texts.astype("string").str.replace(pattern, SOMEBODY, regex=True)
        )

    def subjects(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Rows about subjects of several types: people only where they may be seen, as shown."""
        about = rows["subject_type"] == "technician"
        if not about.any():
            return rows
        names = rows.loc[about, "subject_id"].astype(str)
        shown = names.map({name: self.shown(name) for name in names.unique()})
        renamed = rows.assign(subject_id=rows["subject_id"].astype(object).mask(about, shown))
        visible = names.map({name: self.may_see(name) for name in names.unique()})
        return renamed[~about | visible.reindex(rows.index, fill_value=True).astype(bool)]

    def written(self, document: dict[str, Any], technicians: Iterable[str]) -> dict[str, Any]:
        """A record with what people said, with `SOMEBODY` for names that may not be shown."""
        hidden = [name for name in technicians if not self.may_see(name)]
        if not hidden or not self.any_pages:
            return document
        replaced: dict[str, Any] = _replaced(document, _names_pattern(hidden), lambda _: SOMEBODY)
        return replaced

    def finding(
        self, document: dict[str, Any], technicians: Iterable[str]
    ) -> dict[str, Any] | None:
        """A finding as it may be shown; None where it is about somebody who may not be seen."""
        subject = document["subject"]
        about = subject["type"] == "technician"
        if about and not self.may_see(str(subject["id"])):
            return None
        known = {*technicians, *([str(subject["id"])] if about else [])}
        why = OTHERS if self.any_pages else HIDDEN
        document = _without(document, [name for name in known if not self.may_see(name)], why)
        if not self._settings.pseudonyms or not known:
            return document
        pattern = _names_pattern(known)
        changed = dict(document)
        for key in ("summary", "next_step", "likely_causes", "evidence"):
            changed[key] = _replaced(document[key], pattern, self.shown)
        if about:
            changed["subject"] = subject | {"id": self.shown(str(subject["id"]))}
        return changed

    def case(self, document: dict[str, Any], technicians: Iterable[str]) -> dict[str, Any] | None:
        """A case as it may be shown; None where it is about somebody who may not be seen."""
        subject = document["subject"]
        about = subject["type"] == "technician"
        if about and not self.may_see(str(subject["id"])):
            return None
        known = {*technicians, *([str(subject["id"])] if about else [])}
        hidden = [name for name in known if not self.may_see(name)]
        if hidden and self.any_pages:
            document = self.written(document, hidden)
        elif hidden:
            pattern = _names_pattern(hidden)
            document = document | {
                key: pattern.sub(SOMEBODY, str(document[key])) for key in CASE_SENTENCES
            }
        if not self._settings.pseudonyms or not known:
            return document
        pattern = _names_pattern(known)
        changed = document | {
            key: _replaced(document[key], pattern, self.shown) for key in CASE_SENTENCES
        }
        if about:
            changed["subject"] = subject | {"id": self.shown(str(subject["id"]))}
        return changed

    def text(self, text: str, technicians: Iterable[str]) -> str:
        """A text that somebody wrote, with no name of a person who may not be seen."""
        known = set(technicians)
        hidden = [name for name in known if not self.may_see(name)]
        if hidden:
            text = _names_pattern(hidden).sub(SOMEBODY, text)
        return str(_replaced(text, _names_pattern(known), self.shown)) if known else text


def _names_pattern(names: Iterable[str]) -> re.Pattern[str]:
    """Pattern that finds any of some names as whole words, the longest first."""
    longest = sorted(names, key=len, reverse=True)
    return re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, longest))})(?!\w)")


def _without(document: dict[str, Any], hidden: list[str], why: str) -> dict[str, Any]:
    """A finding without the names of people who may not be seen, nor causes and evidence of them.

    The names in its sentences become `SOMEBODY`; `why` says why a cause is not told.
    """
    if not hidden:
        return document
    pattern = _names_pattern(hidden)
    sentences = {key: pattern.sub(SOMEBODY, str(document[key])) for key in ("summary", "next_step")}
    causes = [
        {"cause": UNNAMED, "why": why, "weight": cause["weight"]}
        if pattern.search(f"{cause['cause']} {cause['why']}")
        else cause
        for cause in document["likely_causes"]
    ]
    evidence = {
        key: [line for line in value if not pattern.search(str(line))]
        if isinstance(value, list)
        else value
        for key, value in document["evidence"].items()
        if isinstance(value, list) or not pattern.search(f"{key} {value}")
    }
    return document | sentences | {"likely_causes": causes, "evidence": evidence}


def _replaced(value: Any, pattern: re.Pattern[str], shown: Callable[[str], str]) -> Any:
    """A JSON value with every name in its texts replaced by the one to show."""
    if isinstance(value, str):
        return pattern.sub(lambda match: shown(match.group()), value)
    if isinstance(value, dict):
        return {
            _replaced(key, pattern, shown): _replaced(item, pattern, shown)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple):
        return [_replaced(item, pattern, shown) for item in value]
    return value
