"""The factor without its zeros, against the whole matrix, and models with units against those."""

import numpy as np
import pytest
from scipy.sparse import csr_array

from arcdrift.charts.bordered_cholesky import BorderedCholesky, EffectOrder, later_sums
from arcdrift.charts.random_effects import RandomEffectsModel

UNITS, DAYS = 40, 6


def crew_cells(rng: np.random.Generator, n: int = 500) -> dict[str, np.ndarray]:
    """Cells of streams of units, of people who each work on few of these, on common days."""
    unit = rng.integers(0, UNITS, n)
    return {
        "unit": unit,
        "stream": unit * 2 + rng.integers(0, 2, n),
        "person": (unit + rng.integers(0, 3, n)) // 2,
        "day": rng.integers(0, DAYS, n),
        "step": np.where(rng.random(n) < 0.4, unit, -1),
        "values": rng.normal(0.1, 0.3, n),
        "variance": rng.uniform(0.005, 0.05, n),
    }


def model_of(cells: dict[str, np.ndarray], units: np.ndarray | None) -> RandomEffectsModel:
    names = (("stream", 0.2), ("person", 0.1), ("day", 0.03), ("step", 0.1))
    block = cells["unit"] * DAYS + cells["day"]
    return RandomEffectsModel(
        cells["values"],
        cells["variance"],
        [(cells[name], sd) for name, sd in names],
        blocks=(block, np.full(len(block), 0.01)),
        units=units,
        shifts=[(cells["day"] > 3, 0.35), (cells["unit"] == 4, 0.35)],
    )


def test_units_change_the_work_and_no_figure() -> None:
    cells = crew_cells(np.random.default_rng(4))
    # unordered codes with gaps, as those of splicers in a selection of cells
    plain, by_unit = model_of(cells, None), model_of(cells, (cells["unit"] * 7) % 101)
    sets = np.stack([cells["person"] == 3, cells["day"] == 2, cells["stream"] == 9], axis=1)
    for found, expected in zip(
        by_unit.scores_and_information(sets), plain.scores_and_information(sets), strict=True
    ):
        np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-11)
    subject = np.stack([cells["stream"], 2 * UNITS + cells["person"], np.full(500, 3 * UNITS)])
    found_all, expected_all = (
        model.scores_by_onset(model.by_onset(subject, 3 * UNITS + 1, cells["day"] - 1, DAYS - 1))
        for model in (by_unit, plain)
    )
    for found, expected in zip(found_all, expected_all, strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-10, atol=1e-9)


def bordered(rng: np.random.Generator) -> tuple[np.ndarray, EffectOrder]:
    """A positive definite matrix with blocks of two sizes and a border, in its order."""
    cells = crew_cells(rng)
    effects = [cells["stream"], 2 * UNITS + cells["person"], 3 * UNITS + cells["day"]]
    rows = np.tile(np.arange(500), 3)
    codes = np.unique(np.concatenate(effects), return_inverse=True)[1]
    size = int(codes.max()) + 1
    order = EffectOrder(rows, codes, cells["unit"], size)
    indicators = np.zeros((500, size))
    indicators[rows, order.place[codes]] = 1.0
    return indicators.T @ indicators + np.eye(size), order


def test_factor_is_that_of_the_whole_matrix() -> None:
    rng = np.random.default_rng(7)
    matrix, order = bordered(rng)
    size = len(matrix)
    # streams belong to a unit, people to few, days to all
    assert (len(order.unit), size - len(order.unit) - order.narrow) == (2 * UNITS, DAYS)
    factor = BorderedCholesky(csr_array(matrix), order)
    columns = rng.normal(size=(size, 3))
    lower = np.linalg.cholesky(matrix)
    np.testing.assert_allclose(factor.solve(columns), np.linalg.solve(lower, columns), atol=1e-9)
    np.testing.assert_allclose(
        factor.solve_transposed(columns), np.linalg.solve(lower.T, columns), atol=1e-9
    )


@pytest.mark.parametrize("series", [1, 70])
def test_squares_of_later_sums_are_those_of_the_whole_factor(series: int) -> None:
    rng = np.random.default_rng(series)
    matrix, order = bordered(rng)
    size, length = len(matrix), 4
    factor = BorderedCholesky(csr_array(matrix), order)
    columns = rng.normal(size=(series * length, size)) * (rng.random((1, size)) < 0.3)
    solved = np.linalg.solve(np.linalg.cholesky(matrix), columns.T).T
    expected = (later_sums(solved.reshape(series, length, -1), axis=1) ** 2).sum(axis=2)
    wanted = rng.random((series, length)) < 0.6
    found = factor.squares_of_later_sums(csr_array(columns), wanted)
    np.testing.assert_allclose(found, expected[wanted], rtol=1e-9)
