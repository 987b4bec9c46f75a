"""Sentences on how far service moves settings and losses."""

from dataclasses import replace

from arcdrift.analysis.arc.arc_model import ArcModel, fit_arc
from arcdrift.analysis.arc.level_moves import ServiceMove
from dashboard.service_moves_text import arc_moves_text, loss_moves_text
from tests.analysis.arc.arc_truth import PHI, simulated_points


def test_moves_of_the_arc_are_told_with_their_size_and_number() -> None:
    points, _ = simulated_points(1, 60, seed=5)
    model, _ = fit_arc("s0", points, "steps", None, PHI)
    assert isinstance(model, ArcModel)
    seen = ServiceMove("electrodes replaced", -0.4, 4.2, 6)
    unseen = ServiceMove("factory service or new firmware", 0.0, 7.5, 0)
    assert arc_moves_text(replace(model, service_moves=(seen, unseen))) == (
        "electrodes replaced: about ±4 steps (seen 6 times on this model)"
    )
    aside = replace(seen, mean=-3.0, events=1)
    assert arc_moves_text(replace(model, service_moves=(aside, unseen))) == (
        "electrodes replaced: about -3 steps, give or take 4 (seen once on this model)"
    )
    none = replace(seen, events=0, sd=7.5)
    assert arc_moves_text(replace(model, service_moves=(none, unseen))) == (
        "not seen often enough yet; about ±7.5 steps is assumed"
    )


def test_moves_of_losses_are_told_in_percent() -> None:
    assert loss_moves_text({"electrodes replaced": (0.034, 12), "factory service": (0.1, 0)}) == (
        "electrodes replaced: about ±3 % (seen 12 times in this crew)"
    )
    assert loss_moves_text({}) == "not seen often enough yet; about ±10 % is assumed"
