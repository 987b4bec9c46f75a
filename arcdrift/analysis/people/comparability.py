"""Which people can be compared through shared machines, and swaps that would connect the rest."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.linalg import eigh
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from arcdrift.analysis.common.grouping import group_index
from arcdrift.arrays import Bools, Floats
from arcdrift.charts.intervals import Z95

MOST_SWAPS = 6
"""Swaps proposed at most to connect one set with the others."""
DIFFUSE_VARIANCE = 100.0
"""Prior variance of the difference between parts of a crew: so large that it says nothing."""
LEAST_SHARED = 0.03
"""A part of a crew that shares less than this of its days with the rest stands on its own."""


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
    """Number the connected set each person and machine belongs to, the largest set first.

    Parameters
    ----------
    work : DataFrame
        One column a grouping (``technician``, ``splicer``, ...); a row connects its values.

    Returns
    -------
    dict of int
        Number of the set, 0 for the largest, by ``(column, name)``.
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


def weakly_linked_parts(
    work: pd.DataFrame, sets: dict[tuple[str, str], int]
) -> dict[tuple[str, str], int]:
    """Split a crew into parts that share little work, so that each is compared within itself.

    Parameters
    ----------
    work : DataFrame
        ``technician``, ``splicer``; one row a day of work.
    sets : dict
        From `connected_sets`.

    Returns
    -------
    dict
        Number of the part of each technician and splicer. Each connected set is a part at first;
        a part is cut in two as long as less than `LEAST_SHARED` of the smaller half's days cross
        the cut.

    Notes
    -----
    The cut is by the sign of the Fiedler vector of the normalized Laplacian (Shi and Malik 2000,
    from memory).
    """
    pair, first = group_index(work["technician"], work["splicer"])
    days = work[["technician", "splicer"]].iloc[first].astype(str).assign(days=np.bincount(pair))
    known = {key: value for key, value in sets.items() if key[0] in ("technician", "splicer")}
    waiting = [
        [key for key, number in known.items() if number == wanted]
        for wanted in sorted(set(known.values()))
    ]
    parts: list[list[tuple[str, str]]] = []
    while waiting:
        members = waiting.pop(0)
        halves = _sparse_cut(members, days)
        if halves is None:
            parts.append(members)
        else:
            waiting += halves
    parts.sort(key=len, reverse=True)
    return {key: number for number, members in enumerate(parts) for key in members}


def _sparse_cut(
    members: list[tuple[str, str]], days: pd.DataFrame
) -> list[list[tuple[str, str]]] | None:
    """Cut members in two where they share the least work; None where every cut is too costly."""
    people, machines = (
        [name for kind, name in members if kind == wanted] for wanted in ("technician", "splicer")
    )
    if len(members) < 4:
        return None
    row = pd.Index(people).get_indexer(pd.Index(days["technician"]))
    column = pd.Index(machines).get_indexer(pd.Index(days["splicer"]))
    inside = (row >= 0) & (column >= 0)
    weight = np.zeros((len(people), len(machines)))
    weight[row[inside], column[inside]] = days["days"].to_numpy(dtype=np.float64)[inside]
    of_people, of_machines = weight.sum(axis=1), weight.sum(axis=0)
    if not (of_people.all() and of_machines.all()):
        return None
    side_of_people, side_of_machines = _fiedler_sides(weight, of_people, of_machines)
    side = dict(zip([("technician", name) for name in people], side_of_people, strict=True))
    side |= zip([("splicer", name) for name in machines], side_of_machines, strict=True)
    if len(set(side.values())) < 2:
        return None
    crossing = (
        weight[side_of_people][:, ~side_of_machines].sum()
        + weight[~side_of_people][:, side_of_machines].sum()
    )
    volume = of_people[side_of_people].sum() + of_machines[side_of_machines].sum()
    if crossing / min(volume, 2.0 * weight.sum() - volume) >= LEAST_SHARED:
        return None
    halves = [[key for key in members if side[key] == wanted] for wanted in (True, False)]
    both = all({"technician", "splicer"} <= {kind for kind, _ in half} for half in halves)
    return halves if both else None


def _fiedler_sides(weight: Floats, of_people: Floats, of_machines: Floats) -> tuple[Bools, Bools]:
    """On which side of the cut people and machines are.

    Work ties people to machines only, so the second vector of the Laplacian is made of the second
    singular vectors of the normalized work: those of the smaller side are found, and the others
    follow (Dhillon 2001, from memory).
    """
    normalized = weight / np.sqrt(of_people)[:, None] / np.sqrt(of_machines)
    if len(of_people) > len(of_machines):
        machines, people = _fiedler_sides(weight.T, of_machines, of_people)
        return people, machines
    second = len(of_people) - 2
    if second < 0:
        return np.ones(len(of_people), dtype=bool), np.ones(len(of_machines), dtype=bool)
    vector = eigh(normalized @ normalized.T, subset_by_index=[second, second])[1][:, 0]
    return np.asarray(vector > 0), np.asarray(vector @ normalized > 0)


