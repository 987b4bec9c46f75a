"""Match the headers of a sample to our columns, and find the kind of the file from them."""

import difflib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from arcdrift.errors import BadInput
from arcdrift.intake.draft.headers.header_words import key_of, plain
from arcdrift.intake.draft.headers.time_headers import bare_name, time_headers
from arcdrift.intake.draft.headers.word_lists import (
    IF_NO_OTHER,
    QUALIFIED,
    SURE,
    WordLists,
    fitting_unit,
    measures,
)
from arcdrift.intake.schema.kinds import KINDS, Kind

NAMEABLE = frozenset({"splicer", "asset", "site"})
"""Needed columns that one name can stand for in a whole file."""
_ALIKE = 0.87
"""Similarity (difflib) from which a word counts as misspelled: two letters of a long word."""
_SHORT = 5
"""Words up to this length must match exactly, as must the first letter of others."""
_AIR = ("temperature_c", "pressure_hpa", "humidity_pct")
"""Columns that a unit alone can tell."""
_TYPICAL_COLUMNS = {
    "arc-checks": ("arc_setting", "melt_back_um"),
    "splices": ("loss_db", "cleave_left_deg", "core_offset_um"),
    "readings": _AIR,
    "service": ("action",),
}
_INTERCHANGEABLE = ("remark", "location", "source", "blade_position", "error_reason")
"""Columns of which the first is taken if several headers fit."""

Aliases = Mapping[str, tuple[str, ...]]
"""Other names of a header: those of its own row, if it stands in two."""
FitsValues = Callable[[str, str], bool]
"""Whether the values under a header fit a column: called with the column and the header."""


