"""Who shared machines with whom, and the cheapest swap that would tell unconnected people apart."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from arcdrift.arrays import Floats
from arcdrift.charts.intervals import Z95

MOST_SWAPS = 6
FLAT = 100.0
"""Variance of what parts of a crew may differ by: as good as anything."""
THIN = 0.03
"""Share of a part's days shared with the rest below which it is a part of its own."""


@dataclass(frozen=True)
class Swap:
    """A technician who should work on a splicer for a while.

    ``reason`` is a sentence; ``half_width`` is what the 95 % interval of the difference between
    the two sets would then be, on the scale of the measure.
    """

    technician: str
    splicer: str
    days: int
    splices: int
    half_width: float
    reason: str


def connected_sets(work: pd.DataFrame) -> dict[tuple[str, str], int]:
    """Number of the connected set each person and machine belongs to, the largest first.

    Parameters
    ----------
    work : DataFrame
        One column a grouping (``technician``, ``splicer``, ...); one row a piece of shared work.

    Returns
    -------
    dict
        By ``(column, name)``.
    """
    names: list[tuple[str, str]] = []
    codes = []
    pairs = work.astype(str).drop_duplicates()
    for column in pairs.columns:
        code, known = pd.factorize(pairs[column])
        codes.append(code + len(names))
        names += [(str(column), str(name)) for name in known]
    first = np.concatenate([codes[0]] * (len(codes) - 1))
    other = np.concatenate(codes[1:])
    size = len(names)
    links = coo_array((np.ones(len(first)), (first, other)), shape=(size, size))
    count, label = connected_components(links, directed=False)
    order = np.argsort(-np.bincount(label, minlength=count), kind="stable")
    rank = np.empty(count, dtype=int)
    rank[order] = np.arange(count)
    return {name: int(rank[place]) for name, place in zip(names, label, strict=True)}


def home_parts(work: pd.DataFrame, sets: dict[tuple[str, str], int]) -> dict[tuple[str, str], int]:
    """Parts of a crew that share little work, so that each is compared on its own terms.

    Parameters
    ----------
    work : DataFrame
        ``technician``, ``splicer``; one row a day of work.
    sets : dict
        From `connected_sets`.

    Returns
    -------
    dict
        Number of the part of each technician and splicer; sets are parts, and a set is cut in two
        as long as less than `THIN` of the smaller half's days cross the cut.

    Notes
    -----
    The cut is by the sign of the Fiedler vector of the normalized Laplacian (Shi and Malik 2000,
    from memory).
    """
    days = work.astype(str).groupby(["technician", "splicer"]).size()
    known = {key: value for key, value in sets.items() if key[0] in ("technician", "splicer")}
    waiting = [[key for key, value in known.items() if value == one]
               for one in sorted(set(known.values()))]  # fmt: skip
    parts: list[list[tuple[str, str]]] = []
    while waiting:
        members = waiting.pop(0)
        halves = _thin_cut(members, days)
        if halves is None:
            parts.append(members)
        else:
            waiting += halves
    parts.sort(key=len, reverse=True)
    return {key: number for number, members in enumerate(parts) for key in members}


def _thin_cut(
    members: list[tuple[str, str]], days: pd.Series
) -> list[list[tuple[str, str]]] | None:
    place = {key: number for number, key in enumerate(members)}
    weight = np.zeros((len(members), len(members)))
    for key, count in days.items():
        person, machine = map(str, key)  # type: ignore[call-overload]
        i, j = place.get(("technician", person)), place.get(("splicer", machine))
        if i is not None and j is not None:
            weight[i, j] = weight[j, i] = count
    volume = weight.sum(axis=1)
    if len(members) < 4 or (volume == 0).any():
        return None
    scale = 1.0 / np.sqrt(volume)
    laplacian = np.eye(len(members)) - scale[:, None] * weight * scale
    side = (np.linalg.eigh(laplacian)[1][:, 1] * scale) > 0
    if side.all() or not side.any():
        return None
    crossing = weight[side][:, ~side].sum()
    if crossing / min(volume[side].sum(), volume[~side].sum()) >= THIN:
        return None
    halves = [[key for key, s in zip(members, side, strict=True) if s == wanted]
              for wanted in (True, False)]  # fmt: skip
    both = all({"technician", "splicer"} <= {kind for kind, _ in half} for half in halves)
    return halves if both else None


