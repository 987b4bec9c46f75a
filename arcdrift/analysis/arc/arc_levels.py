"""Levels of one splicer's arc setting: one for each pair of electrodes, with bends in a drift."""

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pandas as pd

from arcdrift.analysis.arc.arc_regressors import centered_regressors
from arcdrift.analysis.arc.pooled_regression import PHI_ASSUMED
from arcdrift.arrays import Bools, Floats, Ints

SET_BACK_SHARE = 0.5
"""An arc count that falls below this share of the one before was set back."""
LEAST_SET_BACK = 200.0
"""Fewest arcs by which a count must fall for that; smaller falls may be typing errors."""
CREDIBLE_SD = 2.5
"""Standard deviations by which the mean of a change must differ from 0 to be more than a false
alarm: an alarm picks the most extreme of many stretches."""
GONE_CHECKS = 10
"""Latest checks, all after the alarm, that show whether a change has gone or lasts."""
GONE_SD = 2.0
"""Standard deviations of their mean within which it has gone."""
BEFORE = 25
"""Checks before a change that give the level it is measured from."""
FEWEST_BEFORE = 3
"""Fewest of them on the same electrodes."""
LEAD_CHECKS = 10
"""Checks before the estimated onset of a change to which a line of their own is fitted: a slow
drift begins before its estimated onset."""
BEND_CHECKS = 20
"""Checks between the bends of the line that follows a drifting level."""


def level_numbers(arcs: Floats, epoch: Ints) -> tuple[Ints, Bools]:
    """Number the levels of one splicer's checks in time order: 0, 1 ...

    A new level begins with each epoch, and where the arc count was set back although no
    replacement is on record.

    Parameters
    ----------
    arcs, epoch : array of shape (n,)
        Arcs on the electrodes and epoch of each check.

    Returns
    -------
    level : array of shape (n,)
    set_back : array of bool, shape (n,)
        Whether the arcs on the electrodes are fewer than at the check before.
    """
    set_back = counter_set_back(arcs)
    starts = set_back | (np.diff(epoch, prepend=epoch[:1]) != 0)
    return np.cumsum(starts), set_back


def counter_set_back(count: Floats) -> Bools:
    """Whether the arcs on the electrodes fell by much since the count before, shape (n,)."""
    known = np.where(np.isnan(count), -1, np.arange(len(count)))
    latest = np.maximum.accumulate(np.append(-1, known))[:-1]
    before = np.where(latest < 0, np.nan, count[latest])
    return np.asarray((count < SET_BACK_SHARE * before) & (before - count > LEAST_SET_BACK))


def level_basis(level: Ints, drifting: Bools) -> Floats:
    """Columns of a regression that carry the levels; the last one is the level of the last check.

    Parameters
    ----------
    level : array of shape (n,)
        Number of the level of each check, in time order.
    drifting : array of bool, shape (n,)
        Checks of an unexplained change.

    Returns
    -------
    array of shape (n, levels)
        A column of 0 and 1 for the other checks of each level. Through each run of drifting
        checks goes a line with bends every `BEND_CHECKS` checks; its columns are the weights of
        the bends, so their coefficients are the levels there.

    Notes
    -----
    With the drift as a term of its own the slopes are estimated from what the air does within
    days, and wear from electrodes that did not drift: a loose electrode holder that creeps up by
    a tenth of a repeatability a check would otherwise turn the sign of wear.
    """
    state = np.where(drifting, 2, _leads(level, drifting))
    columns: list[Floats] = [
        ((level == number) & (state == 0)).astype(np.float64)
        for number in np.unique(level[state == 0])
    ]
    for first, end in _runs(level, state):
        if state[first] > 0:
            columns += _bends(first, end, len(level))
    present = int(np.argmax([column[-1] for column in columns]))
    columns.append(columns.pop(present))
    return np.column_stack(columns)


