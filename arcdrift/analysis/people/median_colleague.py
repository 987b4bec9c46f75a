"""Difference of each person or machine from the median of the others.

The mean of all would move with a single careless person, and would push everybody else below it;
the median does not.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from arcdrift.arrays import Floats, Ints

DRAWS = 2000
"""Random draws of the effects, from which the spread of a difference is taken."""
SEED = 20260102


class Differences(NamedTuple):
    """Differences from the median of the others and their standard deviations."""

    effect: Floats
    sd: Floats


def medians_of_others(values: Floats) -> Floats:
    """Return, for each column of each row, the median of the row's other columns.

    Parameters
    ----------
    values : ndarray of shape (rows, columns)
        At least two columns.
    """
    others = values.shape[1] - 1
    low, high = (others - 1) // 2, others // 2
    ordered = np.partition(values, sorted({low, low + 1, high + 1}), axis=1)

    def without_own(place: int) -> Floats:
        """Values at a place of the ordered others: later ones move up by one place."""
        here, next_one = ordered[:, place, None], ordered[:, place + 1, None]
        return np.asarray(np.where(values <= here, next_one, here))

    return np.asarray((without_own(low) + without_own(high)) / 2.0)


@lru_cache(maxsize=8)
def _normal_draws(count: int) -> Floats:
    """Seeded draws of that many independent normal values, shape (`DRAWS`, count)."""
    draws = np.random.default_rng(SEED).standard_normal((DRAWS, count))
    draws.flags.writeable = False
    return draws


def differences_from_median(effect: Floats, covariance: Floats, part: Ints) -> Differences:
    """Compare each effect with the median of the other effects of its part of the crew.

    Parameters
    ----------
    effect : ndarray of shape (n,)
    covariance : ndarray of shape (n, n)
        Joint covariance of the effects.
    part : ndarray of shape (n,)
        Only effects of one part are compared.

    Returns
    -------
    Differences
        0 with standard deviation 0 for an effect that is alone in its part.

    Notes
    -----
    The standard deviation is that of the difference in `DRAWS` seeded draws of all effects
    together, so that it holds the uncertainty of the colleagues and what they share with the
    person.
    """
    difference, sd = np.zeros(len(effect)), np.zeros(len(effect))
    for number in np.unique(part):
        members = np.flatnonzero(part == number)
        if len(members) < 2:
            continue
        own, joint = effect[members], covariance[np.ix_(members, members)]
        difference[members] = own - medians_of_others(own[None, :])[0]
        # the symmetric square root bears a covariance of less than full rank, and moves no more
        # than the covariance does: single eigenvectors turn over where it is rounded otherwise
        variance, axes = np.linalg.eigh(joint)
        root = (axes * np.sqrt(np.maximum(variance, 0.0))) @ axes.T
        draws = own + _normal_draws(len(members)) @ root
        sd[members] = (draws - medians_of_others(draws)).std(axis=0)
    return Differences(difference, sd)
