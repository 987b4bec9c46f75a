"""What a wrong setting costs: planted costs found again, and refusals in words."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.arc.arc_model import ArcModel, Effect
from arcdrift.analysis.setting_cost.mismatch_cost import (
    MismatchCost,
    cost_summary,
    cost_table,
    costs_from_table,
)
from arcdrift.analysis.setting_cost.mismatch_groups import mismatch_cells
from arcdrift.analysis.setting_cost.mismatch_model import estimate_mismatch_costs
from arcdrift.settings import Crew

CREW = Crew.model_validate(
    {
        "name": "invented",
        "time_zone": "UTC",
        "splicers": {name: {"model": "Model A"} for name in ("Heron", "Kestrel", "Plover")},
        "programs": {"plain": {"class": "fixed"}, "clever": {"class": "self-adjusting"}},
    }
)
SIGMA = 3.0
DENSITY, VAPOR = 1.2, 10.0
LEVEL = 100.0


def fitted(splicer: str) -> ArcModel:
    """Splicer whose arc needs 100 at new electrodes in the one air of these tests."""
    nothing = Effect("air", "air", "across the air seen", 0.0, 0.0, 0.0, None)
    return ArcModel(
        splicer=splicer, unit="steps", checks=90, used=90, excluded={}, epochs=1, effects=(),
        air_span=nothing, pooled=(), peers=2, pooling_weight=0.0, peer_slopes=(),
        mean=(0.0, 0.0, 0.0, LEVEL), cov=((0.0,) * 4,) * 4, sigma=SIGMA, phi=0.0, ranges={},
    )  # fmt: skip


def crew_of(
    cost: dict[str, float], *, spread: float = SIGMA, days: int = 80, seed: int = 1
) -> tuple[pd.DataFrame, pd.DataFrame, list[ArcModel]]:
    """Days of three splicers on two programs; a mismatch costs ``cost`` dB a squared step."""
    rng = np.random.default_rng(seed)
    cells, points = [], []
    for number, splicer in enumerate(CREW.splicers):
        start = pd.Timestamp("2026-03-02T07:00Z").as_unit("us")
        for day in range(days):
            checked_at = start + pd.Timedelta(days=day)
            setting = LEVEL + spread * rng.normal()
            points.append(
                {"splicer": splicer, "checked_at": checked_at, "epoch": 0, "alarm": False,
                 "arc_setting": setting, "excluded": None, "air_density": DENSITY,
                 "vapor_pressure": VAPOR, "arcs": 0.0, "heated": np.nan}
            )  # fmt: skip
            for program in CREW.programs:
                mean = (0.03 + 0.004 * number) * np.exp(0.08 * rng.normal())
                loss = rng.gamma(1.3, mean / 1.3, 30) + cost[program] * (LEVEL - setting) ** 2
                capped = np.minimum(loss, 0.12)
                cells.append(
                    {"splicer": splicer, "program": program, "segment": 0,
                     "technician": ("Alder", "Birch", "Cedar")[day % 3],
                     "day": checked_at.tz_localize(None).normalize(), "checked_at": checked_at,
                     "epoch": 0, "arc_setting": setting, "n": 30, "capped": capped.sum(),
                     "squares": (capped**2).sum(), "below": (loss < 0.12).sum(),
                     **dict.fromkeys(
                         ("x0", "x1", "x2", "x00", "x01", "x02", "x11", "x12", "x22"), 0.0)}
                )  # fmt: skip
    frame = pd.DataFrame(cells)
    # the regressors are taken about 1.225 kg/m3 and 10 hPa; slopes are zero here
    frame["x0"] = 30 * (DENSITY - 1.225)
    frame["x00"] = 30 * (DENSITY - 1.225) ** 2
    return frame, pd.DataFrame(points), [fitted(name) for name in CREW.splicers]


def by_class(all_costs: list[MismatchCost]) -> dict[str, MismatchCost]:
    return {cost.program_class: cost for cost in all_costs if cost.splicer == "Heron"}


def test_planted_costs_are_found_again() -> None:
    costs = by_class(estimate_mismatch_costs(*crew_of({"plain": 2e-4, "clever": 0.0}), CREW))
    fixed, clever = costs["fixed"].at(6.0), costs["self-adjusting"].at(6.0)
    assert fixed is not None
    assert clever is not None
    # 36 squared steps x 2e-4 dB; the bounds are four standard errors at this size
    assert fixed[0] == pytest.approx(0.0072, abs=0.002)
    assert 0 < fixed[1] < 0.0072 < fixed[2]
    assert clever[1] < 0 < clever[2] < 0.005
    assert not costs["fixed"].odd_shape
    assert costs["fixed"].splices == 3 * 80 * 30


@pytest.mark.long
def test_intervals_hold_the_planted_cost() -> None:
    # 30 crews x 2 classes at .95: fewer than 50 of 60 comes once in a thousand
    held = 0
    for seed in range(30):
        planted = {"plain": 1e-4, "clever": 1e-5}
        costs = by_class(estimate_mismatch_costs(*crew_of(planted, seed=seed, days=60), CREW))
        for kind, truth in (("fixed", 1e-4), ("self-adjusting", 1e-5)):
            low, high = costs[kind].low, costs[kind].high
            assert low is not None
            assert high is not None
            held += low <= truth <= high
    assert held >= 50


def test_a_cost_that_steps_is_not_called_a_square() -> None:
    cells, points, models = crew_of({"plain": 0.0, "clever": 0.0})
    far = (cells["arc_setting"] - LEVEL).abs() > 2 * SIGMA
    cells.loc[far & (cells["program"] == "plain"), "capped"] += 30 * 0.02
    costs = by_class(estimate_mismatch_costs(cells, points, models, CREW))
    assert costs["fixed"].odd_shape
    assert not costs["self-adjusting"].odd_shape
    assert costs["fixed"].bins[-1]["low_db"] > 0.01


def test_never_far_off_is_said_in_words() -> None:
    costs = by_class(
        estimate_mismatch_costs(*crew_of({"plain": 0.0, "clever": 0.0}, spread=0.7), CREW)
    )
    assert costs["fixed"].per_square is None
    assert costs["fixed"].refusal is not None
    assert costs["fixed"].refusal.startswith("never worked more than 1.")
    assert costs["fixed"].refusal.endswith("steps off on fixed programs")


def lone_splice(row: pd.Series, **changes: object) -> pd.DataFrame:
    """A cell of one splice, with other values than a cell where given."""
    one = row.to_dict() | {"n": 1, "capped": 0.03, "squares": 0.0009, "below": 1}
    one |= {"x0": row["x0"] / row["n"], "x00": row["x00"] / row["n"]}
    return pd.DataFrame([one | changes])


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("days", [1, 6])
@pytest.mark.parametrize("spread", [pytest.param(0.1, marks=pytest.mark.long), SIGMA])
@pytest.mark.parametrize(
    "changes",
    [
        {"technician": "Fir"},
        {"technician": "Fir", "segment": 7},
        {"arc_setting": LEVEL + 20.0, "program": "other"},
        {"arc_setting": LEVEL + 20.0, "technician": "Fir", "capped": 0.12, "squares": 0.0144},
    ],
)
def test_one_splice_more_never_upsets_the_model(days, spread, changes) -> None:
    cells, points, models = crew_of({"plain": 1e-4, "clever": 0.0}, spread=spread, days=days)
    one = lone_splice(cells.iloc[-1], **changes)
    for rows in (one, pd.concat([cells, one], ignore_index=True)):
        for cost in estimate_mismatch_costs(rows, points, models, CREW):
            assert np.isfinite([cost.low, cost.high]).all() if cost.refusal is None else True
            assert all(np.isfinite(list(row.values())[2:]).all() for row in cost.bins)


def test_one_splice_more_hardly_moves_the_estimate() -> None:
    cells, points, models = crew_of({"plain": 1e-4, "clever": 0.0})
    one = lone_splice(cells.iloc[0], arc_setting=LEVEL + 5.0, technician="Fir")
    before = by_class(estimate_mismatch_costs(cells, points, models, CREW))["fixed"]
    more = pd.concat([cells, one], ignore_index=True)
    after = by_class(estimate_mismatch_costs(more, points, models, CREW))["fixed"]
    assert after.per_square == pytest.approx(before.per_square, rel=0.01)
    assert after.high - after.low == pytest.approx(before.high - before.low, rel=0.02)


def test_few_splices_are_refused() -> None:
    costs = by_class(
        estimate_mismatch_costs(*crew_of({"plain": 1e-4, "clever": 0.0}, days=6), CREW)
    )
    assert costs["fixed"].refusal == "only 540 splices on fixed programs with a known mismatch"


def test_a_splicer_without_a_model_has_no_worth() -> None:
    cells, points, _ = crew_of({"plain": 1e-4, "clever": 0.0}, days=10)
    assert estimate_mismatch_costs(cells, points, [], CREW) == []
    assert cost_table([]).empty


def test_alarmed_epochs_and_heated_rooms_are_left_out() -> None:
    cells, points, models = crew_of({"plain": 1e-4, "clever": 0.0})
    points.loc[points["splicer"] == "Kestrel", "alarm"] = True
    points.loc[points.index[:20], "heated"] = 0.9
    costs = by_class(estimate_mismatch_costs(cells, points, models, CREW))
    assert costs["fixed"].splicers == 2
    assert costs["fixed"].splices == (60 + 80) * 30


def test_results_come_back_from_their_table() -> None:
    all_costs = estimate_mismatch_costs(*crew_of({"plain": 2e-4, "clever": 0.0}), CREW)
    assert list(costs_from_table(cost_table(all_costs))) == all_costs


def cells_of(splices: pd.DataFrame, service: pd.DataFrame) -> pd.DataFrame:
    at = pd.to_datetime(["2026-03-02T07:00Z"]).as_unit("us")
    checks = pd.DataFrame(
        {"splicer": "Heron", "checked_at": at, "outcome": "pass", "arc_setting": 97.0,
         "arc_count": 500.0, "site": None, "line": 2}
    )  # fmt: skip
    air = pd.DataFrame(
        {"air_density": [1.235, 1.215, np.nan, 1.225], "vapor_pressure": 12.0}, index=splices.index
    )
    days = pd.DataFrame(
        {
            "splicer": "Heron",
            "program": ["plain"],
            "day": [pd.Timestamp("2026-03-02")],
            "segment": 0,
            "cap": 0.1,
        }
    )
    return mismatch_cells(splices, air, checks, service, days, CREW)


@pytest.fixture
def splices() -> pd.DataFrame:
    at = pd.to_datetime(
        ["2026-03-02T08:00Z", "2026-03-02T09:00Z", "2026-03-02T10:00Z", "2026-03-02T06:00Z"]
    )
    return pd.DataFrame(
        {"splicer": "Heron", "spliced_at": at.as_unit("us"), "loss_db": [0.02, 0.5, 0.03, 0.04],
         "purpose": "production", "program": "plain", "technician": "Alder", "site": None,
         "arc_count": [510.0, 520.0, 530.0, 490.0]},
        index=[7, 3, 5, 9],
    )  # fmt: skip


NO_SERVICE = pd.DataFrame(
    {"asset": [], "serviced_at": pd.to_datetime([]).tz_localize("UTC").as_unit("us"), "action": []}
)


def test_cells_hold_what_any_slopes_need(splices: pd.DataFrame) -> None:
    (cell,) = cells_of(splices, NO_SERVICE).to_dict("records")
    # the third splice has no air, the fourth came before any check
    assert cell["n"] == 2
    assert cell["capped"] == pytest.approx(0.02 + 0.1)
    assert cell["below"] == 1
    # about 1.225 kg/m3, 10 hPa; thousands of arcs, 510 and 520 since the counter's zero
    assert cell["x00"] == pytest.approx(2 * 0.01**2)
    assert cell["x1"] == pytest.approx(4.0)
    assert cell["x2"] == pytest.approx(1.03)
    assert cell["x12"] == pytest.approx(2.0 * 0.51 + 2.0 * 0.52)


def test_splices_after_new_electrodes_wait_for_their_check(splices: pd.DataFrame) -> None:
    service = pd.DataFrame(
        {"asset": "Heron", "action": "electrodes replaced",
         "serviced_at": pd.to_datetime(["2026-03-02T08:30Z"]).as_unit("us")}
    )  # fmt: skip
    (cell,) = cells_of(splices, service).to_dict("records")
    assert cell["n"] == 1


def class_cost(
    kind: str, low: float | None, high: float | None, refusal: str | None = None
) -> MismatchCost:
    middle = None if low is None or high is None else (low + high) / 2
    return MismatchCost(
        "Heron", kind, "steps", 3, 6000, 80, 8.0, middle, low, high, False, (), refusal
    )


def test_the_sentence() -> None:
    all_costs = [
        class_cost("fixed", 1.5e-4, 3e-4),
        class_cost("self-adjusting", -2e-5, 6e-5),
        class_cost("custom", None, None, "only 40 splices"),
    ]
    summary = cost_summary(
        all_costs, ("custom", "fixed", "self-adjusting"), mismatch_now=-6.0, tolerance=9.0
    )
    assert summary is not None
    assert summary["sentence"] == (
        "What a wrong setting costs a splice: about 0.008 dB on fixed programs at 6 steps off "
        "(0.005 to 0.011); none seen on self-adjusting programs at 6 steps off (under 0.0022 dB); "
        "not known on custom programs (only 40 splices)."
    )
    assert [row["mismatch"] for row in summary["programs"]] == [6.0, 6.0, 6.0]
    # further than ever seen: told for as far as was seen
    further = cost_summary(all_costs, ("fixed",), mismatch_now=20.0, tolerance=9.0)
    assert further is not None
    assert further["programs"][0]["mismatch"] == 8.0
    assert cost_summary([], ("fixed",), 6.0, 9.0) is None
