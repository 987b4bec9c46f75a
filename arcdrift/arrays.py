"""Names for the types of numpy arrays used throughout."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Microseconds = npt.NDArray[np.int64]
"""Instants as microseconds since 1970 in UTC."""
Datetimes = npt.NDArray[np.datetime64]
"""Days or instants as ``datetime64``."""
