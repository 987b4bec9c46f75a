"""Find what the words in the cells of a sample mean: outcomes, actions, yes and no."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from arcdrift.error_reasons import OTHER, ErrorReasons
from arcdrift.intake.draft.headers.header_words import key_of
from arcdrift.intake.draft.headers.word_lists import WordLists, outcome_of
from arcdrift.intake.draft.questions import Option, Question
from arcdrift.intake.schema.kinds import Kind

_DIGITS = {"1": True, "0": False}
_OPPOSITE = {"good": "bad", "bad": "good"}
_RARE = 0.02
"""Unknown words in at most this share of the rows are left to the quarantine."""
_MOST_ASKED = 12
"""With more unknown words the column holds free text."""


@dataclass(frozen=True)
class Meanings:
    """What the words of a column mean.

    Attributes
    ----------
    values : dict of str to str
        Our word for each word of the file, without those that are ours already.
    unknown : tuple of str
        Words that are not known.
    questions : tuple of Question
        What is to be asked about them.
    reasons : tuple of str
        Words among outcomes that say why a splice failed.
    """

    values: dict[str, str] = field(default_factory=dict)
    unknown: tuple[str, ...] = ()
    questions: tuple[Question, ...] = ()
    reasons: tuple[str, ...] = ()


def meanings_of(
    values: pd.Series,
    counts: pd.Series,
    kind: Kind,
    column: str,
    header: str,
    words: WordLists,
    answers: Mapping[str, str],
) -> Meanings:
    """Find what the words of a column with allowed words mean.

    Parameters
    ----------
    values : Series of str
        Distinct values without missing ones.
    counts : Series of int
        How many rows have each of them.
    """
    known = words.meanings.get((kind.name, column), {})
    yes_means = words.yes_or_no.get(key_of(header)) if column == "outcome" else None
    allowed = kind.allowed_words(column)
    meanings: dict[str, str] = {}
    unknown: list[str] = []
    reasons: list[str] = []
    seen: set[str] = set()
    rare = 0
    for value, count in zip(values, counts, strict=True):
        if value.casefold() in seen:
            continue
        seen.add(value.casefold())
        key = f"columns.{column}.{value}"
        ours = answers.get(key) or known.get(key_of(value))
        if ours is None and yes_means is not None:
            yes = _yes_or_no(value, words)
            if yes is not None:
                ours = outcome_of(kind.name, yes_means if yes else _OPPOSITE[yes_means])
        if ours is None and (kind.name, column) == ("splices", "outcome") and _is_reason(value):
            ours = "error"
            reasons.append(value)
        if ours is None:
            unknown.append(value)
            rare += int(count)
        elif value.casefold() != ours:
            meanings[value] = ours
    if not unknown or rare <= _RARE * counts.sum():
        return Meanings(meanings, tuple(unknown), reasons=tuple(reasons))
    if len(unknown) > _MOST_ASKED:
        text = f"{header!r} holds {len(unknown)} words that are not known; what do they mean?"
        return Meanings(meanings, tuple(unknown), (Question(f"columns.{column}", text),))
    options = tuple(Option(word, word) for word in allowed)
    questions = tuple(
        Question(f"columns.{column}.{value}", f"What does {value!r} mean in {header!r}?", options)
        for value in unknown
    )
    return Meanings(meanings, tuple(unknown), questions, tuple(reasons))


def _is_reason(value: str) -> bool:
    """Whether a word says why a splice failed, and not only how it went."""
    return ErrorReasons({}).known_class(value) not in (None, OTHER)


def _yes_or_no(value: str, words: WordLists) -> bool | None:
    key = key_of(value)
    if value.strip() in _DIGITS:
        return _DIGITS[value.strip()]
    if key in words.yes:
        return True
    return False if key in words.no else None
