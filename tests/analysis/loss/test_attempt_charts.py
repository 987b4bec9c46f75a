"""Charts of first time right and of errors: false alarms of healthy crews, delays, subjects."""

import numpy as np
import pandas as pd
import pytest

from arcdrift.analysis.common.days import WORKDAYS_PER_MONTH
from arcdrift.analysis.loss.proportion_charts import chart_proportions
from arcdrift.arrays import Floats

SPLICERS, PEOPLE, DAYS = 25, 30, 240


def attempts(
    seed: int,
    *,
    day_sd: float = 0.3,
    crew_sd: float = 0.1,
    days: int = DAYS,
    raised: tuple[str, int, float] = ("", 0, 1.0),
) -> pd.DataFrame:
    """Cells of 25 splicers with two programs each, whose people change places every week.

    5 % of the places are not right first time and 1.2 % of the attempts end with an error, more or
    less by program (sd .3), person (.2), day of a splicer and program (`day_sd`) and day of the
    crew (`crew_sd`); a third of the errors is followed by another one at once. `raised` is a
    subject, the day from which its shares rise, and the factor.
    """
    rng = np.random.default_rng(seed)
    name, since, factor = raised
    holding = np.array(["clamp", "holder"])[rng.integers(0, 2, SPLICERS)]
    of_program, of_errors = (np.exp(0.3 * rng.standard_normal((SPLICERS, 2))) for _ in "ab")
    of_person, of_person_errors = (np.exp(0.2 * rng.standard_normal(PEOPLE)) for _ in "ab")
    who = rng.permutation(PEOPLE)[:SPLICERS]
    parts = []
    for day in range(days):
        if day % 5 == 0:
            moved = rng.random(SPLICERS) < 0.3
            free = np.setdiff1d(np.arange(PEOPLE), who[~moved])
            who = who.copy()
            who[moved] = rng.permutation(free)[: moved.sum()]
        places = rng.poisson(20 * rng.gamma(6.0, 1.0 / 6.0, (SPLICERS, 2)))
        effect = _day_factor(rng, day_sd, (SPLICERS, 2)) * _day_factor(rng, crew_sd, (1, 1))
        for program in range(2):
            frame = pd.DataFrame(
                {
                    "splicer": [f"S{k}" for k in range(SPLICERS)],
                    "program": f"P{program}",
                    "technician": [f"T{k}" for k in who],
                    "holding": holding,
                    "site": [f"site {k % 4}" for k in range(SPLICERS)],
                }
            )
            rise = np.where((frame == name).any(axis=1) & (day >= since), factor, 1.0)
            common = effect[:, program] * rise
            again = np.minimum(0.05 * of_program[:, program] * of_person[who] * common, 0.9)
            failed = np.minimum(0.008 * of_errors[:, program] * of_person_errors[who] * common, 0.9)
            n = places[:, program]
            bad = rng.binomial(n, again)
            made = n + bad
            first = rng.binomial(made, failed)
            errors = first + np.where(
                first > 0, rng.negative_binomial(np.maximum(first, 1), 0.65), 0
            )
            at = pd.Timestamp("2026-01-05") + pd.Timedelta(days=day // 5 * 7 + day % 5)
            parts.append(
                frame.assign(
                    day=at, places=n, again=bad, made=made, errors=np.minimum(errors, made)
                )
            )
    return pd.concat(parts, ignore_index=True)


def _day_factor(rng: np.random.Generator, sd: float, shape: tuple[int, int]) -> Floats:
    return np.exp(sd * rng.standard_normal(shape) - sd**2 / 2)


def false_alarms(measure: str, crews: int, budget: float, **options: float) -> float:
    """Alarms of healthy crews for each one that was allowed."""
    alarms = 0
    for seed in range(crews):
        alarms += int(chart_proportions(attempts(seed, **options), measure, budget)["alarm"].sum())
    return alarms / (crews * budget * DAYS / WORKDAYS_PER_MONTH)


@pytest.mark.parametrize("measure", ["first_time", "errors"])
def test_healthy_crews_stay_within_their_share(measure: str) -> None:
    """At ten times the usual share of 2 alarms a month, so that a few crews tell.

    Measured over 8 crews: places .49, errors .97 of what is allowed; without any effect of days
    and people .43 and .49.
    """
    assert 0.1 < false_alarms(measure, 2, 0.8) < 1.25


@pytest.mark.long
@pytest.mark.parametrize("measure", ["first_time", "errors"])
@pytest.mark.parametrize("crew_sd", [0.1, 0.2])
def test_many_healthy_crews_stay_within_their_share(measure: str, crew_sd: float) -> None:
    assert false_alarms(measure, 12, 0.4, crew_sd=crew_sd) < 1.25


@pytest.mark.parametrize(
    ("kind", "name"),
    [("splicer", "S3"), ("technician", "T11"), ("program", "P1"), ("holding", "clamp")],
)
def test_a_doubled_share_is_found_of_every_subject(kind: str, name: str) -> None:
    """At the usual share of the budget: .08 alarms a month of about 110 charts."""
    cells = attempts(3, raised=(name, 100, 2.0), days=160)
    rows = chart_proportions(cells, "first_time", 0.08)
    worked = np.sort(cells.loc[(cells == name).any(axis=1), "day"].unique())
    rise = np.sort(cells["day"].unique())[100]
    found = rows[rows["alarm"] & (rows["day"] >= rise)]
    own = found[(found["subject_type"] == kind) & (found["subject_id"] == name)]
    assert not own.empty
    assert ((worked >= rise) & (worked <= own["day"].min().to_datetime64())).sum() <= 25
    assert own["onset_day"].min() >= pd.Timestamp(rise) - pd.Timedelta(days=21)


def test_a_change_of_hands_raises_no_alarm() -> None:
    """A person with twice the usual share takes over another splicer now and then."""
    cells = attempts(5, raised=("T4", 0, 2.0), day_sd=0.0, crew_sd=0.0)
    rows = chart_proportions(cells, "first_time", 0.08)
    late = rows[rows["day"] >= pd.Timestamp("2026-04-01")]
    machines = late[late["subject_type"].isin(["splicer", "site", "program", "holding", "crew"])]
    assert machines["alarm"].sum() <= 1


def test_programs_and_ways_of_holding_are_charted_where_they_differ() -> None:
    cells = attempts(1, days=20)
    kinds = set(chart_proportions(cells, "first_time", 1.0)["subject_type"])
    assert {"program", "holding"} < kinds
    same = chart_proportions(cells.assign(holding="clamp", program="P0"), "errors", 1.0)
    assert not {"program", "holding"} & set(same["subject_type"])
    assert "holding" not in set(
        chart_proportions(cells.assign(holding="(holding not logged)"), "errors", 1.0)[
            "subject_type"
        ]
    )
