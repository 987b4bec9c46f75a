"""Words that logs use for our columns, units and outcomes, read from the files in `words`.

A crew adds words of its own in files of the same form in the folder `words` of its crew folder.
"""

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from arcdrift.errors import BadInput
from arcdrift.intake.draft.headers.header_words import Key, key_of, plain, plain_unit
from arcdrift.intake.schema.kinds import ACTIONS, KINDS
from arcdrift.intake.schema.units import check_unit
from arcdrift.intake.typing.time_words import MONTHS
from arcdrift.quantities import QUANTITIES
from arcdrift.toml_files import toml_text

WORDS = "words"
"""Folder of word lists, in this package and in a crew folder."""
SURE, QUALIFIED, IF_NO_OTHER = 3, 2, 1
"""How well a header fits a column: by a word of its own, with qualifiers, or by a vague word."""
OWN = "arcdrift"
"""Stands for the language of our own column names."""

_OUTCOMES: dict[str, dict[str, tuple[str, ...]]] = {
    "arc-checks": {"pass": ("good",), "fail": ("bad",), "aborted": ("aborted",)},
    "splices": {
        "done": ("good", "done"),
        "redo": ("bad", "redo"),
        "error": ("error", "aborted"),
    },
}
_CREWS = 8
"""Crews whose words are kept in memory."""
_LETTERS = {"good": "pass_letters", "bad": "fail_letters"}
_SECTIONS: dict[str, tuple[str, ...]] = {
    "columns": (),
    "columns_if_no_other": (),
    "qualifiers": (),
    "angles": ("left", "right", "angle", "both"),
    "fibers": ("fiber",),
    "time": ("date", "clock", "moment", *KINDS),
    "zone": ("zone", "local"),
    "outcomes": (
        *("good", "bad", "aborted", "done", "redo", "error"),
        *("pass_letters", "fail_letters"),
    ),
    "yes_or_no": ("good", "bad", "yes", "no"),
    "purposes": ("production", "practice"),
    "holdings": ("clamp", "holder"),
    "pressure_references": ("station", "sea-level", "qnh"),
    "pressure_columns": ("station", "sea-level", "qnh"),
    "actions": ACTIONS,
    "months": MONTHS,
    "no_value": ("words",),
    "summary": ("words",),
    "units": (),
}
"""Tables of a word list, and their keys; without keys here, columns or units are the keys."""
_IN_BRACKETS = re.compile(r"^(.*?)\s*[(\[{]\s*([^()\[\]{}]+?)\s*[)\]}]\s*$")
_AT_THE_END = re.compile(r"^(.*?\S)(?:\s*[/,]\s*|\s+in\s+|[\s_]+)(\S+(?:\s?\S{1,2})?)$")

Languages = dict[Key, set[str]]


