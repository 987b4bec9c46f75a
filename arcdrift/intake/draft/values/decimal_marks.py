"""Decide what the marks in the numbers of a file stand for: decimals or thousands."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import replace

import pandas as pd

from arcdrift.intake.draft.questions import Option, Question
from arcdrift.intake.draft.values.units import is_possible
from arcdrift.intake.draft.values.value_formats import Marks
from arcdrift.intake.layout.layouts import Decimal
from arcdrift.intake.typing.cells import as_cells, numbers
from arcdrift.quantities import QUANTITIES


def decimal_of_file(marks: Iterable[Marks]) -> Decimal:
    """The decimal mark of most columns that decide it."""
    decided = Counter(mark.decimal for mark in marks if mark.decided)
    return "," if decided[","] > decided["."] else "."


def settled_marks(
    column: str,
    values: pd.Series,
    marks: Marks,
    unit: str | None,
    others: Iterable[Marks],
    answers: Mapping[str, str],
) -> tuple[Marks, Question | None]:
    """Decide the mark of a column whose own values leave it open, such as 1.234.

    A count is a whole number, so its mark stands for thousands. A value must lie within the bounds
    of its column. Else the mark means what it means in the other columns of the file.

    Returns
    -------
    marks, question
        The marks, and what is to be asked if nothing decides.
    """
    if marks.mark is None:
        return marks, None
    other: Decimal = "," if marks.mark == "." else "."
    same: Decimal = "." if marks.mark == "." else ","
    decimal = replace(marks, decimal=same, thousands=None, decided=True, mark=None)
    thousands = replace(marks, decimal=other, thousands=marks.mark, decided=True, mark=None)
    if QUANTITIES[column].unit == "count":
        return thousands, None
    cells = as_cells(values)
    fits = [
        is_possible(column, numbers(cells, choice.decimal, choice.thousands).values, unit)
        for choice in (decimal, thousands)
    ]
    if fits[0] != fits[1]:
        return (decimal if fits[0] else thousands), None
    of_others = {mark.decimal for mark in others if mark.decided}
    if len(of_others) == 1:
        return (decimal if of_others == {marks.mark} else thousands), None
    key = f"columns.{column}.decimal"
    answer = answers.get(key)
    if answer is not None:
        return (decimal if answer == marks.mark else thousands), None
    sample = str(values[values.str.contains(marks.mark, regex=False)].iloc[0])
    whole, rest = sample.split(marks.mark, 1)
    options = (
        Option(marks.mark, f"decimals: {whole} and a fraction"),
        Option(other, f"thousands: {whole}{rest}"),
    )
    text = f"What does {marks.mark!r} stand for in numbers such as {sample}?"
    return marks, Question(key, text, options)
