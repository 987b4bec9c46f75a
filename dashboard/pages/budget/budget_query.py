"""False-alarm budget and shares that the address of the Alarm budget page asks for."""

from pydantic import ValidationError

from arcdrift.analysis.budget.detection_delays import ChartPlan
from arcdrift.settings import Crew
from arcdrift.shares import Shares
from dashboard.components import View
from dashboard.url_query import Query, number

DEFAULT_PERIOD = "90"
LOWEST_BUDGET, HIGHEST_BUDGET = 0.01, 1000.0
"""Range of false alarms a month that can be tried."""
CHARTS: dict[str, tuple[str, str]] = {
    "loss_raised": (
        "Loss with one program has risen",
        "a lasting rise on one splicer and program",
    ),
    "loss_lowered": (
        "Loss with one program has fallen",
        "good news worth keeping, as a note",
    ),
    "rolled_up": (
        "Loss of a splicer, person, site or the crew has risen",
        "a rise too small to show on any one of them",
    ),
    "scattered": ("Losses scatter more", "uneven work whose mean still looks well"),
    "dirty": ("More dirty splices", "single splices far out that come more often than before"),
    "first_time": (
        "Fewer places right first time",
        "trouble that repeats hide from the losses",
    ),
    "errors": ("More errors", "attempts that end before there is a loss"),
    "arc": ("Arc setting drifts", "an arc that moves more than air and wear explain"),
    "doubtful": ("Arc check doubtful", "a check fiber or a v-groove that spoiled one check"),
    "cleave": (
        "Cleave angles of a cleaver or person have risen",
        "a dull blade, or a hand that changed",
    ),
}
"""Title and purpose of each kind of chart that has a share of the budget."""
OUTSIDE_BUDGET: tuple[tuple[str, str], ...] = (
    (
        "Facts on record",
        "missed, late and failed checks, service due, air readings missing, an unexpected program, "
        "electrodes replaced early or late, and losses over the limit you accept. They are counted "
        "against a rule; no chance alarm is possible.",
    ),
    (
        "Single splices",
        "a splice far above what is usual is listed on the Loss page and makes no finding; its "
        "limit takes about one good splice in 4,000 for a bad one.",
    ),
    (
        "Clocks, rooms and replacements nobody logged",
        "they explain what the records hold: a clock that went back by the order of the counts, a "
        "heated room by the air, new electrodes by the counts or by a setting that moved back by "
        "what wear had done.",
    ),
    (
        "People and machines compared over a year",
        "who stands out on the Coaching page, runs of bad cleaves, and the sign-off of newcomers "
        "are decided by the probability given in crew.toml under [prep], anew at each analysis.",
    ),
    (
        "Estimated against measured loss",
        "an estimate is called too low when the whole 99 % interval lies beyond the margin.",
    ),
)
"""Findings that are no alarms of a chart, and why."""


class RequestedBudget:
    """Budget and shares of an address; `problem` is a sentence where they are not allowed.

    Values that are not in the address are those of crew.toml. `typed` holds what the fields show:
    the budget and the shares in percent, whether they are allowed or not.
    """

    def __init__(self, query: Query, crew: Crew) -> None:
        budget, shares = crew.false_alarms_per_month, crew.shares
        self.budget, self.shares, self.problem = budget, shares, ""
        typed_budget = number(query, "budget")
        percents = {name: 100 * share for name, share in shares.model_dump().items()}
        typed_percents = {name: number(query, name) for name in CHARTS if name in query}
        percents |= {name: value for name, value in typed_percents.items() if value is not None}
        self.typed = {"budget": budget if typed_budget is None else typed_budget, **percents}
        if "budget" in query:
            if typed_budget is None or not LOWEST_BUDGET <= typed_budget <= HIGHEST_BUDGET:
                self.problem = (
                    f"A budget is a number from {LOWEST_BUDGET:g} to {HIGHEST_BUDGET:,.0f} "
                    "false alarms a month."
                )
            else:
                self.budget = typed_budget
        if not typed_percents or self.problem:
            return
        if None in typed_percents.values() or not all(
            0 < percent < 100 for percent in percents.values()
        ):
            self.problem = "Each share is a number above 0 % and below 100 %."
            return
        try:
            self.shares = Shares.model_validate(
                {name: percent / 100 for name, percent in percents.items()}
            )
        except ValidationError:
            total = sum(percents.values())
            self.problem = f"The shares add to {total:g} %; they must add to 100 %."


def requested_budget(view: View) -> RequestedBudget:
    """Return the budget and shares that the address of a view asks for."""
    return RequestedBudget(view.query, view.data.settings())


def chart_plans_requested(view: View, requested: RequestedBudget) -> list[ChartPlan]:
    """Return every kind of chart under the requested budget."""
    return view.data.chart_plans(requested.budget, requested.shares)
