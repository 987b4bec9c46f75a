"""Service actions that start a new level of arc setting and loss, and service near a change."""

import pandas as pd

REPLACED = "electrodes replaced"
RESTART_ACTIONS = (REPLACED, "factory service", "firmware updated")
"""Any of these may move the level of a splicer's arc setting and losses for good.

Cleaning is not among them: it brings a splicer back to the level it had."""
ROUTINE_ACTIONS = ("cleaned", "other")
"""Service too common, or too vague, to explain a change by its date alone."""
LEAD = pd.Timedelta(days=5)
"""Service may have caused a change whose onset is up to this long after it."""
LAG = pd.Timedelta(days=1)
"""How long after an estimated onset service may still have caused the change."""


def service_near_onset(service: pd.DataFrame, onset: pd.Timestamp) -> pd.DataFrame:
    """Service events that may have caused a change: from `LEAD` before its onset to `LAG` after.

    Parameters
    ----------
    service : DataFrame
        ``serviced_at`` (UTC) and ``action``; routine actions are left out.
    onset : Timestamp
        Estimated start of the change.
    """
    lead = onset - service["serviced_at"]
    in_window = (lead <= LEAD) & (lead >= -LAG)
    return service[in_window & ~service["action"].isin(ROUTINE_ACTIONS)]
