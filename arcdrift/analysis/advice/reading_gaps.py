"""Findings on stretches of time in which a site's work had no air reading near it."""

import pandas as pd

from arcdrift.analysis.common.episodes import episodes, severity
from arcdrift.finding import Finding
from arcdrift.settings import Crew

GAP_HOURS = 12
"""Hours beyond a day without another record lacking air, after which a new gap begins."""
MIN_EVENTS = 3
"""Fewest records without air that make a finding."""


NO_SITE = "(no site)"
"""Site of records that name none, and whose splicer has no home site."""


def reading_gap_findings(airless: pd.DataFrame, crew: Crew, now: pd.Timestamp) -> list[Finding]:
    """Stretches in which a site's work had no air reading near it.

    The next step follows from what is known of the site: readings cannot be found for records
    that name no site, nor for a misspelled one, and no logger is to blame for that.

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
                        f"{_subject_text(str(site), len(times))} have no air reading near them, "
                        f"{first:%Y-%m-%d} to {last:%Y-%m-%d}."
                    ),
                    next_step=_next_step(str(site), crew),
                    assessed_on=now.to_pydatetime(),
                )
            )
    return found


def _subject_text(site: str, records: int) -> str:
    if site == NO_SITE:
        return f"{records} checks and splices name no site and so"
    return f"{site}: {records} checks and splices"


def _next_step(site: str, crew: Crew) -> str:
    if site == NO_SITE:
        return (
            "Readings are found by site: put a site column or a fixed site into the layout of the "
            "splicer's log, or set home_site under [splicers.NAME] in crew.toml."
        )
    if crew.sites and site not in crew.sites:
        return (
            f"crew.toml knows no site {site}: if it is another one misspelled, correct its name "
            "in the logs; if it is new, add it to crew.toml and import readings "
            "that name it."
        )
    return (
        "Look at the site's logger (battery, clock, cable), and import its file if it was only "
        "forgotten; or import the reports of a weather station that serves the site."
    )