class UnclearKind(BadInput):
    """The headers of a file fit several kinds, or none; `kinds` are those that they may fit."""

    def __init__(self, sentence: str, kinds: tuple[str, ...]) -> None:
        super().__init__(sentence)
        self.kinds = kinds


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
    rivals : tuple of str
        Other headers that fit the column as well.
    """

    header: str
    unit: str | None
    guessed: str = ""
    rivals: tuple[str, ...] = ()


def is_known(header: str, words: WordLists) -> bool:
    """Whether a header is a word of any column."""
    key = key_of(bare_name(header, words))
    if any(key in table for table in words.times.values()):
        return True
    names = (header, words.named_and_unit(header)[0])
    if any(words.fit(name, column) for name in names for column in words.sure):
        return True
    return both_angles_header([header], words) is not None


def match_headers(
    headers: Sequence[str],
    kind: Kind,
    words: WordLists,
    *,
    aliases: Aliases | None = None,
    fits: FitsValues | None = None,
    time: Sequence[str] | None = None,
    chosen: Mapping[str, str] | None = None,
) -> dict[str, Match]:
    """Match headers to the columns of a kind, except its time.

    Parameters
    ----------
    words : WordLists
        Words of headers.
    aliases : dict, optional
        Other names of the headers.
    fits : callable, optional
        Whether values fit; default every header fits.
    time : sequence of str, optional
        Headers of the time; default all that may be.
    chosen : dict of str to str, optional
        Headers that a person chose for columns; "" for none.

    Returns
    -------
    dict of str to Match
        Match of each column found, in our order; each header at most once.
    """
    used = set(time_headers(headers, kind, words, aliases) if time is None else time)
    search = _Search(words, kind, aliases or {}, fits or (lambda column, header: True))
    found: dict[str, Match] = {}
    for column, header in (chosen or {}).items():
        if column in kind.columns and header in headers:
            found[column] = Match(header, search.unit(header, column))
            used.add(header)
    decided = {*found, *(chosen or {}), kind.time_column}
    columns = [column for column in kind.columns if column not in decided]
    for strength in (SURE, QUALIFIED, IF_NO_OTHER):
        for column in columns:
            if column in found:
                continue
            fitting = [h for h in headers if search.strength(h, column) == strength]
            free = [h for h in fitting if h not in used and search.fits(column, h)]
            if free:
                rivals = () if column in _INTERCHANGEABLE else tuple(free[1:])
                found[column] = Match(free[0], search.unit(free[0], column), rivals=rivals)
                used.add(free[0])
    for look in (search.by_likeness, search.by_unit):
        for column in columns:
            if column in found:
                continue
            guesses = (look(h, column) for h in headers if h not in used)
            match = next((m for m in guesses if m and search.fits(column, m.header)), None)
            if match is not None:
                found[column] = match
                used.add(match.header)
    matched = {match.header for match in found.values()}
    return {
        column: Match(
            found[column].header,
            found[column].unit,
            found[column].guessed,
            tuple(rival for rival in found[column].rivals if rival not in matched),
        )
        for column in kind.columns
        if column in found
    }


def both_angles_header(headers: Iterable[str], words: WordLists) -> str | None:
    """Header of a column that may hold the left and the right angle in one cell; None for none."""
    for header in headers:
        bare = plain(words.named_and_unit(header)[0])
        for tail in (" l r", " left right", " links rechts", " g d", " i d", " e d", " s d"):
            bare = bare.removesuffix(tail)
        if key_of(bare) in words.both_angles:
            return header
    return None


def guess_kind(
    headers: Sequence[str], name: str, words: WordLists, aliases: Aliases | None = None
) -> Kind:
    """Find the kind of a file from the columns that its headers match.

    Parameters
    ----------
    aliases : dict, optional
        Other names of the headers.

    Raises
    ------
    UnclearKind
        When they fit no kind, or several equally well.
    """
    matched = {kind.name: _matched(headers, kind, words, aliases) for kind in KINDS.values()}
    whole = {name: found for name, found in matched.items() if _is_whole(KINDS[name], found)}
    if not whole:
        whole = {
            name: found for name, found in matched.items() if _lacks_name(KINDS[name], found, words)
        }
    has_loss = any(words.named_and_unit(header)[1] == "dB" for header in headers)
    if has_loss or ("loss_db" in matched["splices"] and "splices" in whole):
        return KINDS["splices"]  # no other kind has a loss
    for kind, found in whole.items():
        if all(set(found.values()) >= set(other.values()) for other in whole.values()):
            return KINDS[kind]
    scores = {kind.name: _score(headers, kind, words, aliases) for kind in KINDS.values()}
    best = max(scores.values())
    likely = [kind for kind, score in scores.items() if score == best]
    if best == 0 or len(likely) > 1 or len(whole) > 1:
        likely = list(whole) if len(whole) > 1 else likely
        could = " or ".join(likely) if best else "anything"
        raise UnclearKind(
            f"The headers of {name} do not tell what it holds (it could be {could}); say so with "
            f"--kind.",
            tuple(likely) if best else (),
        )
    return KINDS[likely[0]]


def _matched(
    headers: Sequence[str], kind: Kind, words: WordLists, aliases: Aliases | None
) -> dict[str, str]:
    """Header of each column, without guesses; the time too."""
    found = {
        column: match.header
        for column, match in match_headers(headers, kind, words, aliases=aliases).items()
        if not match.guessed
    }
    times = time_headers(headers, kind, words, aliases)
    return {**{header: header for header in times}, **found}


def _is_whole(kind: Kind, found: Mapping[str, str], nameable: frozenset[str] = frozenset()) -> bool:
    """Whether the columns of a file suffice for a kind."""
    timed = any(column not in kind.columns for column in found) or kind.time_column in found
    needs = [need for need in kind.needs if need != (kind.time_column,)]
    return timed and all(nameable.union(found).intersection(need) for need in needs)


def _lacks_name(kind: Kind, found: Mapping[str, str], words: WordLists) -> bool:
    """Whether one name, such as that of the splicer, is all that a file of a kind lacks."""
    if not _is_whole(kind, found, NAMEABLE):
        return False
    outcome = found.get("outcome")
    if kind.name != "arc-checks" or outcome is None:
        return True
    return words.fit(outcome, "outcome") > IF_NO_OTHER


def _score(headers: Sequence[str], kind: Kind, words: WordLists, aliases: Aliases | None) -> float:
    found = match_headers(headers, kind, words, aliases=aliases)
    typical = [column for column in _TYPICAL_COLUMNS[kind.name] if column in found]
    timed = any(key_of(bare_name(header, words)) in words.times[kind.name] for header in headers)
    if not typical and not timed:
        return 0
    score = sum(0.5 if match.guessed else 1.0 for match in found.values())
    return score + len(typical) + 2 * timed


@dataclass(frozen=True)
class _Search:
    """Fits headers to columns."""

    words: WordLists
    kind: Kind
    aliases: Aliases
    fits: FitsValues

    def strength(self, header: str, column: str) -> int:
        """How well a header fits a column, by the best of its names."""
        best = 0
        above = self.aliases.get(header, ())[1:]  # may be the name of a group of columns
        for name in self._names(header, column):
            fit = self.words.fit(name, column)
            fit = min(fit, IF_NO_OTHER) if name in above else fit
            if column == "pressure_hpa" and fit:
                reference = self.words.pressure_columns.get(key_of(name))
                if reference in ("sea-level", "qnh"):
                    fit = IF_NO_OTHER if "pressure_reference" in self.kind.columns else 0
            best = max(best, fit)
        return best

    def unit(self, header: str, column: str) -> str | None:
        """Unit named in a header, if it fits the column."""
        return fitting_unit(column, self.words.named_and_unit(header)[1])

    def by_likeness(self, header: str, column: str) -> Match | None:
        """Match a header that is only like a known word; not to remarks, which are no matter."""
        if column in _INTERCHANGEABLE:
            return None
        for name in self._names(header, column):
            bare = " ".join(key_of(name))
            if len(bare) <= _SHORT:
                continue
            known = (" ".join(key) for key in self.words.sure.get(column, {}))
            like = [word for word in known if len(word) > _SHORT and word[0] == bare[0]]
            if difflib.get_close_matches(bare, like, n=1, cutoff=_ALIKE):
                reason = "a guess from a header that is only like a known word"
                return Match(header, self.unit(header, column), reason)
        return None

    def by_unit(self, header: str, column: str) -> Match | None:
        """Match columns of air by their unit alone; other units fit several columns."""
        unit = self.unit(header, column)
        if unit is None or column not in _AIR:
            return None
        return Match(header, unit, "a guess from the unit alone")

    def _names(self, header: str, column: str) -> Iterable[str]:
        for name in (header, *self.aliases.get(header, ())):
            bare, unit = self.words.named_and_unit(name)
            if unit is not None and measures(column, unit):
                yield bare
            yield name
