"""One person's work for a talk: what to practice, the evidence, and what sessions changed."""

from typing import NamedTuple

from arcdrift.analysis.people.before_after import CAUTION, before_after
from arcdrift.analysis.people.coaching_topics import TOPICS
from arcdrift.errors import UsageError
from arcdrift.figures.hands import days_with_sessions, hand_dots
from arcdrift.instants import day_text
from arcdrift.people import HIDDEN
from arcdrift.wording import capitalized, count_text
from dashboard.components import View, shown_day
from dashboard.pages.coaching.people_rows import rows_of, topics_of_person
from dashboard.pages.coaching.person import (
    NOTHING_STANDS_OUT,
    days,
    hands,
    has_figures,
    sessions_of,
    why_no_figures,
)
from dashboard.pages.coaching.person_to_show import FOR_YOU
from dashboard.pages.coaching.sessions import change_words, nothing_told
from dashboard.pages.coaching.topic_cards import ANSWERS, measure_of
from dashboard.reports.report import Asked, Contents
from dashboard.url_query import shown

MOST_SESSIONS = 8


class Topic(NamedTuple):
    """Something to practice, and the evidence for it."""

    name: str
    headline: str
    answer: str
    evidence: str
    practice: str


class Session(NamedTuple):
    """A coaching session and what changed after it."""

    topic: str
    day: str
    changes: list[tuple[str, str, str]]
    nothing: str


def person_report(asked: Asked) -> Contents:
    """Return the contents of one person's report, by the name as it may be shown.

    Raises
    ------
    UsageError
        Where nobody has that name, or whoever asks may not see them.
    """
    view = asked.view
    name = _asked_person(view)
    person = topics_of_person(view, name)
    person_days, measure = days(view), measure_of(person.topics)
    made = count_text(int(person_days["splices"].sum()), "splice")
    return Contents(
        f"{name}: work and practice",
        f"{made} on {count_text(len(person_days), 'day')} up to {day_text(view.data.today())}.",
        name,
        {
            "for_you": FOR_YOU,
            "topics": [
                Topic(
                    TOPICS[topic.kind],
                    topic.headline,
                    "" if topic.evidence is None else _answer(ANSWERS[topic.evidence.answer]),
                    "" if topic.evidence is None else topic.evidence.words,
                    topic.practice,
                )
                for topic in person.topics
            ],
            "nothing": NOTHING_STANDS_OUT
            if has_figures(view, name)
            else why_no_figures(view, name),
            "by_machine": hand_dots(hands(view), measure),
            "over_time": days_with_sessions(person_days, sessions_of(view), measure),
            "sessions": _sessions(view, name),
            "caution": CAUTION,
        },
    )


def _answer(words: tuple[str, str, str]) -> str:
    mark, answer, _ = words
    return f"{mark} {capitalized(answer)}"


def _asked_person(view: View) -> str:
    name = view.query.get("technician", "")
    if not view.data.people.any_pages:
        raise UsageError(HIDDEN)
    if name not in set(rows_of(view, "person_days").get("technician", [])):
        raise UsageError(f"Nobody named {shown(name)} is on record." if name else "Say whom.")
    return name


def _sessions(view: View, name: str) -> list[Session]:
    person_days = days(view)
    notes = view.data.coaching_notes(name).sort_values(["held_on", "id"], ascending=False)
    found = []
    for note in notes.head(MOST_SESSIONS).to_dict("records"):
        changes = before_after(person_days, str(note["held_on"]))
        told = [(each.measure, *change_words(each)) for each in changes if each.change is not None]
        found.append(
            Session(
                str(note["topic"]),
                shown_day(str(note["held_on"])),
                told,
                "" if told else nothing_told(changes),
            )
        )
    return found
