"""How the losses of simulated splices scatter."""

from dataclasses import dataclass

Range = tuple[float, float]


@dataclass(frozen=True)
class LossLaw:
    """Parameters of the scatter of losses; the defaults are those of the sample crew.

    Attributes
    ----------
    day_sd : (float, float)
        Log standard deviation of a stream's day effect, uniform between streams.
    day_lag, splice_lag : float
        Correlation from day to day and from splice to splice.
    crew_day_sd, crew_day_lag : float
        Standard deviation and day-to-day correlation of a day effect that all streams share.
    dirty_share : (float, float)
        Share of dirty splices, uniform between streams.
    shape : (float, float), optional
        Gamma shape, uniform between streams; None uses the shape of the program.
    geometry : bool
        Whether core offset, tilt and unequal fibers add the loss of Gaussian modes.
    """

    day_sd: Range = (0.10, 0.10)
    day_lag: float = 0.1
    splice_lag: float = 0.1
    crew_day_sd: float = 0.0
    crew_day_lag: float = 0.1
    dirty_share: Range = (0.012, 0.012)
    shape: Range | None = None
    geometry: bool = False


STUDIED = LossLaw(
    day_sd=(0.05, 0.15), dirty_share=(0.005, 0.02), shape=(0.7, 2.0), geometry=True
)  # fmt: skip
"""The parameters of the loss study, with the geometry of the splice added."""
