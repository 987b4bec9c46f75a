"""Regression of splice loss on the mismatch of the arc setting.

The mismatch of a splice is the setting required by its air and wear, according to the arc model,
less the setting in force, which is that of the last passed check. Because checks repeat with
limited precision and the air changes, every crew works with many mismatches in random order; its
own losses show what they cost.
"""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.linalg.lapack import dpotrs, dpstrf
from scipy.sparse import csr_array
from scipy.special import fdtrc, stdtrit

from arcdrift.analysis.arc.arc_model import DEFAULT_TOLERANCE, ArcModel, Refusal
from arcdrift.analysis.arc.arc_regressors import centered_regressors
from arcdrift.analysis.arc.indoor_checks import INDOOR_PROBABILITY_LIMIT
from arcdrift.analysis.arc.pooled_regression import SLOPES
from arcdrift.analysis.common.event_lookup import splicer_index, to_microseconds
from arcdrift.analysis.common.grouping import group_index, text_to_category
from arcdrift.analysis.common.mixed_columns import MixedColumns, indicators, members
from arcdrift.analysis.setting_cost.mismatch_cost import MismatchCost
from arcdrift.analysis.setting_cost.mismatch_groups import CELL_COLUMNS, MOMENTS, PAIRS
from arcdrift.arrays import Floats, Ints
from arcdrift.settings import Crew, Splicer

STREAM = ("splicer", "program", "segment")
"""Columns that name a stream between restarts."""
LEVEL_CHECKS = 5
"""Checks of an epoch required before its level, and so a mismatch, is known well enough."""
FEWEST_CELLS = 30
"""Cells of a group required for an estimate."""
SHARED_DAYS = 4
"""If at least this many splicers work on the median day, each day's effect is removed."""
BINS = (1.0, 2.0, 3.0)
"""Edges, in repeatabilities, of the bins of mismatch that show the shape of its cost."""
ODD_SHAPE = 0.01
"""P value below which the cost does not rise with the square of the mismatch."""
RANK = 1e-10
"""Eigenvalues below this share of the largest one count as zero."""
_ESTIMABLE = 1e-6
"""How far the resolution matrix may be from the identity for a coefficient that is told apart."""
VAGUE = 0.5
"""If the interval reaches from 0 to beyond this share of the usual loss, report no estimate."""


def estimate_mismatch_costs(
    cells: pd.DataFrame, points: pd.DataFrame, models: list[ArcModel | Refusal], crew: Crew
) -> list[MismatchCost]:
    """Estimate the cost of a mismatch by splicer model, setting unit and program class.

    Parameters
    ----------
    cells : DataFrame
        From `mismatch_cells`, splicers together.
    points : DataFrame
        Charted arc points of the same splicers, with
        `arcdrift.analysis.arc.arc_drift.drift_charts`' columns.
    models : list
        Their arc models; splicers without one are left out.

    Returns
    -------
    list of Worth
        One for each splicer with a model and each class of its programs.

    Notes
    -----
    Weighted least squares of the capped mean loss of each cell, relative to its stream's, on the
    mean squared mismatch by group. There is no linear term, because the checks aim at the arc's
    optimum. Effects of each stream between restarts, of each technician, and of each day shared
    by enough splicers are removed first, so that only losses of the same stream and technician
    are compared. Intervals are clustered by splicer and week. The shape is checked by adding bins
    of mismatch beside the square.

    A mismatch is known up to the model's error. Given the checks the true one scatters about the
    estimate, not the other way around, so its square is too small by a variance that is nearly
    constant in an epoch, and the slope stays unbiased (regression calibration; Carroll, Ruppert
    and Stefanski 2006, from memory). Errors of the air sensors do bias it toward 0. Capping hides
    the additional loss of splices above the cap; dividing by the share of splices below it
    corrects for that, assuming that all splices lose alike.

    Excluded are epochs in which the drift chart alarmed (the model's level is wrong there), and
    splices after a check that was possibly made in a heated room (`INDOOR_PROBABILITY_LIMIT`).
    """
    model_of = {model.splicer: model for model in models if isinstance(model, ArcModel)}
    frame = _with_mismatch(cells, points, model_of)
    if frame.empty:
        return []
    group_of, names = _groups(frame, crew)
    columns: list[Floats] = []
    in_group = [group_of == number for number in range(len(names))]
    scaled = (frame["square"] / frame["usual"]).to_numpy()
    columns += [np.where(rows, scaled, 0.0) for rows in in_group]
    bin_of = np.searchsorted(BINS, (frame["rms"] / frame["sigma"]).to_numpy())
    share = (1.0 / frame["usual"]).to_numpy()
    for rows in in_group:
        columns += [np.where(rows & (bin_of == b), share, 0.0) for b in range(1, len(BINS) + 1)]
    fit = _Regression.prepare(frame, np.column_stack(columns))
    square_costs = fit.solve(list(range(len(names))))
    costs: list[MismatchCost] = []
    for index, rows in enumerate(in_group):
        group = frame[rows]
        costs += _group_costs(group, bin_of[rows], index, names, fit, square_costs, model_of, crew)
    return sorted(costs, key=lambda cost: (cost.splicer, cost.program_class))


