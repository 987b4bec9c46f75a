"""The lines of a digest in plain words, of which each form of it is made."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from arcdrift.digest.digest import CHANGES, NOT_IN_TIME, CaseNews, Digest
from arcdrift.instants import day_text
from arcdrift.verdicts import VERDICTS
from arcdrift.wording import capitalized

MOST_CASES = 15
"""Most cases that are told one by one under a heading."""
MOST_SPLICES = 10
"""Most splices that are told one by one."""
MOST_NAMES = 6
"""Most names in one sentence."""
SHORT = 6
"""Characters of a case's id that are shown, as in lists of the command line."""
STATUS_WORDS = {"missed": "missed", "failed-only": "failed only", "late": "late"}
CAUTION = (
    "Before you work on a splicer: power it off before you touch the electrodes, never look into "
    "a fiber that may carry light, wear eye protection and collect the glass shards. The maker's "
    "manual comes first."
)


@dataclass(frozen=True)
class Item:
    """A line of a list, and lines below it."""

    text: str
    details: tuple[str, ...] = ()


@dataclass(frozen=True)
class Section:
    """A heading and the items below it."""

    heading: str
    items: tuple[Item, ...]


@dataclass(frozen=True)
class DigestWords:
    """A digest in words: its title, its lists, and sentences at the end."""

    title: str
    sections: tuple[Section, ...]
    sentences: tuple[str, ...]


def digest_words(digest: Digest) -> DigestWords:
    """Put a digest into words; without news there is one sentence."""
    since = moment_text(digest.since, digest.zone)
    crew = one_line(digest.crew)
    if digest.invented and "invented" not in crew.lower():
        crew += " (invented data)"
    if not digest.has_news:
        return DigestWords("", (), (f"{crew}: nothing is new since {since}.",))
    what = "what is new since the last message of" if digest.since_last else "what is new since"
    return DigestWords(
        f"{crew}: {what} {since}",
        tuple(_sections(digest)),
        tuple(_sentences(digest)),
    )


def subject_line(digest: Digest) -> str:
    """Subject of a message, on one line: what is new, in numbers."""
    parts = []
    if digest.cases:
        parts.append(_count(len(digest.cases), "case"))
    missed = sum(check.status == "missed" for check in digest.checks)
    if missed:
        parts.append(f"{_count(missed, 'check')} missed")
    elif digest.checks:
        parts.append(f"{_count(len(digest.checks), 'check')} not in time")
    if digest.splices:
        parts.append(f"{_count(len(digest.splices), 'splice')} to revisit")
    if digest.data_old_is_news:
        parts.append("no new records")
    crew = one_line(digest.crew)
    crew = crew if len(crew) <= 40 else f"{crew[:39]}…"
    return f"{crew}: {', '.join(parts) or 'nothing new'}"


