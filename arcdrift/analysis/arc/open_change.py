"""Size of an unexplained change of the arc setting while it lasts."""

from dataclasses import dataclass

STEP_SD = 0.1
"""How far an open change moves from check to check, in repeatabilities."""


@dataclass
class OpenChange:
    """Size of an unexplained change: a local level that moves a little at every check.

    Attributes
    ----------
    alarmed : int
        Check of the first alarm.
    size, variance : float
        Setting less what the reference expects, and its variance; setting units.
    step_variance : float
        Variance of its move from check to check.

    Notes
    -----
    Kalman filter of a local level seen through AR(1) noise: of a check less phi times the one
    before, the level makes up 1 - phi (Durbin and Koopman 2012, section 2.2).
    """

    alarmed: int
    size: float
    variance: float
    step_variance: float

    def forecast(self, phi: float) -> float:
        """Part of the next check, less phi times the one before, that is due to the change."""
        return (1.0 - phi) * self.size

    def forecast_variance(self, phi: float) -> float:
        """Variance of that part."""
        return (1.0 - phi) ** 2 * (self.variance + self.step_variance)

    def learn(self, error: float, variance: float, phi: float) -> None:
        """Update with the error of a forecast and its variance."""
        before = self.variance + self.step_variance
        gain = before * (1.0 - phi) / variance
        self.size += gain * error
        self.variance = before * (1.0 - gain * (1.0 - phi))
