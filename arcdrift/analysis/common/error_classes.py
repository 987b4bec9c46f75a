"""The class of each failed splice's logged reason."""

import numpy as np
import pandas as pd

from arcdrift.analysis.common.grouping import text_codes
from arcdrift.error_reasons import CLASSES, OTHER, ErrorReasons
from arcdrift.settings import Crew


def error_classes(reasons: pd.Series, crew: Crew) -> pd.Series:
    """Find the class of each logged reason (`arcdrift.error_reasons.CLASSES`).

    Each distinct text is looked at once.

    Parameters
    ----------
    reasons : Series of str or category
        Column ``error_reason`` of splices.

    Returns
    -------
    Series of category
        Ids of classes, with all classes as categories: `OTHER` for a reason that nobody knows,
        missing where none was logged.
    """
    codes, texts = text_codes(reasons)
    known = ErrorReasons(crew.error_reasons)
    order = {name: number for number, name in enumerate(CLASSES)}
    classes = [order[known.known_class(text) or OTHER] for text in texts]
    of_row = np.array([*classes, -1], dtype=np.int64)[codes]  # the last is for a missing text
    return pd.Series(pd.Categorical.from_codes(of_row, pd.Index(CLASSES)), index=reasons.index)
