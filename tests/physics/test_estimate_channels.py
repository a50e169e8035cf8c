"""Errors of receivers put into simulated echoes, and what the calibration finds of them.

The array's response is judged as its far-field array factor: peak and highest sidelobe of the corrected weights
against an error-free array of the same live receivers, each normalised by the sum of its moduli.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pingloom.imaging.estimate.channels import ChannelSettings
from tests.physics.estimate_lines import ArrayLine, array_line, calibrate, errors, factor, late


# Dead receivers at the edge and inside; those inside cut the array into pieces.
@pytest.mark.parametrize(
    ("name", "seed", "dead", "noisy"),
    [
        ("450 kHz", 1, (9,), (20,)),
        ("450 kHz", 2, (31,), (10,)),
        ("450 kHz", 3, (15, 16), ()),
        ("300 kHz", 4, (7,), (17,)),
        ("300 kHz", 5, (0,), (12,)),
    ],
)
def test_peak_and_sidelobes_return_to_those_of_an_error_free_array(name, seed, dead, noisy) -> None:
    made = array_line(name, seed)
    error = errors(1, made.sonar.n_channel, seed=seed)
    _, fix = calibrate(made, error, dead=dead, noisy=noisy)
    assert set(np.flatnonzero(~fix.live[0])) == {*dead, *noisy}
    ideal = factor(fix.live[0].astype(float))
    before, after = factor(error[0] * fix.live[0]), factor(error[0] * fix.weight[0])
    assert before[0] < ideal[0] - 0.15, "the errors do harm"
    # Pieces that nothing ties keep the mean of their own receivers' errors, 20 degrees over the root of their number.
    tied = fix.n_untied == 0
    assert after[0] == pytest.approx(ideal[0], abs=0.05 if tied else 0.2)
    assert after[1] == pytest.approx(ideal[1], abs=1.0 if tied else 1.8)
    # Seabed level is kept: the receivers left out are made up for.
    assert np.abs(np.sum(error[0] * fix.weight[0])) / error.size == pytest.approx(1, abs=0.08)


@pytest.mark.parametrize(("name", "seed"), [("450 kHz", 2), ("300 kHz", 5)])
def test_a_good_array_is_not_made_worse(name, seed) -> None:
    made = array_line(name, seed)
    _, fix = calibrate(made, np.ones((1, made.sonar.n_channel), np.complex64))
    assert fix.live.all()
    assert factor(fix.weight[0])[0] > -0.01  # asked: 0.05 dB
    assert np.std(fix.gain_db) < 0.1
    assert np.rad2deg(np.std(fix.phase_rad)) < 2.0


def test_stated_phase_error_is_the_true_one() -> None:
    made = array_line("450 kHz", 1)
    error = errors(1, 32, seed=11)
    _, fix = calibrate(made, error)
    base = np.stack([np.ones(32), np.arange(32)], axis=1)
    true = np.angle(error[0])
    true = true - base @ np.linalg.lstsq(base, true, rcond=None)[0]
    off = np.std(fix.phase_rad[0] - true)
    assert 0.5 < off / np.sqrt(np.mean(fix.phase_std_rad**2)) < 2.0
    assert fix.n_piece == 1
    assert np.std(fix.gain_db[0] - 20 * np.log10(np.abs(error[0])) - np.median(fix.gain_db)) < 0.1


def test_a_slope_of_phase_is_left_alone() -> None:
    """It can't be told from a seabed lit from elsewhere: the mechanical positions are trusted."""
    made = array_line("450 kHz", 1)
    slope = np.exp(1j * 0.4 * np.arange(32)).astype(np.complex64)[None]
    _, fix = calibrate(made, slope)
    assert np.rad2deg(np.abs(fix.phase_rad)).max() < 5


def test_pieces_are_tied_by_redundant_centres_where_these_reach_and_said_untied_where_not() -> None:
    step = np.where(np.arange(32) > 10, np.exp(1j * np.deg2rad(60)), 1).astype(np.complex64)[None]
    _, tied = calibrate(array_line("450 kHz", 1), step, dead=(10,))
    assert (tied.n_piece, tied.n_untied) == (2, 0)
    left = np.angle(step[0] * tied.weight[0])[tied.live[0]]
    assert np.rad2deg(np.abs(left[10:].mean() - left[:10].mean() - _tilt(left, tied.live[0]))) < 8
    # Receivers 15 and 16 dead: every pair of coinciding centres lies across the gap and its sway is unknown.
    _, loose = calibrate(array_line("450 kHz", 1), step, dead=(15, 16))
    assert (loose.n_piece, loose.n_untied) == (2, 1)
    _, alone = calibrate(
        array_line("450 kHz", 1), step, dead=(10,), settings=ChannelSettings(tie_redundant=False)
    )
    assert alone.n_untied == 1