def _with_mismatch(
    cells: pd.DataFrame, points: pd.DataFrame, model_of: dict[str, ArcModel]
) -> pd.DataFrame:
    """Cells of splicers with a model and of epochs with a level, with ``square`` and ``rms``."""
    columns = [*CELL_COLUMNS, "square", "rms", "usual", "sigma"]
    if cells.empty or points.empty or not model_of:
        return pd.DataFrame(columns=columns)
    names = pd.Index(sorted(model_of))
    slopes = np.array([model_of[name].mean[:SLOPES] for name in names])
    frame = text_to_category(cells)
    place, splicer = splicer_index(points["splicer"], names), splicer_index(frame["splicer"], names)
    known = _levels(points, place, slopes)
    level = known.reindex(pd.MultiIndex.from_arrays([splicer, frame["epoch"]])).to_numpy()
    indoor = (points["heated"] > INDOOR_PROBABILITY_LIMIT).to_numpy()
    checked, at = (
        to_microseconds(times["checked_at"]) * len(names) + owner
        for times, owner in ((points[indoor], place[indoor]), (frame, splicer))
    )
    usable = ~np.isnan(level) & ~np.isin(at, checked[place[indoor] >= 0])
    frame, splicer = frame[usable].assign(level=level[usable]), splicer[usable]
    frame["square"] = mean_square_mismatch(frame, slopes[splicer])
    frame["rms"] = np.sqrt(frame["square"])
    frame["sigma"] = np.array([model_of[name].sigma for name in names])[splicer]
    stream, _ = group_index(*(frame[key] for key in STREAM))
    capped, n = (np.bincount(stream, frame[name]) for name in ("capped", "n"))
    frame["usual"] = (capped / n)[stream]
    with_loss: pd.DataFrame = frame[frame["usual"] > 0].reset_index(drop=True)
    return with_loss


def _levels(points: pd.DataFrame, place: Ints, slopes: Floats) -> pd.Series:
    """Setting required at the reference air on each pair of electrodes, where it is well known.

    Parameters
    ----------
    place : array of shape (points,)
        Position of each point's splicer among those with a model; -1 without one.
    slopes : array of shape (splicers, 3)

    Returns
    -------
    Series
        By position of the splicer and epoch.
    """
    used = (points["excluded"].isna() & (place >= 0)).to_numpy()
    effect = (centered_regressors(points[used]) * slopes[place[used]]).sum(axis=1)
    epoch, alarm = points["epoch"].to_numpy(), points["alarm"].to_numpy(dtype=bool)
    group, first = group_index(place[used], epoch[used])
    size = np.bincount(group)
    mean = np.bincount(group, points["arc_setting"].to_numpy(np.float64)[used] - effect) / size
    pair = pd.MultiIndex.from_arrays([place[used][first], epoch[used][first]])
    alarmed = pair.isin(pd.MultiIndex.from_arrays([place[alarm], epoch[alarm]]))
    return pd.Series(mean, pair)[(size >= LEVEL_CHECKS) & ~alarmed]


