"""What a wrong arc setting costs in loss, so that recalibrating can be weighed against it.

The mismatch of a splice is the setting its air and wear asked for, by the arc model, less the
one in force, which is the last passed check's. Checks repeat only so well and air moves on, so
every crew works with many mismatches, in an order nobody chose; its own losses tell what they
cost.
"""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import csr_array, hstack
from scipy.stats import f as fisher
from scipy.stats import t as student

from arcdrift.analysis.arc.arc_drift import center_air
from arcdrift.analysis.arc.arc_model import ArcModel, Refusal
from arcdrift.analysis.arc.indoor_checks import INDOOR_PROBABILITY_LIMIT
from arcdrift.analysis.arc.pooled_regression import SLOPES
from arcdrift.analysis.setting_cost.mismatch_cost import Worth
from arcdrift.analysis.setting_cost.mismatch_groups import CELL_COLUMNS, MOMENTS, PAIRS
from arcdrift.arrays import Floats, Ints
from arcdrift.settings import Crew, Splicer

TOLERANCES = 3.0
"""Tolerance in repeatabilities where crew.toml sets none."""
LEVEL_CHECKS = 5
"""Checks of an epoch before its level, and so a mismatch, is known well enough."""
FEWEST_CELLS = 30
SHARED_DAYS = 4
"""Splicers at work on a usual day from which each day's own effect can be taken out."""
BINS = (1.0, 2.0, 3.0)
"""Edges in repeatabilities at which mismatches are parted to look at the shape of their cost."""
ODD_SHAPE = 0.01
RANK = 1e-10
"""Share of the largest eigenvalue below which one counts as nothing."""
VAGUE = 0.5
"""An interval from nothing up to this share of the usual loss says nothing."""


def worth_of_recalibrating(
    cells: pd.DataFrame, points: pd.DataFrame, models: list[ArcModel | Refusal], crew: Crew
) -> list[Worth]:
    """Estimate what a mismatch costs, by splicer model, setting unit and program class.

    Parameters
    ----------
    cells : DataFrame
        From `mismatch_cells`, splicers together.
    points : DataFrame
        Charted arc points of the same splicers, with
        `arcdrift.analysis.arc.arc_drift.drift_charts`' columns.
    models : list
        Their arc models; a splicer without one has no known mismatch.

    Returns
    -------
    list of Worth
        One for each splicer with a model and class of its programs.

    Notes
    -----
    Weighted least squares of the capped mean loss of each cell, relative to its stream's, on the
    mean squared mismatch by group: no linear term, as the arc's optimum is where the checks aim.
    Taken out before: each stream between restarts, each technician, and each day where enough
    splicers share it. So only losses of the same stream and the same hands are compared.
    Intervals are clustered by splicer and week. The shape is checked by parting the mismatches
    into bins beside the square.

    A mismatch is known up to the model's own error. Given the checks the true one scatters about
    the estimate, not the other way around, so its square is too small by a variance that is near
    constant in an epoch, and the slope stays unbiased (regression calibration; Carroll, Ruppert
    and Stefanski 2006, from memory). What air sensors miss does pull it toward nothing. Capping
    hides what splices above the cap would add; the share of splices below it makes that good, as
    if each lost alike.

    Left out are epochs in which the drift chart alarmed (there the model's level is wrong), and
    splices after a check that was perhaps made in a heated room nobody measured.
    """
    known = {model.splicer: model for model in models if isinstance(model, ArcModel)}
    frame = _with_mismatch(cells, points, known)
    if frame.empty:
        return []
    frame["group"] = _groups(frame, crew)
    names = sorted(frame["group"].unique())
    columns: list[Floats] = []
    in_group = [(frame["group"] == name).to_numpy() for name in names]
    scaled = (frame["square"] / frame["usual"]).to_numpy()
    columns += [np.where(mine, scaled, 0.0) for mine in in_group]
    bin_of = np.searchsorted(BINS, (frame["rms"] / frame["sigma"]).to_numpy())
    share = (1.0 / frame["usual"]).to_numpy()
    for mine in in_group:
        columns += [np.where(mine & (bin_of == b), share, 0.0) for b in range(1, len(BINS) + 1)]
    fit = _Fit.of(frame, np.column_stack(columns))
    worths: list[Worth] = []
    for number, mine in enumerate(in_group):
        group = frame[mine]
        worths += _told(group, bin_of[mine], number, len(names), fit, known, crew)
    return sorted(worths, key=lambda worth: (worth.splicer, worth.program_class))


