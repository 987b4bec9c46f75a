"""Splice loss against the direct overlap integral of the two fields.

splice_loss_gaussian.csv: the overlap integral of two Gaussian fields evaluated numerically
(two-dimensional quadrature), beside the closed form of Marcuse 1977 (Bell System Technical
Journal 56, 703-718; formula from memory, agreeing with the integral to 1e-9).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import dblquad

from arcdrift.errors import BadInput
from arcdrift.simulate.work.optics import mismatch_loss_db, offset_loss_db, tilt_loss_db

TABLE = pd.read_csv(Path(__file__).parent / "data" / "splice_loss_gaussian.csv")


def splice_loss_db(radius_a_um, radius_b_um, *, offset_um=0.0, tilt_deg=0.0, **glass):
    """Unequal fields, offset and tilt together: their losses in dB add."""
    return (
        mismatch_loss_db(radius_a_um, radius_b_um)
        + offset_loss_db(radius_a_um, radius_b_um, offset_um)
        + tilt_loss_db(radius_a_um, radius_b_um, tilt_deg, **glass)
    )


def test_every_row_of_the_overlap_integral():
    got = splice_loss_db(
        TABLE["mfd1_um"] / 2,
        TABLE["mfd2_um"] / 2,
        offset_um=TABLE["offset_um"],
        tilt_deg=TABLE["tilt_deg"],
        wavelength_um=TABLE["wavelength_um"],
        index=TABLE["n"],
    )
    np.testing.assert_allclose(got, TABLE["loss_overlap_integral_dB"], atol=1e-8)


def test_against_an_integral_taken_here():
    wa, wb, offset, tilt = 4.3, 5.2, 0.7, 0.3
    phase = 2 * np.pi * 1.46 * np.sin(np.radians(tilt)) / 1.55

    def overlap(y: float, x: float) -> float:
        fields = np.exp(-(x**2 + y**2) / wa**2 - ((x - offset) ** 2 + y**2) / wb**2)
        # offset and tilt in planes at right angles keep the integral real
        return float(fields * np.cos(phase * y))

    integral, _ = dblquad(overlap, -20, 20, -20, 20, epsabs=1e-10)
    coupled = (2 / (np.pi * wa * wb) * integral) ** 2
    got = splice_loss_db(wa, wb, offset_um=offset, tilt_deg=tilt, wavelength_um=1.55)
    assert got == pytest.approx(-10 * np.log10(coupled), abs=1e-7)


def test_equal_fibers_cost_nothing():
    assert mismatch_loss_db(4.6, 4.6) == 0.0


def test_offset_of_equal_fibers():
    # 4.342945 (d / w)^2 dB, Marcuse 1977
    assert offset_loss_db(5.0, 5.0, 0.5) == pytest.approx(4.342945 * 0.01, rel=1e-6)


def test_swapping_the_fibers_changes_nothing():
    forward = splice_loss_db(4.3, 5.2, offset_um=0.4, tilt_deg=0.2)
    assert splice_loss_db(5.2, 4.3, offset_um=0.4, tilt_deg=0.2) == forward


def test_arrays_broadcast():
    got = splice_loss_db(4.6, np.array([4.4, 4.6]), offset_um=np.array([[0.0], [1.0]]))
    assert got.shape == (2, 2)


@pytest.mark.parametrize("radius", [0.0, -4.6])
def test_a_radius_must_be_positive(radius):
    with pytest.raises(BadInput, match="mode-field radius must be greater than 0"):
        mismatch_loss_db(4.6, radius)
