"""Whom to see about what this week: topics for coaching, each with fair evidence.

Pure: rows as they may be shown go in, so that nobody's name comes out who may not be seen.
"""

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import pandas as pd

from arcdrift.analysis.people.fair_evidence import FairEvidence, fair_evidence
from arcdrift.instants import day_text
from arcdrift.settings import Prep
from arcdrift.wording import count_text, interval_text, screen_text

RECENT_DAYS = 28
"""Days without evidence after which a topic is left alone (common practice, no source)."""
TOPICS = {
    "cleaving": "Cleaving",
    "side": "One side of the cleave",
    "runs": "Runs of bad cleaves",
    "cleaning": "Cleaning and stripping",
    "first-splices": "First splices of the day",
    "tiring": "End of the day",
    "loss": "Loss",
    "sign-off": "Sign-off",
    "learning": "Still learning",
}
"""Short names of topics, in the order in which they are worth seeing to."""
_TOPIC_OF_KIND = {
    "both-sides": "cleaving",
    "one-side": "side",
    "cleave-run": "runs",
    "dirt": "cleaning",
    "first-splices": "first-splices",
    "tiring": "tiring",
    "learning": "learning",
}
PRACTICE = {
    "cleaving": "Cleave ten fibers together on a cleaver that others cleave well with, and read "
    "each angle. Look at stripping length, how the fiber lies in the holder, and how the blade is "
    "drawn.",
    "side": "Lay the fiber into the holder of that side together, clean its clamp, and cleave ten.",
    "runs": "Turn the blade first, then cleave ten fibers together: if the run goes on, it is how "
    "the fiber is held.",
    "cleaning": "Strip and clean five fibers together: a fresh wipe for each, nothing touched "
    "after it, and the v-grooves brushed before the first.",
    "first-splices": "Begin the day together: brush the v-grooves, run the arc check, make two "
    "test splices, then start.",
    "tiring": "Plan the breaks of a long day, and change hands for its last hours.",
    "loss": "Watch five splices from stripping to the sleeve; the log does not say which step it "
    "is.",
    "sign-off": "Go on with the practice splices until the test answers; until then splice beside "
    "somebody who is signed off.",
    "learning": "Nothing is wrong: go on, and look again in two weeks.",
}
_WITHOUT_HAND = "Look at {suspect} before anything is said about the hand."
_ON_ANGLES = ("cleaving", "runs")


@dataclass(frozen=True)
class CoachingTopic:
    """Something to see one person about.

    Attributes
    ----------
    kind : str
        A key of `TOPICS`.
    headline : str
        What is seen, in one sentence.
    evidence : FairEvidence or None
        Whether it shows apart from the suspect machine; None where machines have no part in it.
    practice : str
        What to do together.
    """

    kind: str
    headline: str
    evidence: FairEvidence | None
    practice: str


@dataclass(frozen=True)
class PersonTopics:
    """One person whom to see.

    Attributes
    ----------
    splices : int
        Splices of the period the figures rest on.
    session : Series or None
        The latest session, a row of the coaching log.
    """

    technician: str
    splices: int
    topics: tuple[CoachingTopic, ...]
    session: pd.Series | None


@dataclass(frozen=True)
class Rows:
    """Result tables about people, without the ``result_`` of their names, as they may be shown.

    ``notes`` are the coaching log.
    """

    people: pd.DataFrame
    signatures: pd.DataFrame
    hands_by_machine: pd.DataFrame
    cleave_runs: pd.DataFrame
    sign_offs: pd.DataFrame
    person_days: pd.DataFrame
    notes: pd.DataFrame


def unsigned_production(
    sign_offs: pd.DataFrame, person_days: pd.DataFrame, technician: str
) -> tuple[int, pd.Series] | None:
    """Count a person's production splices since they began to practice without being signed off.

    Returns
    -------
    splices : int
    attempt : Series
        The latest attempt; None for both where there was none, it ended in "ready", or no
        production splice was made since the first.
    """
    attempts = sign_offs[sign_offs["technician"] == technician] if len(sign_offs) else sign_offs
    if attempts.empty:
        return None
    attempts = attempts.sort_values("attempt")
    if (attempts["verdict"] == "ready").any():
        return None
    began = f"{attempts['since'].iloc[0]:%Y-%m-%d}"
    own = person_days[(person_days["technician"] == technician) & (person_days["day"] >= began)]
    splices = int(own["splices"].sum())
    return (splices, attempts.iloc[-1]) if splices else None


def person_topics(rows: Rows, technician: str, prep: Prep, today: date) -> PersonTopics:
    """Return what there is to see one person about, maybe nothing.

    Parameters
    ----------
    technician : str
        By the name as shown.
    today : date
        Local day; what has no evidence in the `RECENT_DAYS` before it is left alone.
    """
    recent = (today - timedelta(days=RECENT_DAYS)).isoformat()
    days = _of(rows.person_days, technician)
    found = [
        *_signature_topics(rows, technician, recent),
        *_loss_topics(rows, technician, prep, recent),
        *_sign_off_topics(rows, technician, recent),
    ]
    kinds = [topic.kind for topic in found]
    topics = [
        topic
        for topic in sorted(found, key=lambda topic: list(TOPICS).index(topic.kind))
        # a risen loss whose cause is known has no topic of its own, nor runs of bad cleaves
        if not (topic.kind == "loss" and {"cleaving", "side", "cleaning"} & set(kinds))
        and not (topic.kind == "runs" and "cleaving" in kinds)
    ]
    person = PersonTopics(technician, int(days["splices"].sum()), tuple(topics), None)
    return with_latest_session(person, rows.notes)