def _with_mismatch(
    cells: pd.DataFrame, points: pd.DataFrame, known: dict[str, ArcModel]
) -> pd.DataFrame:
    """Cells of splicers with a model and of epochs with a level, with ``square`` and ``rms``."""
    columns = [*CELL_COLUMNS, "square", "rms", "usual", "sigma"]
    if cells.empty or points.empty or not known:
        return pd.DataFrame(columns=columns)
    slopes = pd.DataFrame({name: model.mean[:SLOPES] for name, model in known.items()}).T
    used = points[points["excluded"].isna() & points["splicer"].isin(known)]
    own = slopes.loc[used["splicer"]].to_numpy()
    rest = used["arc_setting"] - (center_air(used).to_numpy(dtype=float) * own).sum(axis=1)
    levels = used.assign(rest=rest).groupby(["splicer", "epoch"])["rest"].agg(["mean", "size"])
    alarmed = points.groupby(["splicer", "epoch"])["alarm"].any()
    levels = levels[(levels["size"] >= LEVEL_CHECKS) & ~alarmed.reindex(levels.index)]
    roomed = points.loc[points["heated"] > INDOOR_PROBABILITY_LIMIT, ["splicer", "checked_at"]]
    frame = cells.merge(roomed.drop_duplicates().assign(roomed=True), how="left")
    frame = frame[frame.pop("roomed").isna()]
    frame = frame.merge(levels["mean"].rename("level"), on=["splicer", "epoch"])
    frame["square"] = mean_square(frame, slopes.loc[frame["splicer"]].to_numpy())
    frame["rms"] = np.sqrt(frame["square"])
    frame["sigma"] = frame["splicer"].map({name: model.sigma for name, model in known.items()})
    stream = frame.groupby(["splicer", "program", "segment"])
    frame["usual"] = stream["capped"].transform("sum") / stream["n"].transform("sum")
    return frame[frame["usual"] > 0].reset_index(drop=True)


def mean_square(cells: pd.DataFrame | Mapping[Hashable, Any], slopes: Floats) -> Floats:
    """Mean squared mismatch of the splices of each cell, in the square of the setting's unit.

    Parameters
    ----------
    cells : DataFrame, or columns by name
        From `mismatch_cells`, with ``level``: the setting asked for at the references of air and
        on new electrodes.
    slopes : array, shape (cells, 3) or (1, 3)
        Of the arc model of each cell's splicer.
    """
    columns = ["level", "arc_setting", "n", *MOMENTS]
    x = {name: np.asarray(cells[name], dtype=np.float64) for name in columns}
    gap = x["level"] - x["arc_setting"]
    first = sum(slopes[:, i] * x[f"x{i}"] for i in range(SLOPES)) / x["n"]
    second = sum(slopes[:, i] * slopes[:, j] * x[f"x{i}{j}"] * (1 + (i != j)) for i, j in PAIRS)
    return np.asarray(np.maximum(gap**2 + 2.0 * gap * first + second / x["n"], 0.0))


def _groups(frame: pd.DataFrame, crew: Crew) -> pd.Series:
    """Model, unit and program class of each cell as one key."""
    settings = {name: crew.splicers.get(name, Splicer()) for name in frame["splicer"].unique()}
    model = frame["splicer"].map({name: s.model for name, s in settings.items()})
    unit = frame["splicer"].map({name: s.setting_unit for name, s in settings.items()})
    kind = frame["program"].map({name: crew.class_of(name) for name in frame["program"].unique()})
    return model + "\n" + unit + "\n" + kind


