"""Regression of splice loss on the mismatch of the arc setting.

The mismatch of a splice is the setting required by its air and wear, according to the arc model,
less the setting in force, which is that of the last passed check. Because checks repeat with
limited precision and the air changes, every crew works with many mismatches in random order; its
own losses show what they cost.
"""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import csr_array, hstack
from scipy.special import fdtrc, stdtrit

from arcdrift.analysis.arc.arc_model import DEFAULT_TOLERANCE, ArcModel, Refusal
from arcdrift.analysis.arc.arc_regressors import center_air
from arcdrift.analysis.arc.indoor_checks import INDOOR_PROBABILITY_LIMIT
from arcdrift.analysis.arc.pooled_regression import SLOPES
from arcdrift.analysis.setting_cost.mismatch_cost import MismatchCost
from arcdrift.analysis.setting_cost.mismatch_groups import CELL_COLUMNS, MOMENTS, PAIRS
from arcdrift.arrays import Floats, Ints
from arcdrift.settings import Crew, Splicer

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
    frame["group"] = _groups(frame, crew)
    names = sorted(frame["group"].unique())
    columns: list[Floats] = []
    in_group = [(frame["group"] == name).to_numpy() for name in names]
    scaled = (frame["square"] / frame["usual"]).to_numpy()
    columns += [np.where(rows, scaled, 0.0) for rows in in_group]
    bin_of = np.searchsorted(BINS, (frame["rms"] / frame["sigma"]).to_numpy())
    share = (1.0 / frame["usual"]).to_numpy()
    for rows in in_group:
        columns += [np.where(rows & (bin_of == b), share, 0.0) for b in range(1, len(BINS) + 1)]
    fit = _Regression.prepare(frame, np.column_stack(columns))
    costs: list[MismatchCost] = []
    for index, rows in enumerate(in_group):
        group = frame[rows]
        costs += _group_costs(group, bin_of[rows], index, len(names), fit, model_of, crew)
    return sorted(costs, key=lambda cost: (cost.splicer, cost.program_class))


def _with_mismatch(
    cells: pd.DataFrame, points: pd.DataFrame, model_of: dict[str, ArcModel]
) -> pd.DataFrame:
    """Cells of splicers with a model and of epochs with a level, with ``square`` and ``rms``."""
    columns = [*CELL_COLUMNS, "square", "rms", "usual", "sigma"]
    if cells.empty or points.empty or not model_of:
        return pd.DataFrame(columns=columns)
    slopes = pd.DataFrame({name: model.mean[:SLOPES] for name, model in model_of.items()}).T
    used = points[points["excluded"].isna() & points["splicer"].isin(model_of)]
    row_slopes = slopes.loc[used["splicer"]].to_numpy()
    residual = used["arc_setting"] - (center_air(used).to_numpy(dtype=float) * row_slopes).sum(
        axis=1
    )
    by_epoch = used.assign(residual=residual).groupby(["splicer", "epoch"])["residual"]
    levels = by_epoch.agg(["mean", "size"])
    alarmed = points.groupby(["splicer", "epoch"])["alarm"].any()
    levels = levels[(levels["size"] >= LEVEL_CHECKS) & ~alarmed.reindex(levels.index)]
    indoor = points.loc[points["heated"] > INDOOR_PROBABILITY_LIMIT, ["splicer", "checked_at"]]
    frame = cells.merge(indoor.drop_duplicates().assign(indoor=True), how="left")
    frame = frame[frame.pop("indoor").isna()]
    frame = frame.merge(levels["mean"].rename("level"), on=["splicer", "epoch"])
    frame["square"] = mean_square_mismatch(frame, slopes.loc[frame["splicer"]].to_numpy())
    frame["rms"] = np.sqrt(frame["square"])
    frame["sigma"] = frame["splicer"].map({name: model.sigma for name, model in model_of.items()})
    stream = frame.groupby(["splicer", "program", "segment"])
    frame["usual"] = stream["capped"].transform("sum") / stream["n"].transform("sum")
    return frame[frame["usual"] > 0].reset_index(drop=True)


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