def with_latest_session(person: PersonTopics, notes: pd.DataFrame) -> PersonTopics:
    """Return somebody's topics with the latest session in a coaching log, if there is one."""
    own = _of(notes, person.technician)
    session = own.sort_values(["held_on", "id"]).iloc[-1] if len(own) else None
    return replace(person, session=session)


def coaching_topics(rows: Rows, prep: Prep, today: date) -> list[PersonTopics]:
    """Return everybody with a topic this week, by name and never by rank."""
    found = (person_topics(rows, name, prep, today) for name in _candidates(rows, prep))
    return [person for person in found if person.topics]


def _candidates(rows: Rows, prep: Prep) -> list[str]:
    """Return the names of everybody about whom there may be a topic, in order."""
    names: set[str] = set()
    if len(rows.signatures):
        about = rows.signatures["subject_type"] == "technician"
        names |= set(rows.signatures.loc[about, "subject"].astype(str))
    if len(rows.people):
        high = (rows.people["who"] == "technician") & (rows.people["sure"] >= prep.sure)
        names |= set(rows.people.loc[high, "name"].astype(str))
    if len(rows.sign_offs):
        names |= set(rows.sign_offs["technician"].astype(str))
    return sorted(names & set(rows.person_days["technician"].astype(str)))


def _of(rows: pd.DataFrame, technician: str) -> pd.DataFrame:
    return rows[rows["technician"] == technician] if len(rows) else rows


def _signature_topics(rows: Rows, technician: str, recent: str) -> Iterable[CoachingTopic]:
    own = rows.signatures
    if own.empty:
        return
    own = own[(own["subject_type"] == "technician") & (own["subject"] == technician)]
    hands = _of(rows.hands_by_machine, technician)
    suspect = _suspect_cleaver(_of(rows.cleave_runs, technician))
    for row in own.to_dict("records"):
        kind = _TOPIC_OF_KIND.get(str(row["kind"]))
        if kind is None or f"{row['until']:%Y-%m-%d}" < recent:
            continue
        evidence = None
        if kind in (*_ON_ANGLES, "cleaning"):
            measure = "angle" if kind in _ON_ANGLES else "loss"
            of_measure = hands[hands["measure"] == measure] if len(hands) else hands
            if len(of_measure) or not len(rows.hands_by_machine):
                evidence = fair_evidence(of_measure, suspect) if len(of_measure) else None
        headline = _headline(kind, row)
        practice = PRACTICE[kind]
        if evidence is not None and evidence.answer == "the machine":
            practice = _WITHOUT_HAND.format(suspect=evidence.suspect)
        yield CoachingTopic(kind, headline, evidence, practice)


def _percent_interval(row: Mapping[Hashable, Any], name: str) -> str:
    value, low, high = (100 * float(row[key]) for key in (name, "low", "high"))
    return interval_text(value, low, high, "%")


def _headline(kind: str, row: Mapping[Hashable, Any]) -> str:
    if kind == "cleaving":
        numbers = _percent_interval(row, "estimate")
        return f"Cleave angles {numbers} above the median colleague's, on both sides."
    return screen_text(str(row["words"]))


def _suspect_cleaver(runs: pd.DataFrame) -> str:
    """Return the cleaver of most of a person's runs of bad cleaves; empty for none."""
    cleavers = runs["cleaver"].dropna() if len(runs) else pd.Series(dtype="str")
    return str(cleavers.mode().iloc[0]) if len(cleavers) else ""


def _loss_topics(rows: Rows, technician: str, prep: Prep, recent: str) -> Iterable[CoachingTopic]:
    people = rows.people
    if people.empty:
        return
    own = people[
        (people["who"] == "technician")
        & (people["name"] == technician)
        & (people["measure"] == "loss")
        & (people["sure"] >= prep.sure)
    ]
    days = _of(rows.person_days, technician)
    if own.empty or days.empty or str(days["day"].max()) < recent:
        return
    row = own.iloc[0]
    numbers = _percent_interval(row.to_dict(), "effect")
    hands = _of(rows.hands_by_machine, technician)
    of_loss = hands[hands["measure"] == "loss"] if len(hands) else hands
    evidence = fair_evidence(of_loss) if len(of_loss) else None
    practice = PRACTICE["loss"]
    if evidence is not None and evidence.answer == "the machine":
        practice = _WITHOUT_HAND.format(suspect=evidence.suspect)
    yield CoachingTopic("loss", f"Loss {numbers} above the median colleague's.", evidence, practice)


def _sign_off_topics(rows: Rows, technician: str, recent: str) -> Iterable[CoachingTopic]:
    found = unsigned_production(rows.sign_offs, rows.person_days, technician)
    if found is None:
        return
    days = _of(rows.person_days, technician)
    if str(days["day"].max()) < recent:
        return
    splices, attempt = found
    more = int(attempt["more"])
    stands = {
        "keep practicing": f"the practice needs about {count_text(more, 'more splice')}",
        "not yet": "the latest practice ended in: not yet",
        "trainer decides": "the practice gave no answer: the trainer decides",
    }.get(str(attempt["verdict"]), str(attempt["verdict"]))
    yield CoachingTopic(
        "sign-off",
        f"{count_text(splices, 'production splice')} made without a sign-off since practice began "
        f"on {day_text(attempt['since'])}; {stands}.",
        None,
        PRACTICE["sign-off"],
    )
