"""Attempts, minutes and arcs of a period that were spent on splices made again."""

from dataclasses import dataclass
from datetime import date

import pandas as pd

from arcdrift.analysis.attempts.made_again import SUMS


@dataclass(frozen=True)
class PeriodCosts:
    """What splices made again cost in a period.

    Attributes
    ----------
    total : Series
        Sums of `arcdrift.analysis.attempts.made_again.SUMS`.
    by_cause, by_splicer : DataFrame
        The same by ``cause`` and by ``splicer``, those that cost most time first.
    """

    total: pd.Series
    by_cause: pd.DataFrame
    by_splicer: pd.DataFrame

    @property
    def any_made_again(self) -> bool:
        """Whether anything was made again."""
        return bool(self.total["attempts"] > 0)

    def price(self, hour: float | None) -> float | None:
        """What the known minutes cost at the price of an hour; None without one."""
        return None if hour is None else float(self.total["minutes"]) / 60.0 * hour


def period_costs(rows: pd.DataFrame, first: date, last: date) -> PeriodCosts:
    """Sum what splices made again cost from a first to a last local day.

    Parameters
    ----------
    rows : DataFrame
        ``result_made_again``.
    """
    inside = rows[rows["day"].between(first.isoformat(), last.isoformat())]
    return PeriodCosts(
        inside[SUMS].sum(), *(_largest_first(inside, name) for name in ("cause", "splicer"))
    )


def costs_by_month(rows: pd.DataFrame) -> pd.DataFrame:
    """The same sums by ``month`` (ISO, as 2026-03), the latest first."""
    months = rows.assign(month=rows["day"].str[:7]).groupby("month", as_index=False)[SUMS].sum()
    return months.sort_values("month", ascending=False, ignore_index=True)


def _largest_first(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    sums = rows.groupby(name, as_index=False)[SUMS].sum()
    return sums.sort_values(["minutes", "attempts", name], ascending=[False, False, True],
                            ignore_index=True)  # fmt: skip
