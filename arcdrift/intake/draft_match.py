"""Headers of a sample matched to our columns, and the kind of file they speak for."""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from arcdrift.errors import BadInput
from arcdrift.intake.draft_words import (
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
from arcdrift.intake.kinds import KINDS, Kind

_ALIKE = 0.87
"""Likeness (difflib) from which a word counts as misspelled; two letters of a long word."""
_SHORT = 5
"""Words up to this length are never taken for misspelled ones."""
_SPEAKS_FOR = {
    "arc-checks": ("arc_setting", "melt_back_um"),
    "splices": ("loss_db", "cleave_left_deg", "core_offset_um"),
    "readings": ("temperature_c", "pressure_hpa", "humidity_pct"),
    "service": ("action",),
}
_TIMES = frozenset((f"{DATES}|{CLOCKS}|{MOMENTS}|" + "|".join(TIME_OF.values())).split("|"))


@dataclass(frozen=True)
class Match:
    """A header and the column it was matched to.

    Attributes
    ----------
    header : str
        As in the file.
    unit : str, optional
        Named in the header.
    sure : bool
        False where the header is only like a known word.
    """

    header: str
    unit: str | None
    sure: bool


def is_known(header: str) -> bool:
    """Whether a header is a word of any column."""
    bare = {plain(header), plain(named_and_unit(header)[0])}
    words = bare & _TIMES or both_angles([header]) or any(bare & known for known in WORDS.values())
    return bool(words)


def matches(headers: Sequence[str], kind: Kind) -> dict[str, Match]:
    """Match headers to the columns of a kind, its time aside.

    Returns
    -------
    dict of str to Match
        By our column, in our order; each header at most once.
    """
    found: dict[str, Match] = {}
    taken: set[str] = set()
    for sure in (True, False):
        for column in kind.columns:
            if column == kind.time_column or column in found:
                continue
            for header in headers:
                if header in taken or header in times(headers, kind):
                    continue
                match = _match(header, column, sure=sure)
                if match is not None:
                    found[column] = match
                    taken.add(header)
                    break
    return {column: found[column] for column in kind.columns if column in found}


def times(headers: Iterable[str], kind: Kind) -> tuple[str, ...]:
    """Headers that may hold the time, or a part of it, the likeliest first."""
    own = {plain(kind.time_column), *TIME_OF[kind.name].split("|")}
    ranks = (own, set(MOMENTS.split("|")), set(DATES.split("|")), set(CLOCKS.split("|")))
    known = [(plain(header), header) for header in headers]
    return tuple(header for words in ranks for bare, header in known if bare in words)


def both_angles(headers: Iterable[str]) -> str | None:
    """Header of a column that may hold the left and the right angle in one cell."""
    words = set(BOTH_ANGLES.split("|"))
    for header in headers:
        bare = plain(named_and_unit(header)[0])
        short = bare.removesuffix(" l r").removesuffix(" left right").removesuffix(" links rechts")
        if short in words:
            return header
    return None


def guess_kind(headers: Sequence[str], name: str) -> Kind:
    """Tell the kind of a file from what its headers match.

    Raises
    ------
    BadInput
        When they speak for none, or for several alike.
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
    found = matches(headers, kind)
    speaks = [column for column in _SPEAKS_FOR[kind.name] if column in found]
    own = set(TIME_OF[kind.name].split("|")) | {plain(kind.time_column)}
    timed = any(plain(header) in own for header in headers)
    if not speaks and not timed:
        return 0
    sure = sum(1.0 if match.sure else 0.5 for match in found.values())
    return sure + len(speaks) + 2 * timed


def _match(header: str, column: str, *, sure: bool) -> Match | None:
    words = WORDS[column]
    name, unit = named_and_unit(header)
    if unit is not None and not measures(column, unit):
        name, unit = header, None
    for bare in dict.fromkeys((plain(name), plain(header))):
        if bare in words:
            return Match(header, unit, sure=True) if sure else None
        if not sure and len(bare) > _SHORT:
            near = difflib.get_close_matches(bare, words, n=1, cutoff=_ALIKE)
            if near and len(near[0]) > _SHORT:
                return Match(header, unit, sure=False)
    return None