@dataclass(frozen=True)
class _Fit:
    """Loss and columns with levels taken out, rows times the roots of their weights."""

    y: Floats
    x: Floats
    cluster: Ints

    @classmethod
    def of(cls, frame: pd.DataFrame, columns: Floats) -> "_Fit":
        n = frame["n"].to_numpy(dtype=float)
        mean = frame["capped"].to_numpy() / n
        usual = frame["usual"].to_numpy()
        relative = mean / usual - 1.0
        stray = np.maximum(frame["squares"].to_numpy() - n * mean**2, 0.0) / usual**2
        within = stray.sum() / max(float((n - 1).sum()), 1.0)
        levels = _Levels.of(frame)
        # what days add is what remains beyond the scatter of single splices
        root = np.sqrt(n)
        left = levels.taken_out(root, relative[:, None])
        between = max(float((left**2).mean() - within) / float(n.mean()), 0.0)
        root = 1.0 / np.sqrt(within / n + between)
        every = np.column_stack([relative, columns])
        kept = levels.taken_out(root, every)
        # weeks from Monday; 1970-01-01 was a Thursday
        week = (frame["day"].to_numpy().astype("datetime64[D]").astype(np.int64) + 3) // 7
        splicer, names = pd.factorize(frame["splicer"])
        return cls(kept[:, 0], kept[:, 1:], pd.factorize(week * len(names) + splicer)[0])

    def solve(self, pick: list[int]) -> tuple[Floats, Floats]:
        """Coefficients of some columns and their covariance.

        Clustered, but nowhere smaller than with independent cells: with a few dozen clusters the
        clustered one comes out too small.
        """
        x = self.x[:, pick]
        inverse = np.linalg.pinv(x.T @ x)
        beta = inverse @ (x.T @ self.y)
        left = self.y - x @ beta
        scores = x * left[:, None]
        clusters = self.clusters
        sums = np.column_stack(
            [np.bincount(self.cluster, column, minlength=clusters) for column in scores.T]
        )
        cov = inverse @ (sums.T @ sums) @ inverse * clusters / max(clusters - 1, 1)
        plain = inverse * float(left @ left) / max(len(left) - len(pick), 1)
        short = np.sqrt(np.maximum(np.diag(plain) / np.maximum(np.diag(cov), 1e-300), 1.0))
        return beta, cov * np.outer(short, short)

    @property
    def clusters(self) -> int:
        """How many splicer-weeks there are."""
        return int(self.cluster.max()) + 1


@dataclass(frozen=True)
class _Levels:
    """What each cell shares with others: its stream between restarts, and the rest as columns.

    The columns of ones and zeros stand for technicians and, where enough splicers share them, days.
    """

    stream: Ints
    shared: csr_array

    @classmethod
    def of(cls, frame: pd.DataFrame) -> "_Levels":
        keys = [frame.groupby("technician").ngroup()]
        if frame.groupby("day")["splicer"].nunique().median() >= SHARED_DAYS:
            keys.append(frame.groupby("day").ngroup())
        rows, ones = np.arange(len(frame)), np.ones(len(frame))
        stream = frame.groupby(["splicer", "program", "segment"]).ngroup()
        columns = [csr_array((ones, (rows, key.to_numpy()))) for key in keys]
        return cls(np.asarray(stream, dtype=np.int64), hstack(columns).tocsr())

    def taken_out(self, root: Floats, columns: Floats) -> Floats:
        """What weighted least squares on the levels leaves of columns, times the roots of weights.

        Streams are many and share no cell: they are eliminated first, so that what has to be
        solved grows with people and days only. It lacks rank, as levels add up to each other.
        """
        weight = root**2
        rows = np.arange(len(root))
        streams = csr_array((np.ones(len(root)), (self.stream, rows)))
        total = streams @ weight
        weighted = self.shared * weight[:, None]
        across = (streams @ weighted).toarray()
        aims = streams @ (weight[:, None] * columns)
        left = (self.shared.T @ weighted).toarray() - across.T @ (across / total[:, None])
        right = weighted.T @ columns - across.T @ (aims / total[:, None])
        level = np.linalg.pinv(left, rcond=RANK, hermitian=True) @ right
        own = (aims - across @ level) / total[:, None]
        return np.asarray(root[:, None] * (columns - self.shared @ level - own[self.stream]))