def _groups(frame: pd.DataFrame, crew: Crew) -> pd.Series:
    """Model, unit and program class of each cell as one key."""
    settings = {name: crew.splicers.get(name, Splicer()) for name in frame["splicer"].unique()}
    model = frame["splicer"].map({name: s.model for name, s in settings.items()})
    unit = frame["splicer"].map({name: s.setting_unit for name, s in settings.items()})
    kind = frame["program"].map({name: crew.class_of(name) for name in frame["program"].unique()})
    return model + "\n" + unit + "\n" + kind


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
        splicer, names = pd.factorize(frame["splicer"])
        return cls(rows[:, 0], rows[:, 1:], pd.factorize(week * len(names) + splicer)[0])

    def solve(self, selected: list[int]) -> tuple[Floats, Floats]:
        """Coefficients of some columns and their covariance.

        The covariance is clustered, but variances are never smaller than with independent cells:
        with a few dozen clusters the clustered estimate is too small. What the cells cannot tell
        apart has an infinite variance.
        """
        x = self.x[:, selected]
        scale = np.sqrt((x**2).sum(axis=0))
        scale[scale == 0] = 1.0
        gram = (x / scale).T @ (x / scale)
        inverse = np.linalg.pinv(gram, rcond=RANK, hermitian=True)
        is_estimable = np.abs(inverse @ gram - np.eye(len(selected))).max(axis=1) < _ESTIMABLE
        inverse /= np.outer(scale, scale)
        beta = inverse @ (x.T @ self.y)
        residual = self.y - x @ beta
        scores = x * residual[:, None]
        clusters = self.clusters
        sums = np.column_stack(
            [np.bincount(self.cluster, column, minlength=clusters) for column in scores.T]
        )
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

    @property
    def clusters(self) -> int:
        """Number of splicer-weeks."""
        return int(self.cluster.max()) + 1


@dataclass(frozen=True)
class _SharedEffects:
    """Effects shared by cells: streams between restarts, technicians, and possibly days.

    ``stream`` is the stream of each cell, ``indicators`` one column of zeros and ones for each
    technician and, where enough splicers share them, for each day.
    """

    stream: Ints
    indicators: csr_array

    @classmethod
    def from_cells(cls, frame: pd.DataFrame) -> "_SharedEffects":
        """Build from cells; with effects of days if at least `SHARED_DAYS` splicers share them."""
        keys = [frame.groupby("technician").ngroup()]
        if frame.groupby("day")["splicer"].nunique().median() >= SHARED_DAYS:
            keys.append(frame.groupby("day").ngroup())
        rows, ones = np.arange(len(frame)), np.ones(len(frame))
        stream = frame.groupby(["splicer", "program", "segment"]).ngroup()
        columns = [csr_array((ones, (rows, key.to_numpy()))) for key in keys]
        return cls(np.asarray(stream, dtype=np.int64), hstack(columns).tocsr())

    def remove(self, root: Floats, columns: Floats) -> Floats:
        """Residuals of columns after weighted least squares on the shared effects.

        Rows are scaled by ``root``, the root of their weights. Streams are many and share no cell,
        so they are eliminated first; the remaining system grows with technicians and days only.
        It is rank-deficient, because the columns of technicians and of days add up to the same.
        """
        weight = root**2
        rows = np.arange(len(root))
        streams = csr_array((np.ones(len(root)), (self.stream, rows)))
        total = streams @ weight
        weighted = self.indicators * weight[:, None]
        cross = (streams @ weighted).toarray()
        stream_sums = streams @ (weight[:, None] * columns)
        normal = (self.indicators.T @ weighted).toarray() - cross.T @ (cross / total[:, None])
        right_side = weighted.T @ columns - cross.T @ (stream_sums / total[:, None])
        effect = np.linalg.pinv(normal, rcond=RANK, hermitian=True) @ right_side
        stream_effect = (stream_sums - cross @ effect) / total[:, None]
        return np.asarray(
            root[:, None] * (columns - self.indicators @ effect - stream_effect[self.stream])
        )


def _group_costs(
    group: pd.DataFrame,
    bin_of: Ints,
    index: int,
    groups: int,
    fit: _Regression,
    model_of: dict[str, ArcModel],
    crew: Crew,
) -> list[MismatchCost]:
    """Cost of one group's mismatches, repeated for each of its splicers."""
    _, unit, program_class = str(group["group"].iloc[0]).split("\n")
    splicers = sorted(group["splicer"].unique())
    n = group["n"].to_numpy(dtype=float)
    order = np.argsort(group["rms"].to_numpy())
    position = np.searchsorted(np.cumsum(n[order]), 0.99 * n.sum())
    seen = float(group["rms"].to_numpy()[order][position])
    below_share = float(group["below"].sum()) / float(n.sum())
    square_columns = list(range(groups))
    weeks = len(np.unique(fit.cluster[group.index]))
    t_quantile = float(stdtrit(max(weeks - 1, 1), 0.975))
    beta, cov = fit.solve(square_columns)
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