def cheapest_swaps(
    cells: pd.DataFrame,
    sets: dict[tuple[str, str], int],
    variances: dict[str, float],
    *,
    half_width: float,
    most_days: int = 15,
) -> list[Swap]:
    """Propose who should work on which splicer, and for how long, to compare unconnected sets.

    Parameters
    ----------
    cells : DataFrame
        One row a technician-day on a splicer: ``technician``, ``splicer``, ``n``.
    sets : dict
        From `connected_sets`.
    variances : dict
        ``technician``, ``splicer``, ``stint`` and ``residual`` (of a typical day) of the measure.
    half_width : float
        Wanted half width of the 95 % interval of the difference between the people of two sets.
    most_days : int
        Longest stay proposed for one swap.

    Returns
    -------
    list of Swap
        In the order to be made; sets are connected to the largest one after another.

    Notes
    -----
    Weighted two-way layout: d days of one person on one splicer in s weeks measure the sum of
    their effects with variance stint/s + residual/d. Each further pair lowers the variance of the
    difference between two sets' people by a rank-one update (Sherman and Morrison 1950, from
    memory); every person is tried on every splicer of the other set.
    """
    count = len(set(sets.values()))
    if count < 2:
        return []
    people = sorted({name for kind, name in sets if kind == "technician"})
    machines = sorted({name for kind, name in sets if kind == "splicer"})
    position = {("technician", name): i for i, name in enumerate(people)}
    position |= {("splicer", name): len(people) + i for i, name in enumerate(machines)}
    stint_variance, day_variance = variances.get("stint", 0.0), variances["residual"]
    prior = [variances["technician"]] * len(people) + [variances["splicer"]] * len(machines)
    # the difference between the people, or the machines, of two sets is unknown beforehand
    prior_covariance = np.diag(np.maximum(prior, 1e-6))
    for kind in ("technician", "splicer"):
        for part in range(count):
            member = np.array(
                [key[0] == kind and sets[key] == part for key in position], dtype=float
            )
            prior_covariance += DIFFUSE_VARIANCE * np.outer(member, member)
    information = np.linalg.inv(prior_covariance)
    worked = cells.groupby(["technician", "splicer"], as_index=False).agg(
        days=("n", "size"), splices=("n", "sum")
    )
    for person, machine, days in zip(
        worked["technician"].astype(str), worked["splicer"].astype(str), worked["days"].astype(int),
        strict=True,
    ):  # fmt: skip
        pair = np.zeros(len(prior))
        pair[[position["technician", person], position["splicer", machine]]] = 1.0
        information += np.outer(pair, pair) / (
            stint_variance / np.ceil(days / 5) + day_variance / days
        )
    covariance = np.linalg.inv(information)
    per_day = max(1, round(float(worked["splices"].sum() / worked["days"].sum())))
    joined, swaps = [0], []
    for other in range(1, count):
        contrast = _set_contrast(position, sets, people, joined, other)
        for _ in range(MOST_SWAPS):
            best = _best_swap(
                covariance,
                contrast,
                position,
                sets,
                joined,
                other,
                stint_variance,
                day_variance,
                half_width,
                most_days,
            )
            days, person, machine, width = best
            pair = np.zeros(len(prior))
            pair[[position["technician", person], position["splicer", machine]]] = 1.0
            covariance = _rank_one_update(
                covariance, pair, stint_variance / np.ceil(days / 5) + day_variance / days
            )
            swaps.append(
                Swap(person, machine, days, days * per_day, width,
                     f"{person} on {machine} for {days} days (about {days * per_day} splices)")
            )  # fmt: skip
            if width <= half_width:
                break
        joined.append(other)
    return swaps


def _set_contrast(
    position: dict[tuple[str, str], int],
    sets: dict[tuple[str, str], int],
    people: list[str],
    joined: list[int],
    other: int,
) -> Floats:
    """Weights of the mean of the people of the joined sets less the mean of another set's."""
    contrast = np.zeros(len(position))
    ours = [position["technician", name] for name in people if sets["technician", name] in joined]
    theirs = [position["technician", name] for name in people if sets["technician", name] == other]
    contrast[ours], contrast[theirs] = 1.0 / len(ours), -1.0 / len(theirs)
    return contrast


def _best_swap(
    covariance: Floats, contrast: Floats, position: dict[tuple[str, str], int],
    sets: dict[tuple[str, str], int], joined: list[int], other: int, stint_variance: float,
    day_variance: float, half_width: float, most_days: int,
) -> tuple[int, str, str, float]:  # fmt: skip
    """Find the shortest stay that is precise enough, or else the most precise longest stay.

    Returns
    -------
    days, person, machine, half_width
    """
    variance_now = float(contrast @ covariance @ contrast)
    best: tuple[float, int, str, str] | None = None
    for (kind, person), i in position.items():
        if kind != "technician":
            continue
        for (other_kind, machine), j in position.items():
            across = {sets["technician", person], sets.get(("splicer", machine), -1)}
            if other_kind != "splicer" or other not in across or not across & set(joined):
                continue
            pair = np.zeros(len(contrast))
            pair[[i, j]] = 1.0
            pair_variance = float(pair @ covariance @ pair)
            gain = float(contrast @ covariance @ pair) ** 2
            for days in range(2, most_days + 1):
                error = stint_variance / np.ceil(days / 5) + day_variance / days
                width = Z95 * float(
                    np.sqrt(max(variance_now - gain / (pair_variance + error), 0.0))
                )
                precise_enough = width <= half_width
                score = (
                    days + width / 1e3 if precise_enough else 1e6 + width,
                    days,
                    person,
                    machine,
                )
                if best is None or score[0] < best[0]:
                    best, best_width = score, width
                if precise_enough:
                    break
    if best is None:
        raise ValueError("no person and splicer of the two sets can be paired")
    return best[1], best[2], best[3], best_width


def _rank_one_update(covariance: Floats, pair: Floats, error: float) -> Floats:
    """Covariance after one more measurement of a pair's sum with the given error variance."""
    change = covariance @ pair
    updated: Floats = covariance - np.outer(change, change) / (float(pair @ change) + error)
    return updated
