"""Say in a sentence how a file is read with a drafted layout."""

from collections.abc import Iterator

from arcdrift.intake.draft.draft_toml import Draft

_DECIMALS = {",": "decimal comma", ".": "decimal point"}
_MARKS = {",": "commas", ".": "points", " ": "blanks", "'": "apostrophes"}


def reading_summary(draft: Draft) -> str:
    """How a file is read: language, columns, marks, dates, words, and what is left out."""
    parts = [", ".join(_writing(draft)), "; ".join(_words(draft)), "; ".join(_left_out(draft))]
    how = "; ".join(part for part in parts if part)
    return f"{draft.name} is read as {draft.language} {draft.kind.name}: {how}."


def _writing(draft: Draft) -> Iterator[str]:
    """Numbers, dates, units and zone."""
    if any(column.ours in draft.kind.numbers for column in draft.columns):
        yield _DECIMALS[draft.decimal]
    thousands = {column.thousands for column in draft.columns if column.thousands}
    yield from (f"{_MARKS[mark]} between thousands" for mark in sorted(thousands))
    if draft.time_format.choices:
        yield f"{draft.time_format.choices[0].order} ({draft.time_format.sample})"
    if draft.time_zone is not None:
        yield f"times in {draft.time_zone}"
    yield from (f"{column.header} in {column.unit}" for column in draft.columns if column.unit)


def _words(draft: Draft) -> Iterator[str]:
    """Which column is which, and what words mean."""
    time = " + ".join(draft.time)
    pairs = [f"{time} = {draft.kind.time_column}"]
    for column in draft.columns:
        none = ", ".join(word for word, ours in column.values.items() if not ours)
        pairs.append(f"{column.header} = {column.ours}" + (f" (but {none})" if none else ""))
    yield "columns " + ", ".join(pairs)
    for column in draft.columns:
        meanings = ", ".join(f"{word} = {ours}" for word, ours in column.values.items() if ours)
        if meanings:
            yield f"column {column.header}: {meanings}"
    yield from (f"{ours}: {value}" for ours, value in draft.fixed.items())
    if draft.missing:
        yield f"no value: {' '.join(draft.missing)}"


def _left_out(draft: Draft) -> Iterator[str]:
    """Columns and lines that are not read."""
    if draft.unmatched:
        yield f"ignored: {', '.join(draft.unmatched)}"
    before = len(draft.table.preamble)
    if before:
        yield f"{before} {'line' if before == 1 else 'lines'} before the header left out"
    words = draft.table.footer.words
    if words:
        starts = ", ".join(repr(word) for word in words)
        yield f"no rows but sums and notes: lines with {starts}"
