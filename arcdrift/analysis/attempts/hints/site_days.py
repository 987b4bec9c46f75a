"""Days on which many fibers were dirty at one site."""

import numpy as np
import pandas as pd

from arcdrift.analysis.attempts.hints.comparisons import (
    FEWEST_ERRORS,
    GROUPS,
    NOT_SEPARABLE,
    POINTS_TO,
    SITE_DAY,
    SUBJECT_SD,
    UNNAMED,
    Attempts,
)
from arcdrift.analysis.attempts.hints.error_dispersion import Dispersion
from arcdrift.analysis.common.grouping import group_index
from arcdrift.analysis.loss.technician_days import NO_SITE


class SiteDays:
    """Dirt by site and day of the last weeks."""

    def __init__(self, log: Attempts) -> None:
        used = log.recent & (log.cells["site"] != NO_SITE).to_numpy()
        self._cells = log.cells[used].reset_index(drop=True)
        self._x, self._m = log.counts["dirt"][used], log.expected["dirt"][used]
        self.days = 0
        if len(self._cells):
            self._code, self._first = group_index(self._cells["site"], self._cells["day"])
            self.days = len(self._first)

    def hints(self, level: float, errors: pd.DataFrame) -> list[dict[str, object]]:
        """Days at a site with many more errors from dirt than expected of the people there."""
        if not self.days or self._x.sum() < FEWEST_ERRORS:
            return []
        count = np.bincount(self._code, self._x)
        spread = Dispersion(self._code, self._cells["day"], self._x, self._m)
        rows = []
        for number in np.flatnonzero(count >= FEWEST_ERRORS):
            mean = float(self._m[self._code == number].sum())
            if spread.day_tail(int(number), float(count[number]), mean, SUBJECT_SD) > level:
                continue
            rows.append(self._row(int(number), mean, errors))
        return rows

    def _row(self, number: int, mean: float, errors: pd.DataFrame) -> dict[str, object]:
        where = self._code == number
        site, day = (self._cells[name].iloc[self._first[number]] for name in ("site", "day"))
        hands = pd.Series(self._x[where]).groupby(self._cells.loc[where, "technician"].to_numpy())
        people = hands.sum()
        showing = people[(people > 0) & ~people.index.isin(UNNAMED)]
        here = errors["class"].isin(GROUPS["dirt"]) & (errors["site"] == site)
        at = errors.loc[here & (errors["day"] == day), "spliced_at"]
        seen = float(self._x[where].sum())
        return {
            "kind": "dirt", "subject_type": SITE_DAY, "subject": str(site),
            "detail": f"{day:%Y-%m-%d}",
            "verdict": POINTS_TO if len(showing) > 1 else NOT_SEPARABLE,
            "errors": int(seen), "attempts": int(self._cells.loc[where, "attempts"].sum()),
            "expected": mean, "ratio": seen / mean, "low": np.nan, "high": np.nan,
            "evidence": len(showing), "apart_type": "technician" if len(showing) == 1 else "",
            "apart_from": str(showing.index[0]) if len(showing) == 1 else "",
            "since": at.min(), "until": at.max(),
        }  # fmt: skip
