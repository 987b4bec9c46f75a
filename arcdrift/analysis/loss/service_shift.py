"""How far service moves the level of a stream, learned from past service events.

New electrodes, factory service or new firmware may move what a splicer loses, but rarely far. A
baseline therefore survives them: its level stays, and becomes less certain. With W the precision
(inverse variance) of the level and omega the standard deviation of the moves that such events
cause, W becomes 1 / (1/W + omega^2), as in a Kalman filter of a local level whose level moves
only at known times (Durbin and Koopman 2012, section 2.2).
"""

import numpy as np

from arcdrift.analysis.common.service_actions import RESTART_ACTIONS
from arcdrift.arrays import Floats, Ints

EVENT_COLUMNS = tuple(f"after_{action.replace(' ', '_')}" for action in RESTART_ACTIONS)
"""Columns of stream days: number of events of each action before the day's first splice."""
SHIFT_DAYS = 15
"""Days after an event whose mean is compared with the level before it."""
FEWEST_BEFORE = 15
"""Days of history a unit needs before an event that is learned from."""
PRIOR_SHIFT = 0.10
"""Standard deviation of the moves before any was seen, on the scale of `relative_level`. Too large
a value costs some sensitivity just after service, too small a one doubles the false alarms."""
PRIOR_EVENTS = 8.0
"""Number of events the prior is worth."""
LEAST_SHIFT = 0.02
CLIP_SD = 3.0
"""Standard deviations beyond which one move counts no further: it may be a fault."""


class ServiceShifts:
    """Variance of level moves at service events, by action and group of charts.

    Attributes
    ----------
    variance : array, shape (actions, groups)
        Estimate omega^2, from the events seen so far.
    events : array, shape (actions, groups)
        Number of events it is learned from.
    """

    def __init__(self, groups: int) -> None:
        shape = (len(EVENT_COLUMNS), groups)
        self.variance = np.full(shape, PRIOR_SHIFT**2)
        self.events = np.zeros(shape)
        self._squares, self._weight = np.zeros((2, *shape))

    def added_variance(self, events: Floats, group: Ints) -> Floats:
        """Variance that the events of each row add to its level.

        Parameters
        ----------
        events : array, shape (actions, rows)
            Number of events of each action since the unit's previous day.
        group : array of int, shape (rows,)
        """
        return np.asarray((events * self.variance[:, group]).sum(axis=0), dtype=np.float64)

    def learn(self, action: Ints, group: Ints, shift: Floats, noise: Floats) -> None:
        """Update the variances with moves seen after single events.

        Parameters
        ----------
        action, group : array of int, shape (events,)
        shift : array, shape (events,)
            Mean level after the event less the level before it.
        noise : array, shape (events,)
            Sampling variance of `shift`.

        Notes
        -----
        By moments: the mean of shift^2 is omega^2 + noise. Each square is cut off at
        `CLIP_SD`^2 (omega^2 + noise) and weighed by its information on omega^2, which is
        proportional to 1 / (omega^2 + noise)^2, taken at the prior omega. (With equal weights
        one move that was hardly known could bring the estimate to its floor.) The prior is worth
        `PRIOR_EVENTS` events that are known exactly.
        """
        most = CLIP_SD**2 * (self.variance[action, group] + noise)
        weight = (PRIOR_SHIFT**2 / (PRIOR_SHIFT**2 + noise)) ** 2
        place = (action, group)
        np.add.at(self._squares, place, weight * (np.minimum(shift**2, most) - noise))
        np.add.at(self._weight, place, weight)
        np.add.at(self.events, place, 1.0)
        pooled = PRIOR_EVENTS * PRIOR_SHIFT**2 + self._squares
        self.variance = np.maximum(pooled / (PRIOR_EVENTS + self._weight), LEAST_SHIFT**2)
