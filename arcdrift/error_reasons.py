"""Why splices fail: the classes of logged reasons, and the words by which a reason is of one.

A store keeps a reason as it was logged. Its class is found whenever records are analyzed, so that
words that a crew adds to crew.toml count for all of its records.
"""

import difflib
import json
import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from fnmatch import fnmatchcase
from functools import cache, lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import TypeAlias

CLASSES: Mapping[str, str] = MappingProxyType(
    {
        "cleave_angle": "cleave angle",
        "cleave_shape": "cleave shape",
        "fiber_position": "fiber position",
        "fiber_not_seen": "fiber not seen or dirty",
        "alignment": "alignment out of range",
        "arc": "arc",
        "stopped": "stopped by hand",
        "other": "other",
    }
)
"""Words of each class on screens and in crew.toml, by its id. Ids do not change."""
OTHER = "other"
"""Class of a reason that nobody knows."""
WORD_LIST = Path(__file__).with_suffix(".toml")

_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
_CACHED = 1 << 14
"""Texts and words whose classes are cached."""
Words: TypeAlias = frozenset[str]


def class_from_words(words: str) -> str:
    """Id of the class that somebody names, by its words or its id.

    Raises
    ------
    ValueError
        With a sentence that lists the classes, or suggests the most similar one.
    """
    named = {text: name for name, text in CLASSES.items()} | {name: name for name in CLASSES}
    if words.strip().casefold() in named:
        return named[words.strip().casefold()]
    near = difflib.get_close_matches(words.casefold(), CLASSES.values(), n=1)
    known = f"the nearest is {near[0]!r}" if near else f"use one of {', '.join(CLASSES.values())}"
    raise ValueError(f"{words!r} is not a class of reasons; {known}")


def words_of(text: str) -> tuple[str, ...]:
    """Words and numbers of a text in small letters without accents and signs."""
    bare = unicodedata.normalize("NFKD", _CAMEL.sub(" ", text).casefold())
    bare = "".join(char for char in bare if not unicodedata.combining(char))
    return tuple(re.findall(r"\d+|[^\W\d_]+", bare))


class ErrorReasons:
    """Finds the class of logged reasons.

    Parameters
    ----------
    own : mapping of str to str
        Ids of classes by a crew's own words, which take precedence
        (`arcdrift.settings.Crew.error_reasons`).
    """

    def __init__(self, own: Mapping[str, str]) -> None:
        self._own = [(frozenset(words_of(text)), name) for text, name in own.items()]
        self._known: dict[str, str | None] = {}

    def known_class(self, reason: str) -> str | None:
        """Id of the class of a reason; None where no word of it is known."""
        if reason not in self._known:
            words = words_of(reason)
            own = _longest(self._own, frozenset(words))
            # numbers, as of the angle that was too large, differ from splice to splice
            letters = frozenset(word for word in words if not word.isdigit())
            self._known[reason] = own or _listed_class(letters)
        return self._known[reason]

    def unknown(self, counts: Mapping[str, int]) -> dict[str, int]:
        """Leave out the reasons with a class; and those without a letter or digit."""
        return {
            reason: count
            for reason, count in counts.items()
            if words_of(reason) and self.known_class(reason) is None
        }


def line_for_crew_toml(reason: str) -> str:
    """Return a line for [error_reasons] in crew.toml by which a reason has a class."""
    return f'{json.dumps(reason, ensure_ascii=False)} = "{CLASSES["fiber_position"]}"'


def _longest(phrases: Iterable[tuple[Words, str]], words: Words) -> str | None:
    """Class of the phrase with the most words, then letters, of those that are among some words."""
    best, found = (0, 0), None
    for phrase, name in phrases:
        size = (len(phrase), sum(map(len, phrase)))
        if size > best and phrase <= words:
            best, found = size, name
    return found


@lru_cache(_CACHED)
def _listed_class(words: Words) -> str | None:
    """Class by the words of all languages."""
    phrases, patterns = _word_list()
    fitting = words.union(*(_fitting(word, patterns) for word in words))
    return _longest(phrases, fitting)


@lru_cache(_CACHED)
def _fitting(word: str, patterns: tuple[str, ...]) -> Words:
    """Listed words with a `*` that a word of a log fits."""
    return frozenset(pattern for pattern in patterns if fnmatchcase(word, pattern))


@cache
def _word_list() -> tuple[tuple[tuple[Words, str], ...], tuple[str, ...]]:
    """Listed phrases with their classes, in the order of classes, and the words with a `*`."""
    languages = tomllib.loads(WORD_LIST.read_text(encoding="utf-8")).values()
    phrases = tuple(
        (frozenset(_listed_words(phrase)), name)
        for name in CLASSES
        for language in languages
        for phrase in language[name]
    )
    patterns = {word for phrase, _ in phrases for word in phrase if "*" in word}
    return phrases, tuple(sorted(patterns))


def _listed_words(phrase: str) -> Iterable[str]:
    """Words of a listed phrase; a `*` stays."""
    for word in phrase.split():
        head, tail = "*" * word.startswith("*"), "*" * word.endswith("*")
        bare = words_of(word)
        yield from (f"{head}{part}{tail}" for part in bare)
