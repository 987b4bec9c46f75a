"""What the header of a time says: its words, the order of its dates, and its UTC offset."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from arcdrift.intake.draft.headers.header_words import key_of
from arcdrift.intake.draft.headers.word_lists import WordLists
from arcdrift.intake.schema.kinds import Kind

Order = Literal["day first", "month first"]

_BRACKETS = re.compile(r"[(\[{]\s*([^()\[\]{}]*?)\s*[)\]}]")
_OFFSET = re.compile(
    r"\b(?:UTC|GMT)(?:\s*([+\-\u2212\u2013])\s*(\d{1,2})(?::?(\d{2}))?)?(?![\w+\-])",
    re.IGNORECASE,
)
_BARE_OFFSET = re.compile(r"^([+\-\u2212\u2013])(\d{2}):?(\d{2})$")
_DATE_LETTERS = re.compile(r"^([a-z])\1{0,3}[^a-z]+([a-z])\2{0,3}(?:[^a-z]+([a-z])\3{0,3})?\b")
_NEUTRAL = re.compile(
    r"[A-Z]{3,5}|[+\-\u2212\u2013]\d{2}:?\d{2}|24\s?h|\W*|(?i:[dmyjatghsu]+(?:\W+[dmyjatghsu]+)+)"
)
"""What may stand in the brackets of a time's header without changing which time it is."""
_DAY_LETTERS, _MONTH_LETTER = "dtjg", "m"
_FIXED_ZONES = {
    210: "Asia/Tehran",
    270: "Asia/Kabul",
    330: "Asia/Kolkata",
    345: "Asia/Kathmandu",
    390: "Asia/Yangon",
    570: "Australia/Darwin",
    -570: "Pacific/Marquesas",
}
"""Zones without daylight time whose offset is no whole hour, by minutes east of UTC."""


@dataclass(frozen=True)
class StatedZone:
    """A zone that a header or a line above it states.

    Attributes
    ----------
    text : str
        As written.
    zone : str, optional
        Name of a zone with that offset all year; None if it is not known.
    """

    text: str
    zone: str | None


def time_headers(
    headers: Iterable[str],
    kind: Kind,
    words: WordLists,
    aliases: Mapping[str, Sequence[str]] | None = None,
) -> tuple[str, ...]:
    """Headers that may hold the time or a part of it, the likeliest first.

    Parameters
    ----------
    aliases : dict of str to sequence of str, optional
        Other names of a header: of one in two lines first the name in the lower line.
    """
    known = [
        (key_of(bare_name(name, words)), header)
        for header in headers
        for name in (header, *(aliases or {}).get(header, ())[:1])
    ]
    ranks = [words.times.get(name, {}) for name in time_concepts(kind)]
    found = (header for rank in ranks for key, header in known if key in rank)
    return tuple(dict.fromkeys(found))


def time_concepts(kind: Kind) -> tuple[str, ...]:
    """What the header of a time may be a word for, the likeliest first."""
    return kind.name, "moment", "date", "clock"


def bare_name(header: str, words: WordLists) -> str:
    """A header of a time without its zone, and without brackets that tell how times are written."""

    def without(found: re.Match[str]) -> str:
        part = found[1]
        neutral = _NEUTRAL.fullmatch(part) or key_of(part) in words.local_time
        return " " if neutral else found[0]

    bare = _BRACKETS.sub(without, _OFFSET.sub(" ", header))
    return bare if key_of(bare) else header


def stated_order(header: str) -> Order | None:
    """Order of day and month that a header states, such as ``Date (dd/mm/yyyy)``."""
    for part in _BRACKETS.findall(header):
        text = part.strip().casefold()
        found = _DATE_LETTERS.match(text)
        if found is None:
            continue
        first, second, third = found[1], found[2], found[3]
        year_first = text.startswith(first * 4) or third in ("t", "d")
        if first in _DAY_LETTERS and second == _MONTH_LETTER and not year_first:
            return "day first"
        if first == _MONTH_LETTER and second in _DAY_LETTERS:
            return "month first"
    return None


def stated_zone(text: str, words: WordLists, crew_zone: str | None) -> StatedZone | None:
    """Zone that the header of a time states; None for none.

    Abbreviations such as MST are known if the crew's own zone uses them; what is not known has no
    zone, and is to be asked about.
    """
    found = _OFFSET.search(text)
    if found is not None:
        return StatedZone(found[0].strip(), _zone_at(_minutes(*found.groups())))
    for part in _BRACKETS.findall(text):
        bare = _BARE_OFFSET.match(part)
        if bare is not None:
            return StatedZone(part, _zone_at(_minutes(*bare.groups())))
        if key_of(part) in words.local_time:
            return None
        if re.fullmatch(r"[A-Z]{3,5}", part):
            return StatedZone(part, _zone_called(part, crew_zone))
    return None


def mentions_zone(text: str) -> bool:
    """Whether a text mentions UTC or GMT."""
    return _OFFSET.search(text) is not None


def _minutes(sign: str | None, hours: str | None, minutes: str | None) -> int:
    if hours is None:
        return 0
    count = 60 * int(hours) + int(minutes or 0)
    return count if sign == "+" else -count


def _zone_at(minutes: int) -> str | None:
    """Name of a zone that is always so many minutes east of UTC."""
    if minutes == 0:
        return "UTC"
    hours, rest = divmod(minutes, 60)
    if rest == 0 and -12 <= hours <= 14:
        return f"Etc/GMT{-hours:+d}"  # these names count westward
    return _FIXED_ZONES.get(minutes)


def _zone_called(name: str, crew_zone: str | None) -> str | None:
    """Zone of an abbreviation that the crew's own zone uses at some time of the year."""
    if crew_zone is None:
        return None
    for month in (1, 7):
        moment = datetime(2026, month, 1, tzinfo=ZoneInfo(crew_zone))
        if moment.tzname() == name:
            offset = moment.utcoffset() or timedelta()
            return _zone_at(round(offset.total_seconds() / 60))
    return None
