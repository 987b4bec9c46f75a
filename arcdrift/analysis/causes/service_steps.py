"""Random effects of service events that may have moved the level of a splicer's streams."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from arcdrift.arrays import Ints


def service_steps(
    splicer: Ints, stream: Ints, events: Ints, sds: Sequence[float]
) -> list[tuple[Ints, float]]:
    """Random effects of service events within some cells, each from its event on.

    Half of the variance of a move is common to the splicer's streams, half is of each stream.

    Parameters
    ----------
    splicer, stream : array, shape (cells,)
        Codes of each cell's splicer and stream.
    events : array, shape (actions, cells)
        How many service events with each action the splicer had before the cell's day.
    sds : sequence of float
        Standard deviation of a move by action.

    Returns
    -------
    list of (codes, sd)
        As `arcdrift.charts.random_effects.RandomEffectsModel` takes them. The first, second and
        later moves of all splicers are one group of effects each.
    """
    steps: list[tuple[Ints, float]] = []
    for counts, sd in zip(events, sds, strict=True):
        # which of the splicer's counts within these cells a cell has: 0 before the first move
        moves = pd.Series(counts).groupby(splicer).rank(method="dense").to_numpy(np.int64) - 1
        half = sd / np.sqrt(2.0)
        for number in range(1, int(moves.max(initial=0)) + 1):
            since = moves >= number
            steps += [(np.where(since, splicer, -1), half), (np.where(since, stream, -1), half)]
    return steps
