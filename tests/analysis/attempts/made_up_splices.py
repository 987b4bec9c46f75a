"""Splices of one made-up person and day, as a review has them: text in categories."""

from typing import Any

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import text_to_category

TEXT = [
    "splicer", "technician", "program", "outcome", "error_reason", "holding", "cleaver",
    "blade_position", "site", "purpose", "location", "fiber_a", "fiber_b",
]  # fmt: skip
NUMBERS = ["loss_db", "cleave_left_deg", "cleave_right_deg", "arc_count", "splice_number"]
DEFAULTS = {"splicer": "Hemlock", "technician": "Kestrel", "program": "SM", "outcome": "done",
            "purpose": "production", "loss_db": 0.03}  # fmt: skip


def made_up(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Splices from what is said of each; ``at`` is a time of day on 4 May 2026."""
    frame = pd.DataFrame([DEFAULTS | row for row in rows])
    frame = frame.reindex(columns=[*TEXT, *NUMBERS, "at"])
    frame[TEXT] = frame[TEXT].astype("str")
    frame[NUMBERS] = frame[NUMBERS].astype(float)
    at = pd.to_datetime("2026-05-04 " + frame.pop("at").astype(str), utc=True)
    frame = frame.assign(spliced_at=at.dt.as_unit("us"), id=np.arange(len(frame)))
    return text_to_category(frame, skip=("location",))


def days_of(splices: pd.DataFrame) -> pd.Series:
    """Their local workdays."""
    return splices["spliced_at"].dt.tz_localize(None).dt.normalize()


NO_CAPS = pd.DataFrame(columns=["splicer", "program", "day", "cap"])
