"""Words in times, months and halves of the day, in the form that strptime codes read."""

from collections.abc import Sequence

import pyarrow as pa
import pyarrow.compute as pc

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
"""What the code %b reads."""
_NO_BREAK_SPACE = "[\\x{a0}\\x{202f}]"
_HALF = r"([AaPp])\. ?[Mm]\.?"
"""Half of the day with points, as in ``8:05 p. m.``"""


def with_plain_words(times: pa.ChunkedArray, months: Sequence[str] = ()) -> pa.ChunkedArray:
    """Replace the words in times by those of strptime codes.

    Parameters
    ----------
    times : ChunkedArray of text
        Times as they are written.
    months : sequence of str
        For each month its names, with a blank between them; a point behind a name belongs to it.
    """
    times = pc.replace_substring_regex(times, _NO_BREAK_SPACE, " ")
    times = pc.replace_substring_regex(times, _HALF, r"\1M")
    for month, names in zip(MONTHS, months, strict=False):
        # longer names first, as some are the beginnings of others
        written = "|".join(sorted(names.split(), key=len, reverse=True))
        name = rf"(?i)(^|[^\pL])(?:{written})\.?([^\pL]|$)"
        times = pc.replace_substring_regex(times, name, rf"\1{month}\2")
    return times