def _told(
    group: pd.DataFrame,
    bin_of: Ints,
    number: int,
    groups: int,
    fit: _Fit,
    known: dict[str, ArcModel],
    crew: Crew,
) -> list[Worth]:
    """One group's cost, told for each of its splicers."""
    _, unit, kind = str(group["group"].iloc[0]).split("\n")
    splicers = sorted(group["splicer"].unique())
    n = group["n"].to_numpy(dtype=float)
    order = np.argsort(group["rms"].to_numpy())
    reached = np.searchsorted(np.cumsum(n[order]), 0.99 * n.sum())
    seen = float(group["rms"].to_numpy()[order][reached])
    counted = float(group["below"].sum()) / float(n.sum())
    squares = list(range(groups))
    weeks = len(np.unique(fit.cluster[group.index]))
    wide = float(student.ppf(0.975, max(weeks - 1, 1)))
    beta, cov = fit.solve(squares)
    value, half = beta[number] / counted, wide * float(np.sqrt(cov[number, number])) / counted
    low, high = value - half, value + half
    sigma = float(np.average(group["sigma"], weights=n))
    first = groups + number * len(BINS)
    of_bin = np.bincount(bin_of, n, minlength=len(BINS) + 1)
    enough = [b for b in range(1, len(BINS) + 1) if of_bin[b] and of_bin[0]]
    others = [place for place in squares if place != number]
    extra = [first + b - 1 for b in enough]
    p, bins = 1.0, []
    if enough:
        beta, cov = fit.solve([*squares, *extra])
        tail = np.arange(groups, groups + len(extra))
        stray = float(beta[tail] @ np.linalg.pinv(cov[np.ix_(tail, tail)]) @ beta[tail])
        p = float(fisher.sf(stray / len(extra), len(extra), max(weeks - 1, 1)))
        beta, cov = fit.solve([*others, *extra])
        bins = _bins(beta[-len(extra) :], np.diag(cov)[-len(extra) :], enough, of_bin, sigma,
                     counted, wide)  # fmt: skip
    usual = float(np.average(group["usual"], weights=n))
    worths = []
    for splicer in splicers:
        tolerance = crew.splicers.get(splicer, Splicer()).tolerance
        tolerance = tolerance or TOLERANCES * known[splicer].sigma
        reason = _refusal(len(group), int(n.sum()), seen, unit, kind, low, high, usual, tolerance)
        plain = reason is None
        worths.append(
            Worth(
                splicer=splicer,
                program_class=kind,
                unit=unit,
                splicers=len(splicers),
                splices=int(n.sum()),
                days=int(group["day"].nunique()),
                seen=seen,
                per_square=float(value) if plain else None,
                low=float(low) if plain else None,
                high=float(high) if plain else None,
                odd_shape=p < ODD_SHAPE,
                bins=tuple(bins) if plain else (),
                refusal=reason,
            )
        )
    return worths


def _bins(
    cost: Floats, variance: Floats, enough: list[int], of_bin: npt.NDArray[Any], sigma: float,
    counted: float, wide: float,
) -> list[dict[str, Any]]:  # fmt: skip
    ends = [edge * sigma for edge in BINS]
    told = []
    for place, b in enumerate(enough):
        half = wide * float(np.sqrt(variance[place])) / counted
        value = float(cost[place]) / counted
        told.append(
            {
                "from": ends[b - 1],
                "to": ends[b] if b < len(ends) else None,
                "splices": int(of_bin[b]),
                "cost_db": value,
                "low_db": value - half,
                "high_db": value + half,
            }
        )
    return told


def _refusal(
    cells: int, splices: int, seen: float, unit: str, kind: str, low: float, high: float,
    usual: float, tolerance: float,
) -> str | None:  # fmt: skip
    if cells < FEWEST_CELLS:
        return f"only {splices} splices on {kind} programs with a known mismatch"
    if low <= 0 and seen < tolerance / 2:
        return f"never worked more than {seen:.2g} {unit} off on {kind} programs"
    if low <= 0 and high * seen**2 > VAGUE * usual:
        return f"losses on {kind} programs scatter too much to tell from {splices} splices"
    return None