def cheapest_swaps(
    cells: pd.DataFrame,
    sets: dict[tuple[str, str], int],
    variances: dict[str, float],
    *,
    half_width: float,
    most_days: int = 15,
) -> list[Swap]:
    """Propose who should work where, and how long, so that unconnected sets can be compared.

    Parameters
    ----------
    cells : DataFrame
        One row a technician-day on a splicer: ``technician``, ``splicer``, ``n``.
    sets : dict
        From `connected_sets`.
    variances : dict
        ``technician``, ``splicer``, ``stint`` and ``residual`` (of a typical day) of the measure.
    half_width : float
        The 95 % interval wanted for the difference between the people of two sets, as a half.
    most_days : int
        Longest stay proposed for one swap.

    Returns
    -------
    list of Swap
        In order; sets are joined to the largest one after another.

    Notes
    -----
    Weighed two-way layout: a pair of person and splicer with d days in s weeks measures their
    sum with variance stint/s + residual/d. The variance of the difference of two sets' people,
    given the shrinkage, falls with each added pair by a rank-one update (Sherman and Morrison
    1950, from memory); every person is tried on every splicer of the other set.
    """
    count = len(set(sets.values()))
    if count < 2:
        return []
    people = sorted({name for kind, name in sets if kind == "technician"})
    machines = sorted({name for kind, name in sets if kind == "splicer"})
    where = {("technician", name): i for i, name in enumerate(people)}
    where |= {("splicer", name): len(people) + i for i, name in enumerate(machines)}
    stint, day = variances.get("stint", 0.0), variances["residual"]
    prior = [variances["technician"]] * len(people) + [variances["splicer"]] * len(machines)
    # nothing is taken for granted on how the people, or the machines, of two sets differ
    spread = np.diag(np.maximum(prior, 1e-6))
    for kind in ("technician", "splicer"):
        for one in range(count):
            member = np.array([key[0] == kind and sets[key] == one for key in where], dtype=float)
            spread += FLAT * np.outer(member, member)
    information = np.linalg.inv(spread)
    worked = cells.groupby(["technician", "splicer"], as_index=False).agg(
        days=("n", "size"), splices=("n", "sum")
    )
    for person, machine, days in zip(
        worked["technician"].astype(str), worked["splicer"].astype(str), worked["days"].astype(int),
        strict=True,
    ):  # fmt: skip
        pair = np.zeros(len(prior))
        pair[[where["technician", person], where["splicer", machine]]] = 1.0
        information += np.outer(pair, pair) / (stint / np.ceil(days / 5) + day / days)
    covariance = np.linalg.inv(information)
    a_day = max(1, round(float(worked["splices"].sum() / worked["days"].sum())))
    joined, found = [0], []
    for other in range(1, count):
        contrast = _difference(where, sets, people, joined, other)
        for _ in range(MOST_SWAPS):
            best = _best(covariance, contrast, where, sets, joined, other, stint, day, half_width,
                         most_days)  # fmt: skip
            days, person, machine, width = best
            pair = np.zeros(len(prior))
            pair[[where["technician", person], where["splicer", machine]]] = 1.0
            covariance = _updated(covariance, pair, stint / np.ceil(days / 5) + day / days)
            found.append(
                Swap(person, machine, days, days * a_day, width,
                     f"{person} on {machine} for {days} days (about {days * a_day} splices)")
            )  # fmt: skip
            if width <= half_width:
                break
        joined.append(other)
    return found


def _difference(
    where: dict[tuple[str, str], int],
    sets: dict[tuple[str, str], int],
    people: list[str],
    joined: list[int],
    other: int,
) -> Floats:
    """Mean of the people of the joined sets less the mean of those of another."""
    contrast = np.zeros(len(where))
    ours = [where["technician", name] for name in people if sets["technician", name] in joined]
    theirs = [where["technician", name] for name in people if sets["technician", name] == other]
    contrast[ours], contrast[theirs] = 1.0 / len(ours), -1.0 / len(theirs)
    return contrast


def _best(
    covariance: Floats, contrast: Floats, where: dict[tuple[str, str], int],
    sets: dict[tuple[str, str], int], joined: list[int], other: int, stint: float, day: float,
    half_width: float, most_days: int,
) -> tuple[int, str, str, float]:  # fmt: skip
    """The shortest stay that tells, or the longest allowed stay that tells most."""
    now = float(contrast @ covariance @ contrast)
    best: tuple[float, int, str, str] | None = None
    for (kind, person), i in where.items():
        if kind != "technician":
            continue
        for (sort, machine), j in where.items():
            across = {sets["technician", person], sets.get(("splicer", machine), -1)}
            if sort != "splicer" or other not in across or not across & set(joined):
                continue
            pair = np.zeros(len(contrast))
            pair[[i, j]] = 1.0
            spread = float(pair @ covariance @ pair)
            gain = float(contrast @ covariance @ pair) ** 2
            for days in range(2, most_days + 1):
                error = stint / np.ceil(days / 5) + day / days
                width = Z95 * float(np.sqrt(max(now - gain / (spread + error), 0.0)))
                told = width <= half_width
                rank = (days + width / 1e3 if told else 1e6 + width, days, person, machine)
                if best is None or rank[0] < best[0]:
                    best, kept = rank, width
                if told:
                    break
    if best is None:
        raise ValueError("no person and splicer of the two sets can be paired")
    return best[1], best[2], best[3], kept


def _updated(covariance: Floats, pair: Floats, error: float) -> Floats:
    moved = covariance @ pair
    result: Floats = covariance - np.outer(moved, moved) / (float(pair @ moved) + error)
    return result