@dataclass
class WordLists:
    """All words, by concept.

    Attributes
    ----------
    sure, if_no_other : dict of str to dict
        For each column the words that name it, each with its languages: words of its own, and
        words that are taken only if the header has no surer one.
    qualifiers : dict of str to set
        Words that change nothing beside a column's word, by column and for ``any``.
    times : dict of str to dict
        Words for a ``date``, a ``clock`` time, a ``moment``, and the time of each kind.
    both_angles : dict
        Words for a column that holds both cleave angles.
    pressure_columns : dict
        Words that name the pressure and what it refers to, with that reference.
    meanings : dict
        For each column with allowed words the words for each of them.
    yes_or_no : dict
        Headers whose cells say yes or no, with what a yes means: ``good`` or ``bad``.
    yes, no, no_value, summary, zone, local_time : set
        Other words; those for no value are in small letters.
    months : dict of str to list
        For each language the names of each month, with a blank between them.
    units : dict
        Unit in pint's spelling by word.
    """

    sure: dict[str, Languages] = field(default_factory=dict)
    if_no_other: dict[str, Languages] = field(default_factory=dict)
    qualifiers: dict[str, set[str]] = field(default_factory=dict)
    times: dict[str, Languages] = field(default_factory=dict)
    both_angles: Languages = field(default_factory=dict)
    pressure_columns: dict[Key, str] = field(default_factory=dict)
    meanings: dict[tuple[str, str], dict[Key, str]] = field(default_factory=dict)
    yes_or_no: dict[Key, str] = field(default_factory=dict)
    yes: set[Key] = field(default_factory=set)
    no: set[Key] = field(default_factory=set)
    no_value: set[str] = field(default_factory=set)
    summary: set[str] = field(default_factory=set)
    zone: set[Key] = field(default_factory=set)
    local_time: set[Key] = field(default_factory=set)
    months: dict[str, list[str]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    _fits: dict[tuple[str, str], int] = field(default_factory=dict, repr=False)
    _split: dict[str, tuple[str, str | None]] = field(default_factory=dict, repr=False)

    def fit(self, name: str, column: str) -> int:
        """How well a header without its unit fits a column; 0 if it does not."""
        found = self._fits.get((name, column))
        if found is None:
            found = self._fits[name, column] = self._fit(key_of(name), column)
        return found

    def _fit(self, key: Key, column: str) -> int:
        if key in self.sure.get(column, {}):
            return SURE
        neutral = self.qualifiers.get("any", set()) | self.qualifiers.get(column, set())
        rest = tuple(word for word in key if word not in neutral)
        if rest and rest != key and rest in self.sure.get(column, {}):
            return QUALIFIED
        return IF_NO_OTHER if key in self.if_no_other.get(column, {}) else 0

    def languages(self, name: str) -> set[str]:
        """Languages in which a header is a word of any column or time."""
        key = key_of(name)
        tables = (*self.sure.values(), *self.if_no_other.values(), *self.times.values())
        return {language for table in tables for language in table.get(key, ())}

    def unit_named(self, word: str) -> str | None:
        """Unit in pint's spelling that a word stands for; None for none."""
        return self.units.get(plain_unit(word))

    def named_and_unit(self, header: str) -> tuple[str, str | None]:
        """Split a header into its name and unit; the unit is None if it has none."""
        if header not in self._split:
            self._split[header] = self._named_and_unit(header)
        return self._split[header]

    def _named_and_unit(self, header: str) -> tuple[str, str | None]:
        for shape in (_IN_BRACKETS, _AT_THE_END):
            found = shape.match(header)
            if found is not None:
                unit = self.unit_named(found[2])
                if unit is not None:
                    return found[1], unit
        tail = re.match(r"^(.*?)\s*(°\s?[CFcf]?|%)\s*$", header)
        if tail is not None and tail[1]:
            return tail[1], self.unit_named(tail[2])
        return header, None

    def add(self, raw: Mapping[str, Any], language: str) -> None:
        """Add the tables of one word list."""
        for column, words in raw.get("columns", {}).items():
            _add(self.sure.setdefault(column, {}), words, language)
        for column, words in raw.get("columns_if_no_other", {}).items():
            _add(self.if_no_other.setdefault(column, {}), words, language)
        for column, words in raw.get("qualifiers", {}).items():
            self.qualifiers.setdefault(column, set()).update(w for t in words for w in key_of(t))
        for name, words in raw.get("time", {}).items():
            _add(self.times.setdefault(name, {}), words, language)
        self._add_sides(raw, language)
        for reference, words in raw.get("pressure_columns", {}).items():
            _add(self.sure.setdefault("pressure_hpa", {}), words, language)
            self.pressure_columns.update((key_of(word), reference) for word in words)
        self._add_meanings(raw)
        for name, words in raw.get("yes_or_no", {}).items():
            keys = [key_of(word) for word in words]
            if name in ("yes", "no"):
                getattr(self, name).update(keys)
            else:
                self.yes_or_no.update(dict.fromkeys(keys, name))
                _add(self.sure.setdefault("outcome", {}), words, language)
        self.no_value.update(word.casefold() for word in _words(raw, "no_value", "words"))
        self.summary.update(plain(word) for word in _words(raw, "summary", "words"))
        self.zone.update(key_of(word) for word in _words(raw, "zone", "zone"))
        self.local_time.update(key_of(word) for word in _words(raw, "zone", "local"))
        if "months" in raw:
            self.months[language] = [" ".join(_words(raw, "months", month)) for month in MONTHS]
        for unit, words in raw.get("units", {}).items():
            self.units.update((plain_unit(word), unit) for word in words)

    def _add_sides(self, raw: Mapping[str, Any], language: str) -> None:
        """Words for cleave angles and fibers: a side beside a word for an angle or a fiber."""
        sides = {side: _words(raw, "angles", side) for side in ("left", "right")}
        angles, fibers = _words(raw, "angles", "angle"), _words(raw, "fibers", "fiber")
        _add(self.both_angles, _words(raw, "angles", "both"), language)
        for letter, (side, names) in zip("ab", sides.items(), strict=True):
            alone = [name for name in names if len(plain(name)) > 3]
            beside = [f"{name} {angle}" for name in names for angle in angles]
            _add(self.sure.setdefault(f"cleave_{side}_deg", {}), beside, language)
            _add(self.if_no_other.setdefault(f"cleave_{side}_deg", {}), alone, language)
            ends = (letter, "1" if letter == "a" else "2", *names)
            named = [f"{fiber} {end}" for fiber in fibers for end in ends]
            _add(self.sure.setdefault(f"fiber_{letter}", {}), named, language)

    def _add_meanings(self, raw: Mapping[str, Any]) -> None:
        for kind, outcomes in _OUTCOMES.items():
            for ours, concepts in outcomes.items():
                for concept in concepts:
                    for name in (concept, _LETTERS.get(concept, concept)):
                        self._mean((kind, "outcome"), ours, _words(raw, "outcomes", name))
        for ours, words in raw.get("purposes", {}).items():
            self._mean(("splices", "purpose"), ours, words)
        for ours, words in raw.get("holdings", {}).items():
            self._mean(("splices", "holding"), ours, words)
        for ours, words in raw.get("pressure_references", {}).items():
            self._mean(("readings", "pressure_reference"), ours, words)
        for ours, words in raw.get("actions", {}).items():
            self._mean(("service", "action"), ours, words)

    def _mean(self, column: tuple[str, str], ours: str, words: Iterable[str]) -> None:
        self.meanings.setdefault(column, {}).update((key_of(word), ours) for word in words)


def outcome_of(kind: str, result: str) -> str:
    """Our outcome in a kind of file for a result that is ``good`` or ``bad``."""
    return next(ours for ours, results in _OUTCOMES[kind].items() if result in results)


def load_words(crew_folder: Path | None = None) -> WordLists:
    """Read all word lists: those of the package, and those of a crew.

    Raises
    ------
    BadInput
        When a file of the crew cannot be used.
    """
    return _loaded(() if crew_folder is None else _texts(crew_folder / WORDS))


def crew_words_text(crew_folder: Path) -> str:
    """Texts of the word lists of a crew, to tell whether they have changed."""
    return "\n".join(text for _, text in _texts(crew_folder / WORDS))


def measures(column: str, unit: str) -> bool:
    """Whether a unit fits the quantity of a column."""
    if column not in QUANTITIES:
        return False
    try:
        check_unit(column, unit)
    except ValueError:
        return False
    return True


def fitting_unit(column: str, unit: str | None) -> str | None:
    """A unit, if it fits the quantity of a column; else None."""
    return unit if unit is not None and measures(column, unit) else None


def _texts(folder: Path) -> tuple[tuple[Path, str], ...]:
    """The word lists of a folder with their texts, by file name."""
    texts = []
    for file in sorted(folder.glob("*.toml")):
        try:
            texts.append((file, toml_text(file, f"The word list {file}")))
        except FileNotFoundError as problem:
            raise BadInput(f"The word list {file} cannot be read: {problem}.") from None
    return tuple(texts)


@lru_cache(_CREWS)
def _loaded(crew_texts: tuple[tuple[Path, str], ...]) -> WordLists:
    """The words of the package and of a crew; they are found anew only when its texts change."""
    words = WordLists()
    for file, text in (*_texts(Path(__file__).parent / WORDS), *crew_texts):
        raw = _table(file, text)
        words.add(raw, str(raw.get("language", file.stem)))
    for kind in KINDS.values():
        for column in kind.columns:
            names = {column, column.rpartition("_")[0] if column in QUANTITIES else column}
            _add(words.sure.setdefault(column, {}), names, OWN)
            for word in kind.allowed_words(column):
                words._mean((kind.name, column), word, [word])
        _add(words.times.setdefault(kind.name, {}), [kind.time_column], OWN)
    return words


def _table(file: Path, text: str) -> dict[str, Any]:
    """Contents of a word list; an unknown table or key is refused."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise BadInput(f"The word list {file} cannot be read: {problem}.") from None
    for name, table in raw.items():
        if name == "language":
            continue
        mistake = _mistake(name, table)
        if mistake:
            raise BadInput(f"The word list {file} cannot be used: {mistake}.")
    return raw


def _mistake(name: str, table: Any) -> str:
    """What is wrong with a table of a word list; empty if nothing is."""
    if name not in _SECTIONS:
        return f"[{name}] is not known; use one of {', '.join(_SECTIONS)}"
    if not isinstance(table, dict):
        return f"{name} must be a table, [{name}]"
    columns = {column for kind in KINDS.values() for column in kind.columns}
    known: Iterable[str] = _SECTIONS[name] or (columns | {"any"} if name != "units" else table)
    for key, words in table.items():
        if key not in known:
            return f"{key} in [{name}] is not known"
        if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
            return f"{key} in [{name}] must be a list of words"
    return ""


def _words(raw: Mapping[str, Any], table: str, name: str) -> list[str]:
    return list(raw.get(table, {}).get(name, ()))


def _add(table: Languages, words: Iterable[str], language: str) -> None:
    for key in _keys(words):
        table.setdefault(key, set()).add(language)


def _keys(words: Iterable[str]) -> Iterator[Key]:
    return (key for key in map(key_of, words) if key)