def _tilt(phase: NDArray, live: NDArray) -> float:
    """What a straight line through the phases makes of the step between the two pieces."""
    x = np.flatnonzero(live).astype(float)
    line = np.polyval(np.polyfit(x, phase, 1), x)
    return float(line[10:].mean() - line[:10].mean())


def test_a_strong_point_ties_pieces() -> None:
    step = np.where(np.arange(32) > 15, np.exp(1j * np.deg2rad(40)), 1).astype(np.complex64)[None]
    _, fix = calibrate(array_line("450 kHz", 6, point=True), step, dead=(15, 16))
    assert (fix.n_piece, fix.n_untied) == (2, 0)
    assert factor(step[0] * fix.weight[0])[0] > factor(fix.live[0].astype(float))[0] - 0.05


@pytest.mark.parametrize(("name", "seed"), [("450 kHz", 3), ("300 kHz", 5)])
def test_delays_are_told_and_undone(name, seed) -> None:
    """4 us rms is 3 mm of range; one receiver is 16 us late, a third of a range cell, and seven turns of phase."""
    made = array_line(name, seed)
    n = made.sonar.n_channel
    delay = 4e-6 * np.random.default_rng(seed).standard_normal((1, n))
    delay[0, 12] = 16e-6
    _, fix = calibrate(late(made, delay), np.ones((1, n), np.complex64))
    assert fix.live.all()
    base = np.stack([np.ones(n), np.arange(n)], axis=1)
    true = delay[0] - base @ np.linalg.lstsq(base, delay[0], rcond=None)[0]
    off = fix.delay_s[0] - true
    assert np.std(off) < 1e-6  # 0.6 to 0.8 us when this was written
    assert 0.5 < np.std(off) / np.sqrt(np.mean(fix.delay_std_s**2)) < 2.0
    # Where a delay is sure it is undone; what is left is below the harm of 0.02 / B.
    left = true - fix.delay_undone_s[0]
    assert np.std(left) < 1.5e-6
    assert fix.delay_undone_s[0, 12] == pytest.approx(true[12], abs=2e-6)
    turn = np.exp(-2j * np.pi * made.compressor.carrier_hz * delay[0])
    assert factor(turn * fix.weight[0])[0] > -0.05


def test_no_delay_is_undone_where_there_is_none() -> None:
    for name, seed in (("450 kHz", 1), ("450 kHz", 2), ("300 kHz", 5)):
        made = array_line(name, seed)
        _, fix = calibrate(made, errors(1, made.sonar.n_channel, seed=seed))
        assert fix.delay_undone_s is None or np.abs(fix.delay_undone_s).max() < 3e-6


def test_poor_evidence_freezes_what_is_known() -> None:
    made = array_line("450 kHz", 1)
    error = errors(1, 32, seed=1)
    state, known = calibrate(made, error, part=slice(0, 12))
    noise = np.random.default_rng(0).standard_normal((2, *made.echo.shape)).astype(np.float32)
    deaf = ArrayLine(made.sonar, made.compressor, (noise[0] + 1j * noise[1])[:3], made.roll_rad)
    after, fix = calibrate(deaf, error, state=state)
    assert fix.frozen
    assert after.n_ping == state.n_ping
    np.testing.assert_array_equal(fix.weight, known.weight)
    _, lost = calibrate(made, error, state=state, part=slice(0, 1), altitude_m=float("nan"))
    assert lost.frozen


def test_nothing_is_corrected_before_there_is_evidence() -> None:
    _, fix = calibrate(array_line("450 kHz", 1), np.ones((1, 32), np.complex64), part=slice(0, 4))
    assert fix.weight is None
    assert "too little" in fix.reason


def test_going_on_from_the_state_gives_the_same_weights() -> None:
    made = array_line("450 kHz", 2)
    error = errors(1, 32, seed=2)
    _, whole = calibrate(made, error, dead=(10,))
    state, _ = calibrate(made, error, dead=(10,), part=slice(0, 13))
    _, rest = calibrate(made, error, dead=(10,), state=state, part=slice(13, None))
    np.testing.assert_array_equal(whole.weight, rest.weight)
