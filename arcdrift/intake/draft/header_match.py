"""Match the headers of a sample to our columns, and find the kind of the file from them."""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

from arcdrift.errors import BadInput
from arcdrift.intake.draft.word_lists import (
    BOTH_ANGLES,
    CLOCKS,
    DATES,
    MOMENTS,
    TIME_OF,
    WORDS,
    measures,
    named_and_unit,
    plain,
)
from arcdrift.intake.schema.kinds import KINDS, Kind

_ALIKE = 0.87
"""Similarity (difflib) from which a word counts as misspelled: two letters of a long word."""
_SHORT = 5
"""Words up to this length must match exactly."""
_AIR = ("temperature_c", "pressure_hpa", "humidity_pct")
_TYPICAL_COLUMNS = {
    "arc-checks": ("arc_setting", "melt_back_um"),
    "splices": ("loss_db", "cleave_left_deg", "core_offset_um"),
    "readings": _AIR,
    "service": ("action",),
}
_TIMES = frozenset((f"{DATES}|{CLOCKS}|{MOMENTS}|" + "|".join(TIME_OF.values())).split("|"))


@dataclass(frozen=True)
class Match:
    """A header and the column it was matched to.

    Attributes
    ----------
    header : str
        Header as in the file.
    unit : str, optional
        Unit named in the header.
    guessed : str
        Why the match is a guess; empty if the header is a known word.
    """

    header: str
    unit: str | None
    guessed: str = ""


def is_known(header: str) -> bool:
    """Whether a header is a word of any column."""
    bare = {plain(header), plain(named_and_unit(header)[0])}
    words = (
        bare & _TIMES
        or both_angles_header([header])
        or any(bare & known for known in WORDS.values())
    )
    return bool(words)


def match_headers(headers: Sequence[str], kind: Kind) -> dict[str, Match]:
    """Match headers to the columns of a kind, except its time.

    Returns
    -------
    dict of str to Match
        Match of each column found, in our order; each header at most once.
    """
    found: dict[str, Match] = {}
    matched = set(time_headers(headers, kind))
    for look in (_by_word, _by_likeness, _by_unit):
        for column in kind.columns:
            if column == kind.time_column or column in found:
                continue
            for header in headers:
                if header in matched:
                    continue
                match = look(header, column)
                if match is not None:
                    found[column] = match
                    matched.add(header)
                    break
    return {column: found[column] for column in kind.columns if column in found}


def time_headers(headers: Iterable[str], kind: Kind) -> tuple[str, ...]:
    """Headers that may hold the time or a part of it, the likeliest first."""
    time_words = {plain(kind.time_column), *TIME_OF[kind.name].split("|")}
    ranks = (time_words, set(MOMENTS.split("|")), set(DATES.split("|")), set(CLOCKS.split("|")))
    known = [(plain(header), header) for header in headers]
    return tuple(header for words in ranks for bare, header in known if bare in words)


def names_date(header: str) -> bool:
    """Whether a header is a word for the date."""
    return plain(header) in DATES.split("|")


def names_clock(header: str) -> bool:
    """Whether a header is a word for the time of day."""
    return plain(header) in CLOCKS.split("|")


def both_angles_header(headers: Iterable[str]) -> str | None:
    """Header of a column that may hold the left and the right angle in one cell; None for none."""
    words = set(BOTH_ANGLES.split("|"))
    for header in headers:
        bare = plain(named_and_unit(header)[0])
        short = bare.removesuffix(" l r").removesuffix(" left right").removesuffix(" links rechts")
        if short in words:
            return header
    return None


def guess_kind(headers: Sequence[str], name: str) -> Kind:
    """Find the kind of a file from the columns that its headers match.

    Raises
    ------
    BadInput
        When they fit no kind, or several equally well.
    """
    scores = {kind.name: _score(headers, kind) for kind in KINDS.values()}
    best = max(scores.values())
    likely = [kind for kind, score in scores.items() if score == best]
    if best == 0 or len(likely) > 1:
        could = " or ".join(likely) if best else "anything"
        raise BadInput(
            f"The headers of {name} do not tell what it holds (it could be {could}); say so with "
            f"--kind."
        )
    return KINDS[likely[0]]


def _score(headers: Sequence[str], kind: Kind) -> float:
    found = match_headers(headers, kind)
    typical = [column for column in _TYPICAL_COLUMNS[kind.name] if column in found]
    time_words = set(TIME_OF[kind.name].split("|")) | {plain(kind.time_column)}
    timed = any(plain(header) in time_words for header in headers)
    if not typical and not timed:
        return 0
    score = sum(0.5 if match.guessed else 1.0 for match in found.values())
    return score + len(typical) + 2 * timed


def _named(header: str, column: str) -> tuple[tuple[str, ...], str | None]:
    """Plain forms of a header, without and with its unit; and the unit, if it fits the column."""
    name, unit = named_and_unit(header)
    if unit is None or not measures(column, unit):
        return (plain(header),), None
    return tuple(dict.fromkeys((plain(name), plain(header)))), unit


def _by_word(header: str, column: str) -> Match | None:
    bare, unit = _named(header, column)
    return Match(header, unit) if WORDS[column].intersection(bare) else None


def _by_likeness(header: str, column: str) -> Match | None:
    bare, unit = _named(header, column)
    if any(len(word) > _SHORT and _is_like(word, column) for word in bare):
        return Match(header, unit, "a guess from a header that is only like a known word")
    return None


@lru_cache(1 << 14)
def _is_like(word: str, column: str) -> bool:
    """Whether a word is like a known one of a column."""
    long = [known for known in WORDS[column] if len(known) > _SHORT]
    return bool(difflib.get_close_matches(word, long, n=1, cutoff=_ALIKE))


def _by_unit(header: str, column: str) -> Match | None:
    """Match columns of air by their unit alone; other units fit several columns."""
    _, unit = _named(header, column)
    if unit is None or column not in _AIR:
        return None
    return Match(header, unit, "a guess from the unit alone")