def mean_square_mismatch(cells: pd.DataFrame | Mapping[Hashable, Any], slopes: Floats) -> Floats:
    """Mean squared mismatch of the splices of each cell, in the square of the setting's unit.

    Parameters
    ----------
    cells : DataFrame, or columns by name
        From `mismatch_cells`, with ``level``: the setting required at the reference air and on
        new electrodes.
    slopes : array, shape (cells, 3) or (1, 3)
        Slopes of the arc model of each cell's splicer.
    """
    columns = ["level", "arc_setting", "n", *MOMENTS]
    sums = {name: np.asarray(cells[name], dtype=np.float64) for name in columns}
    gap = sums["level"] - sums["arc_setting"]
    mean_effect = sum(slopes[:, i] * sums[f"x{i}"] for i in range(SLOPES)) / sums["n"]
    effect_squares = sum(
        slopes[:, i] * slopes[:, j] * sums[f"x{i}{j}"] * (1 + (i != j)) for i, j in PAIRS
    )
    return np.asarray(
        np.maximum(gap**2 + 2.0 * gap * mean_effect + effect_squares / sums["n"], 0.0)
    )


def _groups(frame: pd.DataFrame, crew: Crew) -> tuple[Ints, list[str]]:
    """Model, unit and program class of each cell: number of its group, and keys of the groups."""
    pair, first = group_index(frame["splicer"], frame["program"])
    keys = []
    for splicer, program in zip(
        frame["splicer"].array[first], frame["program"].array[first], strict=True
    ):
        settings = crew.splicers.get(splicer, Splicer())
        keys.append(f"{settings.model}\n{settings.setting_unit}\n{crew.class_of(program)}")
    names, number = np.unique(keys, return_inverse=True)
    return number[pair], names.tolist()


@dataclass(frozen=True)
class _Regression:
    """Weighted regression with shared effects removed; rows are scaled by root weights.

    ``y`` is the relative loss, shape (n,), ``x`` the regressors, shape (n, p), and ``cluster``
    the splicer and week of each row.
    """

    y: Floats
    x: Floats
    cluster: Ints

    @classmethod
    def prepare(cls, frame: pd.DataFrame, columns: Floats) -> "_Regression":
        """Weight the cells, remove shared effects, and number the clusters."""
        n = frame["n"].to_numpy(dtype=float)
        mean = frame["capped"].to_numpy() / n
        usual = frame["usual"].to_numpy()
        relative = mean / usual - 1.0
        squares = np.maximum(frame["squares"].to_numpy() - n * mean**2, 0.0) / usual**2
        within = squares.sum() / max(float((n - 1).sum()), 1.0)
        shared = _SharedEffects.from_cells(frame)
        # variance between cells: what exceeds the scatter of single splices
        root = np.sqrt(n)
        residual = shared.remove(root, relative[:, None])
        between = max(float((residual**2).mean() - within) / float(n.mean()), 0.0)
        if within + between > 0:  # else every cell is one splice, or all splices are alike
            root = 1.0 / np.sqrt(within / n + between)
        table = np.column_stack([relative, columns])
        rows = shared.remove(root, table)
        # what the shared effects explain all but wholly is rounding error
        before = np.sqrt(((root[:, None] * table) ** 2).sum(axis=0))
        rows[:, np.sqrt((rows**2).sum(axis=0)) < RANK * before] = 0.0
        # weeks from Monday; 1970-01-01 was a Thursday
        week = (frame["day"].to_numpy().astype("datetime64[D]").astype(np.int64) + 3) // 7
        cluster, _ = group_index(week, frame["splicer"])
        return cls(rows[:, 0], rows[:, 1:], cluster)

    def solve(self, selected: list[int]) -> tuple[Floats, Floats]:
        """Coefficients of some columns and their covariance.

        The covariance is clustered, but variances are never smaller than with independent cells:
        with a few dozen clusters the clustered estimate is too small. What the cells cannot tell
        apart has an infinite variance.
        """
        x = self.x[:, selected]
        moments, right_side = self.moments
        moments = moments[np.ix_(selected, selected)]
        scale = np.sqrt(np.diag(moments))
        scale[scale == 0] = 1.0
        gram = moments / np.outer(scale, scale)
        inverse = np.linalg.pinv(gram, rcond=RANK, hermitian=True)
        is_estimable = np.abs(inverse @ gram - np.eye(len(selected))).max(axis=1) < _ESTIMABLE
        inverse /= np.outer(scale, scale)
        beta = inverse @ right_side[selected]
        residual = self.y - x @ beta
        sums, clusters = self.members @ (x * residual[:, None]), self.clusters
        half = sums @ inverse
        cov = half.T @ half * clusters / max(clusters - 1, 1)
        independent = inverse * float(residual @ residual) / max(len(residual) - len(selected), 1)
        clustered, least = np.diag(cov), np.diag(independent)
        # a single cluster, for one, has residuals that add up to nothing
        is_usable = clustered > RANK * least
        ratio = np.divide(least, clustered, out=np.ones_like(least), where=is_usable)
        inflation = np.sqrt(np.maximum(ratio, 1.0))
        cov = np.where(
            np.outer(is_usable, is_usable), cov * np.outer(inflation, inflation), independent
        )
        cov[np.diag_indices_from(cov)] = np.where(is_estimable, np.diag(cov), np.inf)
        return beta, cov

    @cached_property
    def moments(self) -> tuple[Floats, Floats]:
        """Products of all regressors with each other and with the relative loss."""
        return self.x.T @ self.x, self.x.T @ self.y

    @cached_property
    def members(self) -> csr_array:
        """Indicator of each cluster's rows, (clusters, n)."""
        return members(self.cluster)

    @property
    def clusters(self) -> int:
        """Number of splicer-weeks."""
        return int(self.cluster.max()) + 1


