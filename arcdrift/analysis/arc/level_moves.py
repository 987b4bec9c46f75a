"""How far service moves the arc setting, learned from past service on splicers of one model.

New electrodes need a setting near the one that the old pair needed when it was new, but not the
same. So the level of new electrodes is drawn around the level before them, plus what replacements
do on this model on average, with the spread of past moves (a local level that moves only at known
times: Durbin and Koopman 2012, section 2.2).
"""

from dataclasses import dataclass, field

import numpy as np

from arcdrift.analysis.common.service_actions import REPLACED
from arcdrift.arrays import Floats

REPLACEMENT, OTHER_SERVICE = 0, 1
"""Kinds of moves: new electrodes; factory service and new firmware."""
SERVICES = {REPLACEMENT: REPLACED, OTHER_SERVICE: "factory service or new firmware"}
PRIOR_SPREAD = 2.5
"""Standard deviation of moves before any was seen, in repeatabilities of a check. Too large a
value costs some sensitivity just after service, too small a one raises the false alarms."""
PRIOR_MOVES = 4.0
"""Number of moves the prior is worth."""
LEAST_SPREAD = 0.3
CLIP_SD = 3.0
"""Standard deviations beyond which one move counts no further: it may be a fault."""
MOVE_CHECKS = 15
"""Checks after service whose mean is compared with the level before it."""
FEWEST_CHECKS = 5
"""Fewest such checks if the next service comes earlier."""


@dataclass(frozen=True)
class LevelLink:
    """What links a level to the one before it.

    Attributes
    ----------
    move, variance : float
        Expected move and its variance, in repeatabilities and their square.
    arcs : float
        Thousands of arcs counted before these electrodes: 0 unless their replacement was not
        logged and the counter was not set back.
    """

    move: float
    variance: float
    arcs: float = 0.0


@dataclass(frozen=True)
class Reference:
    """Coefficients just before service, from which the move of the level is measured.

    ``mean`` and ``cov`` are those of the slopes and the old level, shapes (4,) and (4, 4).
    """

    first: int
    kind: int
    mean: Floats
    cov: Floats


@dataclass(frozen=True)
class ServiceMove:
    """How far one kind of service moves the setting of a model.

    Attributes
    ----------
    service : str
        "electrodes replaced", or "factory service or new firmware".
    mean, sd : float
        Mean move and its standard deviation between events, setting units.
    events : int
        Events they are learned from, on all splicers of the model.
    """

    service: str
    mean: float
    sd: float
    events: int


@dataclass
class LevelMoves:
    """Mean and variance of level moves by kind, in repeatabilities of a check.

    Attributes
    ----------
    mean, variance : array, shape (2,)
        By kind, from the moves seen so far; the prior has mean 0.
    events : array, shape (2,)
        Number of moves they are learned from.
    """

    mean: Floats = field(default_factory=lambda: np.zeros(2))
    variance: Floats = field(default_factory=lambda: np.full(2, PRIOR_SPREAD**2))
    events: Floats = field(default_factory=lambda: np.zeros(2))
    _sum: Floats = field(default_factory=lambda: np.zeros(2))
    _squares: Floats = field(default_factory=lambda: np.zeros(2))

    def next_move(self, kind: int) -> tuple[float, float]:
        """Mean and variance of the next move; the variance includes that of the mean."""
        weight = PRIOR_MOVES + self.events[kind]
        return float(self.mean[kind]), float(self.variance[kind] * (1.0 + 1.0 / weight))

    def in_settings(self, repeatability: float) -> tuple[ServiceMove, ...]:
        """Moves by kind of service in setting units, of a splicer with this repeatability."""
        return tuple(
            ServiceMove(
                service,
                float(self.mean[kind]) * repeatability,
                float(np.sqrt(self.variance[kind])) * repeatability,
                int(self.events[kind]),
            )
            for kind, service in SERVICES.items()
        )

    def learn(self, kind: int, move: float, noise: float) -> None:
        """Update with a move seen; ``noise`` is its sampling variance.

        Notes
        -----
        One step of expectation maximization for each move: what it adds are the mean and the
        second moment of the true move given the one seen, so a move that is hardly known changes
        nothing. (Moments less the sampling variance fell to the floor after one such move.) A
        move is cut off at `CLIP_SD` standard deviations from the mean.
        """
        before = float(self.variance[kind])
        known = before / (before + noise)
        most = CLIP_SD * (before + noise) ** 0.5
        away = known * float(np.clip(move - self.mean[kind], -most, most))
        self.events[kind] += 1.0
        weight = PRIOR_MOVES + self.events[kind]
        self._sum[kind] += self.mean[kind] + away
        self._squares[kind] += known * noise + away**2
        self.mean[kind] = self._sum[kind] / weight
        pooled = (PRIOR_MOVES * PRIOR_SPREAD**2 + self._squares[kind]) / weight
        self.variance[kind] = max(pooled, LEAST_SPREAD**2)
