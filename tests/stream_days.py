"""Stream days of splices that are all at hand."""

import pandas as pd

from arcdrift.analysis.loss.stream_days import (
    calibration_losses,
    production_splices,
    stream_caps,
    sum_stream_days,
)
from arcdrift.settings import Crew


def stream_days(splices: pd.DataFrame, service: pd.DataFrame, crew: Crew) -> pd.DataFrame:
    """Stream days of splices that begin with the first of each stream."""
    caps = stream_caps(calibration_losses(splices, crew))
    return sum_stream_days(production_splices(splices), service, crew, caps).days
