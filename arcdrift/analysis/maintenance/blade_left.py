"""What is left of a cleaver's blade: cleaves on its position, and whether it is the last one.

Pages, lists and findings write both with these functions.
"""

from arcdrift.settings import Blade

NEW_BLADE = "last position: have a new blade ready"


def cleaves_left(cleaves: float | None, blade: Blade) -> int | None:
    """Cleaves left on a position, 0 once it is used up; None if its cleaves are not known."""
    return None if cleaves is None else max(blade.cleaves_per_position - int(cleaves), 0)


def is_last_position(position: str | None, positions_used: float | None, blade: Blade) -> bool:
    """Whether a blade has no further position.

    Parameters
    ----------
    position : str or None
        As logged with the splices; on most cleavers a number that counts up to ``positions``.
    positions_used : float or None
        Positions used since the blade was replaced, with the present one; None where no
        replacement is on record. Either of the two is enough.
    """
    number = _position_number(position)
    return (number is not None and number >= blade.positions) or (
        positions_used is not None and positions_used >= blade.positions
    )


def positions_left(position: str | None, positions_used: float | None, blade: Blade) -> int | None:
    """Positions of a blade that come after the present one; None where that is not known."""
    number = _position_number(position)
    known = [
        int(used)
        for used in (number if number is not None and number >= 1 else None, positions_used)
        if used is not None
    ]
    return max(blade.positions - max(known), 0) if known else None


def position_text(position: str | None, blade: Blade) -> str:
    """Write a position: "position 7 of 16"; without the total where it is not such a number."""
    if position is None:
        return "its present position"
    number = _position_number(position)
    counted = number is not None and 1 <= number <= blade.positions
    return f"position {position} of {blade.positions}" if counted else f"position {position}"


def cleaves_left_text(cleaves: float, blade: Blade) -> str:
    """Write cleaves left: "about 300 cleaves left", "no cleaves left, about 40 over its 1,000"."""
    left = blade.cleaves_per_position - int(cleaves)
    if left > 0:
        return f"about {left:,} cleaves left"
    over = f", about {-left:,} over its {blade.cleaves_per_position:,}" if left < 0 else ""
    return f"no cleaves left{over}"


def blade_text(
    cleaves: float, position: str | None, positions_used: float | None, blade: Blade
) -> str:
    """Write what is left on a position, and that it is the last one where it is.

    For example "position 7 of 16: about 300 cleaves left".
    """
    text = f"{position_text(position, blade)}: {cleaves_left_text(cleaves, blade)}"
    last = is_last_position(position, positions_used, blade)
    return f"{text}; {NEW_BLADE}" if last else text


def turn_step(*, last: bool, blade: Blade) -> str:
    """Write what to do with a used position, as the beginning of a sentence.

    Parameters
    ----------
    last : bool
        Whether the blade has no further position (`is_last_position`).
    """
    if last:
        return f"Replace the blade: this is the last of its {blade.positions} positions"
    return "Turn the blade to its next position"


def due_text(days_left: float | None, *, last: bool) -> str:
    """Write when a blade is due: "turn in about 3 workdays", "new blade now".

    Parameters
    ----------
    days_left : float or None
        Workdays until the position is used up; negative once it is, None where not known.
    last : bool
        Whether the blade has no further position (`is_last_position`).
    """
    what = "new blade" if last else "turn"
    if days_left is None:
        return what if last else ""
    if days_left <= 0:
        return f"{what} due now"
    return f"{what} in about {days_left:.0f} workday{'s' if days_left >= 1.5 else ''}"


def _position_number(position: str | None) -> int | None:
    text = "" if position is None else position.strip().removesuffix(".0")
    return int(text) if text.isdecimal() else None
