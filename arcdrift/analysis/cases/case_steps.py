"""The step advised for a case: it follows the likely causes, without what was done already."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from arcdrift.finding import NO_CAUSE

POWER_OFF = "with the power off"
GLASS = "wear eye protection and collect every shard of glass"


class Step(NamedTuple):
    """What to do about a cause.

    Attributes
    ----------
    cause : str
        How the causes begin for which it is.
    text : str
        One sentence without its full stop.
    done_by : tuple of str
        Service actions, or kinds of action, that are this step.
    """

    cause: str
    text: str
    done_by: tuple[str, ...]


STEPS = (
    Step(
        "arc:",
        "Run the arc check, and see whether the setting then suits the air",
        ("check",),
    ),
    Step(
        "worn electrodes",
        f"Replace the electrodes {POWER_OFF}, as the maker's manual says, and run the arc check",
        ("electrodes replaced", "factory service"),
    ),
    Step(
        "the splicer itself",
        f"Clean v-grooves, clamps and lenses {POWER_OFF}, and splice a few test fibers",
        ("v-grooves cleaned", "cleaned", "factory service"),
    ),
    Step(
        "cleaving: the blade",
        f"Turn the blade or replace it ({GLASS}), and compare the angles of a day",
        ("blade rotated", "blade replaced"),
    ),
    Step(
        "cleaving:",
        "Swap the fiber holders left to right: if the bad side moves with them, it is the holder",
        ("holders swapped",),
    ),
    Step(
        "one technician's splices, or",
        "Let two people swap splicers for some days: only that tells person and machine apart",
        ("swap",),
    ),
    Step(
        "one technician's splices",
        "Watch strip, clean, cleave and load together, on another splicer and cleaver",
        ("coaching",),
    ),
    Step(
        "a change of hands",
        "Watch strip, clean, cleave and load together, on another splicer and cleaver",
        ("coaching",),
    ),
    Step("service:", "Look again at the service that came just before it", ()),
    Step("the place:", "Look for dust, wind and damp at the place, and shelter the work", ()),
    Step("this program", "Compare the program with another one on the same fiber", ()),
    Step("other fibers", "Splice the fiber used before, and compare", ()),
    Step("a program on all", "Compare the program with another one, and ask for fiber batches", ()),
    Step("the whole crew", "Ask what changed for everybody: fiber, closures, weather", ()),
)
"""Steps by the beginning of the cause, as in ``arcdrift.analysis.causes.*_hypotheses``."""
LEAST_WEIGHT = 0.05
"""Causes less likely than this are not followed."""


def step_after(causes: Sequence[Mapping[str, Any]], done: Iterable[str], usual_step: str) -> str:
    """Return the step for the likeliest cause about which nothing was done yet.

    Parameters
    ----------
    causes : sequence of mapping
        ``cause`` and ``weight``, the likeliest first.
    done : iterable of str
        What was done since the onset: service actions, or texts that begin with a kind of action.
    usual_step : str
        Step of the finding, given where nothing was done, no cause is likely, or chance is the
        likeliest and the causes after it were acted on.
    """
    actions = list(done)
    likely = [one for one in causes if one["weight"] >= LEAST_WEIGHT]
    if not actions or not likely:
        return usual_step
    for cause in likely:
        step = next((one for one in STEPS if str(cause["cause"]).startswith(one.cause)), None)
        if step is None or any(
            action.startswith(step.done_by) for action in actions if step.done_by
        ):
            continue
        rank = "The likeliest" if cause is likely[0] else "The next likeliest"
        return f"{rank} cause is {cause['cause']}. {step.text}."
    if likely[0]["cause"] == NO_CAUSE:
        # no cause is named on screens, so none can be said to have been acted on
        return usual_step
    return (
        "Every likely cause was acted on. Have the splicer looked at by its service, or ask "
        "somebody who sees it for the first time."
    )
