"""Names that the lines above a table state, such as "Station: Harbor"."""

import re
from collections.abc import Iterator
from itertools import pairwise

from arcdrift.intake.draft.headers.word_lists import QUALIFIED
from arcdrift.intake.draft.questions import Question
from arcdrift.intake.draft.sample import Sample

_TEXTS = {
    "site": "Which site are these records of?",
    "splicer": "Which splicer are these records of?",
    "asset": "Which splicer or cleaver are these records of?",
}


def name_for_all_rows(sample: Sample, column: str) -> tuple[str | None, Question | None]:
    """Find the name that stands for a needed column in all rows of a sample.

    A name above the table is taken if the crew's settings have it; else it is asked about, because
    what stands there may be more than the name.

    Returns
    -------
    name, question
        The name, None if it is open; and what is to be asked then.
    """
    key = f"fixed.{column}"
    answer = sample.answers.get(key)
    if answer:
        return answer, None
    stated = dict.fromkeys(_stated_names(sample, column))
    crew = sample.crew
    known = set() if crew is None else set(crew.sites if column == "site" else crew.splicers)
    named = [name for name in stated if name in known]
    if len(named) == 1:
        return named[0], None
    suggestion = named or list(stated)
    return None, Question(
        key, _TEXTS[column], suggestion=suggestion[-1] if suggestion else "", lasting=False
    )


def _stated_names(sample: Sample, column: str) -> Iterator[str]:
    """Names beside a word for a column, as written and without what stands in brackets."""
    for line in sample.table.preamble:
        cells = [cell.strip(' "') for cell in line.split(sample.table.rows.delimiter)]
        pairs = [cell.partition(":")[::2] for cell in cells if ":" in cell]
        pairs += pairwise(cells)
        for word, name in pairs:
            if name.strip() and sample.words.fit(word.strip(" :"), column) >= QUALIFIED:
                yield name.strip()
                yield re.sub(r"\s*[(\[].*?[)\]]", "", name).strip()
