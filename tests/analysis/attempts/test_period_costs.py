"""Sums of a period, and their price."""

from datetime import date

import pandas as pd
import pytest

from arcdrift.analysis.attempts.period_costs import costs_by_month, period_costs

ROWS = pd.DataFrame(
    [
        ("Heron", "2026-03-30", "fiber_position", 3, 9.0, 0, 4.0, 0),
        ("Heron", "2026-04-01", "over_limit", 2, 30.0, 1, 2.0, 1),
        ("Tern", "2026-04-05", "over_limit", 1, 15.0, 0, 1.0, 0),
        ("Tern", "2026-04-06", "no_reason", 5, 50.0, 0, 5.0, 0),
    ],
    columns=[
        "splicer", "day", "cause", "attempts", "minutes", "untimed", "arcs", "uncounted",
    ],
)  # fmt: skip


def test_sums_of_a_week() -> None:
    costs = period_costs(ROWS, date(2026, 3, 30), date(2026, 4, 5))
    assert costs.total["attempts"] == 6
    assert costs.total["minutes"] == pytest.approx(54)
    assert costs.by_cause["cause"].tolist() == ["over_limit", "fiber_position"]
    assert costs.by_splicer["splicer"].tolist() == ["Heron", "Tern"]
    assert costs.price(68.0) == pytest.approx(61.2)
    assert costs.price(None) is None


def test_a_period_without_any() -> None:
    costs = period_costs(ROWS, date(2026, 1, 1), date(2026, 1, 31))
    assert not costs.any_made_again
    assert costs.by_cause.empty
    assert not period_costs(ROWS.iloc[:0], date(2026, 1, 1), date(2026, 1, 31)).any_made_again


def test_months() -> None:
    months = costs_by_month(ROWS)
    assert months[["month", "attempts"]].to_numpy().tolist() == [["2026-04", 8], ["2026-03", 3]]