@dataclass(frozen=True)
class _SharedEffects:
    """Effects shared by cells: streams between restarts, technicians, and possibly days.

    ``streams`` has a row of zeros and ones for each stream, ``stream`` is the stream of each
    cell, ``marks`` has one column of zeros and ones for each technician and, where enough splicers
    share them, for each day.
    """

    streams: csr_array
    stream: Ints
    marks: MixedColumns

    @classmethod
    def from_cells(cls, frame: pd.DataFrame) -> "_SharedEffects":
        """Build from cells; with effects of days if at least `SHARED_DAYS` splicers share them."""
        _, first = group_index(frame["day"], frame["splicer"])
        keys = {"technician": frame["technician"]}
        if np.median(np.bincount(group_index(frame["day"].iloc[first])[0])) >= SHARED_DAYS:
            keys["day"] = frame["day"]
        stream, _ = group_index(*(frame[key] for key in STREAM))
        marks, _, _ = indicators(pd.DataFrame(keys))
        return cls(
            members(stream),
            stream,
            MixedColumns(np.empty((len(frame), 0)), marks),
        )

    def remove(self, root: Floats, columns: Floats) -> Floats:
        """Residuals of columns after weighted least squares on the shared effects.

        Rows are scaled by ``root``, the root of their weights. Streams are many and share no cell,
        so they are eliminated first; the remaining system grows with technicians and days only.
        It is rank-deficient, because the columns of technicians and of days add up to the same.
        """
        weight, marks = root**2, self.marks.sparse
        weighted = columns * weight[:, None]
        total = self.streams @ weight
        cross = ((self.streams * weight) @ marks).toarray()
        stream_sums = self.streams @ weighted
        scaled = cross / np.sqrt(total)[:, None]
        moments = self.marks.moments(weight)
        right_side = self.marks.transposed @ weighted - cross.T @ (stream_sums / total[:, None])
        least = RANK * float(np.diag(moments).max())
        effect = _solve_semidefinite(moments - scaled.T @ scaled, right_side, least)
        stream_effect = (stream_sums - cross @ effect) / total[:, None]
        residual = columns - marks @ effect - stream_effect[self.stream]
        return np.asarray(root[:, None] * residual)


def _solve_semidefinite(matrix: Floats, right_side: Floats, least: float) -> Floats:
    """A solution of linear equations of a positive semidefinite matrix that have one.

    Parameters
    ----------
    least : float
        What is left of a diagonal element below this is rounding error.

    Notes
    -----
    Cholesky's factor with pivots (LAPACK's ``pstrf``); unknowns that depend on those before them
    are set to 0.
    """
    factor, pivots, rank, _ = dpstrf(matrix, tol=least)
    result = np.zeros_like(right_side)
    if rank:
        basis = pivots[:rank] - 1
        result[basis] = dpotrs(factor[:rank, :rank], right_side[basis])[0]
    return result


