"""Mean of gamma-distributed values from the mean of the same values cut off at a cap.

A day's losses are capped before they are averaged, so a rise of the capped mean is smaller than
the rise of the losses: a rise of x1.7 shows as x1.54.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammainc, gammaincc

SHAPES = (0.3, 20.0)
"""Range of gamma shapes that are considered; losses of a stream have shapes from 0.7 to 2."""
HIGHEST = 0.97
"""Capped means above this share of the cap are taken for this share: nearly all is cut off."""


@dataclass(frozen=True)
class CappedGamma:
    """Gamma law of values that are cut off at a cap.

    Attributes
    ----------
    shape : float
    cap : float
        In units of the usual mean of the capped values.
    """

    shape: float
    cap: float

    @classmethod
    def from_moments(cls, cap: float, variance: float) -> "CappedGamma":
        """Law whose capped values have mean 1 and a given variance."""

        def excess(log_shape: float) -> float:
            law = cls(float(np.exp(log_shape)), cap)
            return law._capped_square(law.scale(1.0)) - 1.0 - variance

        low, high = (float(np.log(shape)) for shape in SHAPES)
        if excess(low) <= 0.0:
            return cls(SHAPES[0], cap)
        if excess(high) >= 0.0:
            return cls(SHAPES[1], cap)
        return cls(float(np.exp(brentq(excess, low, high, xtol=1e-6))), cap)

    def mean(self, capped_mean: float) -> float:
        """Mean of the values without the cap, from the mean with it."""
        return self.shape * self.scale(capped_mean)

    def scale(self, capped_mean: float) -> float:
        """Scale of the law at which the capped values have a given mean."""
        target = min(capped_mean, HIGHEST * self.cap)
        return float(
            np.exp(
                brentq(
                    lambda log_scale: self._capped_mean(float(np.exp(log_scale))) - target,
                    np.log(target / self.shape) - 0.01,
                    np.log(target / self.shape) + 12.0,
                )
            )
        )

    def _capped_mean(self, scale: float) -> float:
        k, x = self.shape, self.cap / scale
        return float(k * scale * gammainc(k + 1.0, x) + self.cap * gammaincc(k, x))

    def _capped_square(self, scale: float) -> float:
        k, x = self.shape, self.cap / scale
        below = k * (k + 1.0) * scale**2 * gammainc(k + 2.0, x)
        return float(below + self.cap**2 * gammaincc(k, x))
