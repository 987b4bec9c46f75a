"""Findings on stretches of time in which a site's work had no air reading near it."""

import pandas as pd

from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.finding import Finding

GAP_HOURS = 12
"""Hours beyond a day without another record lacking air, after which a new gap begins."""
MIN_EVENTS = 3
"""Fewest records without air that make a finding."""


def reading_gap_findings(airless: pd.DataFrame, now: pd.Timestamp) -> list[Finding]:
    """Stretches in which a site's work had no air reading near it.

    Parameters
    ----------
    airless : DataFrame
        ``site``, ``at`` (UTC): checks and splices without air, all splicers.
    """
    found = []
    for site, site_rows in airless.groupby("site"):
        for rows in episodes(site_rows["at"], pd.Timedelta(hours=24 + GAP_HOURS)):
            times = site_rows["at"].loc[rows]
            if len(times) < MIN_EVENTS:
                continue
            first, last = times.min(), times.max()
            found.append(
                Finding(
                    kind="readings-gap",
                    subject_type="site",
                    subject_id=str(site),
                    since=first.to_pydatetime(),
                    until=last.to_pydatetime(),
                    severity=severity(last, now, heavy=False),
                    evidence={
                        "checks_and_splices_without_air": len(times),
                        "hours": round((last - first) / pd.Timedelta(hours=1), 1),
                    },
                    summary=(
                        f"{site}: {len(times)} checks and splices have no air reading near them, "
                        f"{first:%Y-%m-%d} to {last:%Y-%m-%d}."
                    ),
                    next_step="Look at the site's logger (battery, clock, cable), and import its "
                    "file if it was only forgotten; or import the reports of a weather station "
                    "that serves the site.",
                    assessed_on=now.to_pydatetime(),
                )
            )
    return found
