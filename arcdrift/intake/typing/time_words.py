"""Words in times: months and halves of the day for strptime codes; weekdays are taken out."""

from collections.abc import Sequence

import pyarrow as pa
import pyarrow.compute as pc

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
"""What the code %b reads."""
_NO_BREAK_SPACE = "[\\x{a0}\\x{202f}]"
_HALF = r"([AaPp])\. ?[Mm]\.?"
"""Half of the day with points, as in ``8:05 p. m.``"""

_WEEKDAYS = (
    *("mon tue tues wed thu thur thurs fri sat sun", "mo di mi do fr sa so"),
    "monday tuesday wednesday thursday friday saturday sunday",
    "montag dienstag mittwoch donnerstag freitag samstag sonnabend sonntag",
    *("lun mar mer jeu ven sam dim", "lundi mardi mercredi jeudi vendredi samedi dimanche"),
    "lu ma me je ve",
    *("mié mie jue vie sáb sab dom", "lunes martes miércoles jueves viernes sábado domingo"),
    *("seg ter qua qui sex", "segunda terça quarta quinta sexta"),
    "segunda-feira terça-feira quarta-feira quinta-feira sexta-feira",
    *("gio", "lunedì martedì mercoledì giovedì venerdì sabato domenica"),
)
"""Names of weekdays in the languages of the word lists; they may stand before a whole date."""
_WEEKDAY = (
    rf"(?i)^\s*(?:{'|'.join(sorted(' '.join(_WEEKDAYS).split(), key=len, reverse=True))})"
    # what follows is a date by itself: "mar 16 2026" is the month of March
    r"\.?,?\s+(\d{1,4}[./-]\d|\d{1,2}\.?[ -](?:de )?\pL|\pL+\.? \d)"
)


def without_weekdays(times: pa.ChunkedArray) -> pa.ChunkedArray:
    """Take out the name of a weekday that stands before a date, as in ``Mo., 16.11.2026``."""
    return pc.replace_substring_regex(times, _WEEKDAY, r"\1")


def with_plain_words(times: pa.ChunkedArray, months: Sequence[str] = ()) -> pa.ChunkedArray:
    """Replace the words in times by those of strptime codes, and take out weekdays.

    Parameters
    ----------
    times : ChunkedArray of text
        Times as they are written.
    months : sequence of str
        For each month its names, with a blank between them; a point behind a name belongs to it.
    """
    times = pc.replace_substring_regex(times, _NO_BREAK_SPACE, " ")
    times = pc.replace_substring_regex(times, _HALF, r"\1M")
    times = without_weekdays(times)
    for month, names in zip(MONTHS, months, strict=False):
        # longer names first, as some are the beginnings of others
        written = "|".join(sorted(names.split(), key=len, reverse=True))
        name = rf"(?i)(^|[^\pL])(?:{written})\.?([^\pL]|$)"
        times = pc.replace_substring_regex(times, name, rf"\1{month}\2")
    return times
