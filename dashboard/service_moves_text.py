"""Sentences on how far service moves the level of a splicer's losses and its arc setting."""

from collections.abc import Mapping

from arcdrift.analysis.arc.arc_model import ArcModel
from arcdrift.analysis.loss.service_shift import PRIOR_SHIFT


def loss_moves_text(shifts: Mapping[str, tuple[float, int]]) -> str:
    """Sentence on how far each kind of service moves the level of a stream.

    ``shifts``: relative standard deviation of the moves and number of events, by action.
    """
    parts = []
    for action, (shift, events) in shifts.items():
        if events:
            parts.append(
                f"{action}: about ±{100 * shift:.0f} % (seen {_times(events)} in this crew)"
            )
    return (
        "; ".join(parts)
        or f"not seen often enough yet; about ±{100 * PRIOR_SHIFT:.0f} % is assumed"
    )


def arc_moves_text(model: ArcModel) -> str:
    """Sentence on how far each kind of service moves the setting of a splicer's model."""
    parts = []
    for move in model.service_moves:
        if not move.events:
            continue
        digits = 0 if move.sd >= 3.0 else 1
        size = f"±{move.sd:.{digits}f} {model.unit}"
        if abs(move.mean) >= move.sd / 2.0:
            size = f"{move.mean:+.{digits}f} {model.unit}, give or take {move.sd:.{digits}f}"
        parts.append(f"{move.service}: about {size} (seen {_times(move.events)} on this model)")
    if parts:
        return "; ".join(parts)
    assumed = [f"±{move.sd:.1f} {model.unit}" for move in model.service_moves[:1]]
    return "not seen often enough yet" + "".join(f"; about {size} is assumed" for size in assumed)


def _times(events: int) -> str:
    return "once" if events == 1 else f"{events} times"