def _group_costs(
    group: pd.DataFrame,
    bin_of: Ints,
    index: int,
    names: list[str],
    fit: _Regression,
    square_costs: tuple[Floats, Floats],
    model_of: dict[str, ArcModel],
    crew: Crew,
) -> list[MismatchCost]:
    """Cost of one group's mismatches, repeated for each of its splicers."""
    _, unit, program_class = names[index].split("\n")
    groups, splicers = len(names), sorted(map(str, group["splicer"].unique()))
    n = group["n"].to_numpy(dtype=float)
    order = np.argsort(group["rms"].to_numpy())
    position = np.searchsorted(np.cumsum(n[order]), 0.99 * n.sum())
    seen = float(group["rms"].to_numpy()[order][position])
    below_share = float(group["below"].sum()) / float(n.sum())
    square_columns = list(range(groups))
    weeks = len(np.unique(fit.cluster[group.index]))
    t_quantile = float(stdtrit(max(weeks - 1, 1), 0.975))
    beta, cov = square_costs
    value, half = (
        beta[index] / below_share,
        t_quantile * float(np.sqrt(cov[index, index])) / below_share,
    )
    low, high = value - half, value + half
    sigma = float(np.average(group["sigma"], weights=n))
    first = groups + index * len(BINS)
    splices_in_bin = np.bincount(bin_of, n, minlength=len(BINS) + 1)
    used_bins = [b for b in range(1, len(BINS) + 1) if splices_in_bin[b] and splices_in_bin[0]]
    other_groups = [column for column in square_columns if column != index]
    bin_columns = [first + b - 1 for b in used_bins]
    p, bins = 1.0, []
    if used_bins:
        beta, cov = fit.solve([*square_columns, *bin_columns])
        tail = groups + np.flatnonzero(np.isfinite(np.diag(cov)[groups:]))
        if len(tail):
            statistic = float(beta[tail] @ np.linalg.pinv(cov[np.ix_(tail, tail)]) @ beta[tail])
            p = float(fdtrc(len(tail), max(weeks - 1, 1), statistic / len(tail)))
        beta, cov = fit.solve([*other_groups, *bin_columns])
        bins = _bin_costs(
            beta[-len(bin_columns) :],
            np.diag(cov)[-len(bin_columns) :],
            used_bins,
            splices_in_bin,
            sigma,
            below_share,
            t_quantile,
        )
    usual = float(np.average(group["usual"], weights=n))
    costs = []
    for splicer in splicers:
        tolerance = crew.splicers.get(splicer, Splicer()).tolerance
        tolerance = tolerance or DEFAULT_TOLERANCE * model_of[splicer].sigma
        reason = _refusal(
            len(group), int(n.sum()), seen, unit, program_class, low, high, usual, tolerance
        )
        has_estimate = reason is None
        costs.append(
            MismatchCost(
                splicer=splicer,
                program_class=program_class,
                unit=unit,
                splicers=len(splicers),
                splices=int(n.sum()),
                days=int(group["day"].nunique()),
                seen=seen,
                per_square=float(value) if has_estimate else None,
                low=float(low) if has_estimate else None,
                high=float(high) if has_estimate else None,
                odd_shape=p < ODD_SHAPE,
                bins=tuple(bins) if has_estimate else (),
                refusal=reason,
            )
        )
    return costs


def _bin_costs(
    cost: Floats,
    variance: Floats,
    used_bins: list[int],
    splices_in_bin: npt.NDArray[Any],
    sigma: float,
    below_share: float,
    t_quantile: float,
) -> list[dict[str, Any]]:
    """Rows of `MismatchCost.bins`: the cost of each bin that is known, with a 95 % interval."""
    ends = [edge * sigma for edge in BINS]
    rows = []
    for position, b in enumerate(used_bins):
        if not np.isfinite(variance[position]):
            continue
        half = t_quantile * float(np.sqrt(variance[position])) / below_share
        value = float(cost[position]) / below_share
        rows.append(
            {
                "from": ends[b - 1],
                "to": ends[b] if b < len(ends) else None,
                "splices": int(splices_in_bin[b]),
                "cost_db": value,
                "low_db": value - half,
                "high_db": value + half,
            }
        )
    return rows


def _refusal(
    cells: int, splices: int, seen: float, unit: str, program_class: str, low: float, high: float,
    usual: float, tolerance: float,
) -> str | None:  # fmt: skip
    """Reason not to report the estimate; None if there is none."""
    if cells < FEWEST_CELLS:
        return f"only {splices} splices on {program_class} programs with a known mismatch"
    if low <= 0 and seen < tolerance / 2:
        return f"never worked more than {seen:.2g} {unit} off on {program_class} programs"
    if low <= 0 and high * seen**2 > VAGUE * usual:
        return f"losses on {program_class} programs scatter too much to tell from {splices} splices"
    return None
