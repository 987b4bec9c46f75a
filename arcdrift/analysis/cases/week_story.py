"""What got worse in a week, what got better, what was done and whether it helped: three sentences.

Pure, from the stored changes of a week and the cases as they stand.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Literal, NamedTuple

from arcdrift.case import CLOSED_WORDS
from arcdrift.instants import day_text
from arcdrift.wording import change_interval_text, count_text

MOST_NAMED = 4
"""Things that a sentence names; the others are counted."""
RESULTS_OF = timedelta(days=28)
"""For so long before a week its sentence tells of work whose result is awaited or came in it."""
GOOD_ENDS = ("cured", "passed")
"""Ends of a case that are good news; a case that a person closed as no fault is none."""
Change = Mapping[str, Any]
Case = Mapping[str, Any]


class Word(NamedTuple):
    """A piece of a sentence, and what it leads to: ``splicer / program``, a case, or nothing."""

    text: str
    leads_to: Literal["", "stream", "case"] = ""
    key: str = ""


@dataclass(frozen=True)
class WeekStory:
    """The three sentences of a week, each as pieces to be joined without spaces."""

    worse: list[Word]
    better: list[Word]
    done: list[Word]


@dataclass(frozen=True)
class WeekSpan:
    """A week of the crew's zone: its Monday, and the instants at which it begins and ends (UTC).

    A report tells of another number of ``days`` from its first day in the same way.
    """

    monday: date
    begins: datetime
    ends: datetime
    days: int = 7

    def holds(self, instant: str) -> bool:
        """Whether an instant of a case's document lies in the week."""
        return self.begins <= datetime.fromisoformat(instant) < self.ends

    def holds_day(self, day: str) -> bool:
        """Whether a local day lies in the week."""
        return 0 <= (date.fromisoformat(day) - self.monday).days < self.days


def plain(words: Iterable[Word]) -> str:
    """Return a sentence without what its pieces lead to."""
    return "".join(word.text for word in words)


def week_story(changes: Sequence[Change], cases: Sequence[Case], week: WeekSpan) -> WeekStory:
    """Tell a week.

    Parameters
    ----------
    changes : sequence of mapping
        Rows of ``result_week_changes`` of the week.
    cases : sequence of mapping
        Views of cases (`arcdrift.analysis.cases.case_states.case_view`).
    """
    listed = [case for case in cases if case["told"]]
    new = [case for case in listed if week.holds(case["seen"])]
    of_loss = {
        case["subject"]["id"].partition(" / ")[0]
        for case in new
        if case["cause"].startswith("loss")
    }
    # a rise with a new case of its own is told there
    up = [
        row
        for row in changes
        if row["splicer"] and row["stands_out"] and row["change"] > 0
        and row["splicer"] not in of_loss
    ]  # fmt: skip
    down = [row for row in changes if row["splicer"] and row["stands_out"] and row["change"] < 0]
    ended = [
        case
        for case in listed
        if case["closed"] and case["closed"]["how"] in GOOD_ENDS
        and week.holds(case["closed"]["at"])
    ]  # fmt: skip
    return WeekStory(_worse(up, new), _better(down, ended), _done(listed, week))


def _worse(rows: Sequence[Change], new: Sequence[Case]) -> list[Word]:
    parts = []
    if rows:
        rows = sorted(rows, key=lambda row: -row["change"])
        parts.append([Word("More loss: "), *_listed([_change(row) for row in rows])])
    if new:
        named = [[Word(case["title"], "case", case["id"])] for case in new]
        parts.append([Word(f"{count_text(len(new), 'new case')}: "), *_listed(named)])
    if not parts:
        return [
            Word("Nothing stands out: no splicer lost more than chance explains, no case is new.")
        ]
    return _sentence(parts)


def _better(rows: Sequence[Change], ended: Sequence[Case]) -> list[Word]:
    parts = []
    if rows:
        rows = sorted(rows, key=lambda row: row["change"])
        parts.append([Word("Less loss: "), *_listed([_change(row) for row in rows])])
    if ended:
        named = [
            [
                Word(case["title"], "case", case["id"]),
                Word(f" ({CLOSED_WORDS[case['closed']['how']]})"),
            ]
            for case in ended
        ]
        parts.append([Word(f"{count_text(len(ended), 'case')} over: "), *_listed(named)])
    if not parts:
        return [
            Word("Nothing stands out: no splicer lost less than chance explains, no case ended.")
        ]
    return _sentence(parts)


def _done(cases: Sequence[Case], week: WeekSpan) -> list[Word]:
    entries: list[tuple[str, list[Word]]] = []
    for case in cases:
        for number, action in enumerate(case["actions"]):
            if not _told_this_week(case, action, week):
                continue
            last = number == len(case["actions"]) - 1
            result = case["result_text"] if last else "more was done after it"
            words = [
                Word(_subject(case), "case", case["id"]),
                Word(f", {action['what']} on {day_text(date.fromisoformat(action['day']))}: "),
                Word(result or "no result yet"),
            ]
            entries.append((str(action["day"]), words))
    if not entries:
        return [Word("Nothing is on record for a case, and no result came in.")]
    entries.sort(key=lambda entry: entry[0], reverse=True)
    return _sentence([_listed([words for _, words in entries])])


def _told_this_week(case: Case, action: Mapping[str, Any], week: WeekSpan) -> bool:
    if week.holds_day(action["day"]):
        return True
    day = date.fromisoformat(action["day"])
    if not week.monday - RESULTS_OF <= day < week.monday:
        return False
    closed = case["closed"]
    if closed is None:
        return bool(case["state"] == "waiting")
    return week.holds(closed["at"])


def _subject(case: Case) -> str:
    if case["subject"]["type"] == "crew":
        return "The whole crew"
    return str(case["subject"]["id"]).replace(" / ", ", ", 1)


def _change(row: Change) -> list[Word]:
    key = f"{row['splicer']} / {row['program']}"
    percent = change_interval_text(row["change"], row["low"], row["high"])
    return [Word(f"{row['splicer']}, {row['program']}", "stream", key), Word(f" {percent}")]


def _listed(named: Sequence[list[Word]]) -> list[Word]:
    words: list[Word] = []
    for number, entry in enumerate(named[:MOST_NAMED]):
        words += [Word("; "), *entry] if number else entry
    more = len(named) - MOST_NAMED
    return [*words, Word(f"; and {more:,} more")] if more > 0 else words


def _sentence(parts: Sequence[list[Word]]) -> list[Word]:
    words: list[Word] = []
    for number, part in enumerate(parts):
        words += [Word(". "), *part] if number else part
    return [*words, Word(".")]
