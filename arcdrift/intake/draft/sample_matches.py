"""Find the header of each column of a sample where its values fit, and ask where several do."""

import re
from collections.abc import Mapping, Sequence

from arcdrift.intake.draft.headers.header_match import Match, match_headers
from arcdrift.intake.draft.headers.header_words import key_of
from arcdrift.intake.draft.headers.word_lists import IF_NO_OTHER
from arcdrift.intake.draft.questions import Option, Question
from arcdrift.intake.draft.sample import Sample

_STATION = re.compile(r"[A-Z]{4}|[0-9]{5}")


def match_sample(sample: Sample, time: Sequence[str]) -> dict[str, Match]:
    """The header of each column, where its values fit."""

    def fits(column: str, header: str) -> bool:
        if column in sample.kind.numbers:
            return sample.numbers(column, header).are_numbers
        if column == "station":
            return _are_stations(sample, header)
        if not sample.kind.allowed_words(column):
            return True
        names = sample.names(header)
        if max(sample.words.fit(name, column) for name in names) > IF_NO_OTHER:
            return True
        known = sample.words.meanings.get((sample.kind.name, column), {})
        values = sample.values(header)
        return not values.empty and values.map(lambda value: key_of(value) in known).mean() >= 0.5

    chosen = {
        key.removeprefix("columns."): header
        for key, header in sample.answers.items()
        if key.startswith("columns.") and key.count(".") == 1
    }
    chosen.pop(sample.kind.time_column, None)
    return match_headers(
        sample.headers,
        sample.kind,
        sample.words,
        aliases=sample.table.aliases,
        fits=fits,
        time=time,
        chosen=chosen,
    )


def _are_stations(sample: Sample, header: str) -> bool:
    """Whether a column holds weather stations: those of the crew, or four letters or five digits.

    Else a station is a site of the crew.
    """
    known = () if sample.crew is None else sample.crew.stations
    return all(name in known or _STATION.fullmatch(name) for name in sample.values(header))


def match_questions(sample: Sample, found: Mapping[str, Match]) -> list[Question]:
    """What is to be asked about headers that are guesses, or of which several fit."""
    questions = []
    for column, match in found.items():
        key = f"columns.{column}"
        if match.rivals:
            headers = (match.header, *match.rivals)
            named = " and ".join(repr(header) for header in headers)
            options = tuple(Option(header, header) for header in headers)
            questions.append(Question(key, f"{named} may both be {column}; which is it?", options))
        elif match.guessed:
            options = (
                Option(match.header, f"yes, it is {column}"),
                Option("", "no, leave it out"),
            )
            text = f"Is the column {match.header!r} our {column} ({match.guessed})?"
            questions.append(Question(key, text, options))
    return questions