def credible_changes(beyond: Floats, level: Ints, sd: Floats, alarm: Bools) -> Bools:
    """Whether each charted check of one splicer belongs to a change that is no false alarm.

    Parameters
    ----------
    beyond, level, alarm : array of shape (n,)
        Of the drift chart (`arcdrift.analysis.arc.arc_drift.DriftCharts`).
    sd : array of shape (n,)
        Standard deviation of each forecast.

    Notes
    -----
    It is none if the mean of all its checks differs from 0 by `CREDIBLE_SD`, or that of the latest
    ones after the alarm by `GONE_SD`. Checks are taken as correlated with `PHI_ASSUMED`.
    """
    changed = ~np.isnan(beyond)
    credible = np.zeros(len(beyond), dtype=bool)
    if not changed.any():
        return credible
    inflation = (1 + PHI_ASSUMED) / (1 - PHI_ASSUMED)
    for first, end in _runs(level, changed):
        if not changed[first]:
            continue
        size, variance = beyond[first:end], inflation * float(np.nanmean(sd[first:end] ** 2))
        after_alarm = end - first - int(np.argmax(alarm[first:end])) - 1
        lasting = after_alarm >= GONE_CHECKS and (
            size[-GONE_CHECKS:].mean() ** 2 > GONE_SD**2 * variance / GONE_CHECKS
        )
        credible[first:end] = lasting or size.mean() ** 2 > CREDIBLE_SD**2 * variance / len(size)
    return credible


def steps_beyond(used: pd.DataFrame, slopes: Floats) -> pd.Series:
    """Setting less what air, wear and the level before an unexplained change explain.

    Parameters
    ----------
    used : DataFrame
        One splicer's charted checks in time order: ``level``, ``beyond`` of the drift chart.
    slopes : array of shape (3,)
        Slopes on air and wear, estimated with unexplained changes as terms of their own; the
        chart's slopes, known at the time, are less precise.

    Returns
    -------
    Series
        By row of ``used``, setting units; NaN outside changes. The level before is the mean of the
        `BEFORE` latest checks on the same electrodes; with fewer than `FEWEST_BEFORE` of them,
        of the checks on earlier electrodes too.
    """
    own = used["arc_setting"].to_numpy(dtype=float) - centered_regressors(used) @ slopes
    level, changed = used["level"].to_numpy(), used["beyond"].notna().to_numpy()
    beyond = used["beyond"].to_numpy(dtype=float, copy=True)
    for start, end in _runs(changed):
        if not changed[start]:
            continue
        before = np.flatnonzero(~changed[:start])
        same = before[level[before] == level[start]]
        reference = (same if len(same) >= FEWEST_BEFORE else before)[-BEFORE:]
        if len(reference):
            beyond[start:end] = own[start:end] - own[reference].mean()
    return pd.Series(beyond, index=used.index)


def _leads(level: Ints, drifting: Bools) -> Ints:
    """1 for the `LEAD_CHECKS` checks before each change on its level, 0 elsewhere; shape (n,)."""
    lead = np.zeros(len(level), dtype=np.int64)
    for start, _ in _runs(drifting):
        if drifting[start]:
            before = np.arange(max(start - LEAD_CHECKS, 0), start)
            lead[before[level[before] == level[start]]] = 1
    return lead


def _runs(*values: Ints | Bools) -> Iterator[tuple[int, int]]:
    """First check and end (exclusive) of each run in which no value changes."""
    changes = [np.flatnonzero(value[1:] != value[:-1]) + 1 for value in values]
    starts = np.unique(np.concatenate(changes)).tolist()
    return pairwise([0, *starts, len(values[0])])


def _bends(first: int, end: int, n: int) -> list[Floats]:
    """Weights of the bends of a line through the checks ``first`` to ``end - 1``, shape (n,)."""
    length = end - first
    bends = 1 + max(round(length / BEND_CHECKS), 1) if length > BEND_CHECKS // 4 else 1
    positions = np.linspace(0.0, length - 1.0, bends)
    at = np.arange(length, dtype=np.float64)
    columns = []
    for bend in range(bends):
        height = np.zeros(bends)
        height[bend] = 1.0
        column = np.zeros(n)
        column[first:end] = np.interp(at, positions, height) if bends > 1 else 1.0
        columns.append(column)
    return columns
