"""Upper tail of a beta-binomial count: events that cluster, as errors do within a day."""

import numpy as np
from scipy.special import bdtrc, betaln, gammaln

from arcdrift.arrays import Floats


def upper_tail(events: float, trials: float, share: float, dispersion: float) -> float:
    """Probability of at least so many of a number of events falling to one side.

    Parameters
    ----------
    events, trials : float
        Whole numbers, 0 <= events <= trials.
    share : float
        Expected share, between 0 and 1.
    dispersion : float
        Variance of the count over that of the binomial distribution, at least 1.

    Notes
    -----
    The share varies as a beta distribution whose intraclass correlation
    rho = (dispersion - 1) / (trials - 1) gives the count this variance (Skellam 1948, Journal of
    the Royal Statistical Society B 10, 257-261).
    """
    if events <= 0:
        return 1.0
    if share <= 0.0 or share >= 1.0:
        return float(share >= 1.0)
    dispersion = min(dispersion, 0.999 * trials)
    if dispersion <= 1.0 + 1e-9 or trials < 2:
        return float(bdtrc(events - 1.0, int(trials), share))
    rho = (dispersion - 1.0) / (trials - 1.0)
    scale = (1.0 - rho) / rho
    a, b = share * scale, (1.0 - share) * scale
    k: Floats = np.arange(events, trials + 1.0)
    choose = gammaln(trials + 1.0) - gammaln(k + 1.0) - gammaln(trials - k + 1.0)
    log_p = choose + betaln(k + a, trials - k + b) - betaln(a, b)
    return float(min(np.exp(log_p).sum(), 1.0))