def one_line(text: str) -> str:
    """Text without control characters and line breaks."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def moment_text(at: datetime, zone: str) -> str:
    """An instant in a zone as 16 Nov 2026, 07:30."""
    local = at.astimezone(ZoneInfo(zone))
    return f"{day_text(local.date())}, {local:%H:%M}"


def digest_json(digest: Digest) -> dict[str, Any]:
    """Return the JSON of a digest."""
    return {
        "crew": digest.crew,
        "invented": digest.invented,
        "since": _stamp(digest.since),
        "until": _stamp(digest.now),
        "since_last_message": digest.since_last,
        "nothing_new": not digest.has_news,
        "cases": [asdict(one) | {"at": _stamp(one.at)} for one in digest.cases],
        "checks": [asdict(one) | {"day": one.day.isoformat()} for one in digest.checks],
        "splices_to_revisit": [
            asdict(one) | {"spliced_at": _stamp(one.spliced_at)} for one in digest.splices
        ],
        "open_cases": digest.open_cases,
        "verdicts": {code: list(splicers) for code, splicers in digest.verdicts},
        "newest_record": _stamp(digest.newest_record),
        "data_old": digest.data_old,
        "not_yet_analyzed": digest.outdated,
    }


def _stamp(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat().replace("+00:00", "Z")


def _sections(digest: Digest) -> Iterable[Section]:
    for change, heading in CHANGES.items():
        cases = [one for one in digest.cases if one.change == change]
        if cases:
            items = [_case_item(one, digest.zone) for one in cases[:MOST_CASES]]
            yield Section(f"{heading} ({len(cases)})", (*items, *_more(cases, MOST_CASES)))
    if digest.checks:
        yield Section(
            f"Daily checks not in time ({len(digest.checks)})", tuple(_check_items(digest))
        )
    if digest.splices:
        items = [
            Item(
                f"{one_line(one.place)}: {one.loss_db:.2f} dB, {one.limit_db:.2f} is accepted "
                f"({one_line(one.splicer)}, {moment_text(one.spliced_at, digest.zone)})"
            )
            for one in digest.splices[:MOST_SPLICES]
        ]
        yield Section(
            f"Splices to revisit ({len(digest.splices)})",
            (*items, *_more(digest.splices, MOST_SPLICES)),
        )
    verdicts = tuple(_verdict_items(digest))
    if verdicts:
        yield Section("Splicers now", verdicts)


def _verdict_items(digest: Digest) -> Iterable[Item]:
    """The verdicts that ask for something with the names, of the others only how many."""
    by_code = dict(digest.verdicts)
    for code, verdict in VERDICTS.items():
        splicers = by_code.get(code, ())
        if splicers:
            asks = verdict.stops_work or code == "inspect"
            who = names_text([*map(one_line, splicers)]) if asks else f"{len(splicers):,}"
            yield Item(f"{verdict.words}: {who}")


def _more(rows: Sequence[object], most: int) -> tuple[Item, ...]:
    return (Item(f"and {len(rows) - most:,} more"),) if len(rows) > most else ()


def _case_item(one: CaseNews, zone: str) -> Item:
    details = []
    happened = one_line(one.text)
    if one.by is not None:
        who = f"by {one_line(one.by)}"
        happened = f"{who}: {happened}" if happened else who
    if one.at is not None and one.change != "new" and happened:
        day = one.at.astimezone(ZoneInfo(zone)).date()
        if day_text(day) not in happened:
            happened = f"{day_text(day)}, {happened}"
    if happened:
        details.append(f"{capitalized(happened).removesuffix('.')}.")
    if one.change == "new" and one.owner is not None:
        details.append(f"Taken on by {one_line(one.owner)}.")
    if one.next_step and one.change in ("new", "reopened", "result"):
        details.append(f"Next: {_first_sentence(one_line(one.next_step))}")
    return Item(f"{one_line(one.title)} [{one.id[:SHORT]}]", tuple(details))


def _first_sentence(text: str) -> str:
    end = text.find(". ")
    return text if end < 0 else text[: end + 1]


def _check_items(digest: Digest) -> Iterable[Item]:
    for status in NOT_IN_TIME:
        found = [one for one in digest.checks if one.status == status]
        if not found:
            continue
        by_splicer = Counter(one_line(one.splicer) for one in found)
        names = [name if n == 1 else f"{name} {n} times" for name, n in by_splicer.most_common()]
        days = sorted({one.day for one in found})
        when = day_text(days[0])
        if len(days) > 1:
            when = f"{day_text(days[0])} to {day_text(days[-1])}"
        yield Item(f"{len(found)} {STATUS_WORDS[status]}: {names_text(names)} ({when})")


def names_text(names: Sequence[str]) -> str:
    """Names in a sentence, the first few of many."""
    shown = ", ".join(names[:MOST_NAMES])
    more = len(names) - MOST_NAMES
    return f"{shown} and {more} more" if more > 0 else shown


def _sentences(digest: Digest) -> Iterable[str]:
    if digest.open_cases:
        are = "is" if digest.open_cases == 1 else "are"
        show = " `arcdrift case show ID` tells more of one." if digest.cases else ""
        yield f"{_count(digest.open_cases, 'case')} {are} open in all.{show}"
    if digest.newest_record is not None:
        newest = moment_text(digest.newest_record, digest.zone)
        if digest.data_old:
            days = (digest.now - digest.newest_record).days
            yield (
                f"The newest record is {days} days old ({newest}): import what the crew has "
                "logged since then, or these lines tell of the past."
            )
        else:
            yield f"The newest record is of {newest}."
    if digest.outdated:
        yield "Some records are newer than the last analysis; they are not in these lines."
    if digest.cases or digest.splices:
        yield CAUTION


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"
