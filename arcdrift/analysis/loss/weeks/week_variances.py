"""Variances with which the losses of weeks are compared, as they were known then."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from arcdrift.analysis.loss.day_level import LossCharts
from arcdrift.analysis.loss.person_effects import PRIOR_EFFECT
from arcdrift.arrays import Floats

LEAST_CREW_DAY = 0.03
"""Least standard deviation of what a day does to everybody, as where subjects are compared
(`arcdrift.analysis.causes.shift_cells`)."""


@dataclass(frozen=True)
class WeekVariances:
    """Relative variances of a day's mean loss, as the charts have learned them.

    Attributes
    ----------
    within, between : array, shape (streams,)
        Of one splice, and between the days of a stream.
    crew_day : float
        Of what a day does to all streams at once.
    person : float
        Between people.
    """

    within: Floats
    between: Floats
    crew_day: float
    person: float = PRIOR_EFFECT**2


VariancesBy = Callable[[np.datetime64], WeekVariances]
"""Variances that were known on a day."""


def learned_variances(charts: LossCharts) -> VariancesBy:
    """Variances as the charts had learned them by the end of the month before a day.

    What was learned later does not change what was said of a week.
    """
    by_month: dict[np.datetime64, WeekVariances] = {}

    def variances(day: np.datetime64) -> WeekVariances:
        learned = charts.learned_by(day)
        if learned.before not in by_month:
            seen = charts.shared_effect_variance(learned.before)
            by_month[learned.before] = WeekVariances(
                learned.within,
                # day-to-day correlation makes a mean of many days less certain
                learned.between * learned.widening**2,
                max(seen, LEAST_CREW_DAY**2),
            )
        return by_month[learned.before]

    return variances
