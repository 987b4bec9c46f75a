"""Level of a series that moves only at known times: a Kalman filter in information form.

The level is known by its precision W (the inverse of its variance) and by T = W x level.
"""

from arcdrift.arrays import Floats


def remaining_weight(weight: Floats, added_variance: Floats) -> Floats:
    """Share of a precision that is left after the level may have moved.

    The prediction step: W becomes 1 / (1/W + q), the level stays, so that W and T = W x level both
    are multiplied by 1 / (1 + W q). A level that did not move (q = 0) keeps all of its precision.

    Parameters
    ----------
    weight, added_variance : array
        W and the variance q of the move, of one shape.

    References
    ----------
    Durbin and Koopman (2012), Time Series Analysis by State Space Methods, section 2.2.
    """
    share: Floats = 1.0 / (1.0 + weight * added_variance)
    return share
