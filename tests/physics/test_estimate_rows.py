"""Arrays of more than one row: rows are tied to each other at the seabed's direction, and tie each other's pieces.

The gain of the whole array is judged towards the seabed: the sum over all live receivers of error times weight, over
the sum of its moduli.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.physics.estimate_lines import array_line, calibrate, errors, factor


def gain_db(weight: NDArray) -> float:
    return float(20 * np.log10(np.abs(weight.sum()) / np.abs(weight).sum()))


@pytest.mark.parametrize(
    ("name", "seed", "steps_deg", "roll_deg"),
    [("450 kHz", 1, (0, 70), 0.0), ("450 kHz", 2, (0, 120), 3.0), ("300 kHz", 3, (0, -60, 50), 2.0)],
)
def test_rows_of_different_phase_are_brought_together(name, seed, steps_deg, roll_deg) -> None:
    """Boards of rows 50 to 120 degrees apart, receivers 20 degrees rms and 1 dB, one dead; the vehicle rolls."""
    n_row = len(steps_deg)
    made = array_line(name, seed, n_row=n_row, roll_deg=roll_deg)
    error = errors(n_row, made.sonar.n_channel, seed=seed)
    error = (error * np.exp(1j * np.deg2rad(np.array(steps_deg)))[:, None]).astype(np.complex64)
    _, fix = calibrate(made, error, dead=(9,))
    assert np.argwhere(~fix.live).tolist() == [[0, 9]]
    assert fix.n_untied == 0, "the piece is tied by the row above it"
    corrected = error * fix.weight * fix.live
    assert gain_db(error * fix.live) < -1.0
    assert gain_db(corrected) > -0.3
    # The columns, rows summed, are an array again.
    ideal = factor(fix.live.any(axis=0).astype(float))
    assert factor(corrected.sum(axis=0))[0] == pytest.approx(ideal[0], abs=0.05)
    assert factor(corrected.sum(axis=0))[1] == pytest.approx(ideal[1], abs=1.0)


@pytest.mark.parametrize("roll_deg", [0.0, 3.0])
def test_good_rows_are_left_alone(roll_deg) -> None:
    made = array_line("450 kHz", 4, n_row=2, roll_deg=roll_deg)
    _, fix = calibrate(made, np.ones((2, 32), np.complex64))
    assert fix.live.all()
    assert gain_db(fix.weight) > -0.02
    assert np.rad2deg(np.std(fix.phase_rad)) < 4


def test_what_is_said_of_rows_is_as_good_as_the_seabed_s_direction() -> None:
    """Half a degree of roll that nobody knows of turns rows 8 mm apart by 0.13 rad; no more is believed of them."""
    made = array_line("450 kHz", 4, n_row=2)
    lied = type(made)(made.sonar, made.compressor, made.echo, made.roll_rad + np.deg2rad(0.5))
    _, fix = calibrate(lied, np.ones((2, 32), np.complex64))
    step = fix.phase_rad[1].mean() - fix.phase_rad[0].mean()
    assert 0.08 < abs(step) < 0.16
    assert fix.phase_std_rad.mean() > 0.03
