"""Errors of receivers put into simulated echoes, and what the calibration finds of them.

The array's response is judged as its far-field array factor: peak and highest sidelobe of the corrected weights
against an error-free array of the same live receivers, each normalised by the sum of its moduli.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.estimate.channels import (
    ChannelCalibrator,
    ChannelFix,
    ChannelSettings,
    ChannelState,
)
from pingloom.imaging.records import Sonar
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario

WAY_M = 1.8 / 11
SONARS = {
    "450 kHz": dict(sides="starboard", range_stop_m=24.0, depression_deg=15.0),
    "300 kHz": dict(
        sides="port",
        range_stop_m=24.0,
        depression_deg=20.0,
        n_channel=24,
        channel_pitch_m=0.015,
        transmit_along_m=0.025,
        centre_frequency_hz=300e3,
        sweep_hz=-40e3,
        pulse_duration_s=1e-3,
        sample_rate_hz=60e3,
    ),
}


@dataclass(frozen=True)
class Line:
    sonar: Sonar
    compressor: Compressor
    echo: NDArray[np.complex64]


@cache
def line(name: str, seed: int, point: bool = False, n_ping: int = 24) -> Line:
    target = dict(kind="point", along_m=2.0, across_m=15.0, strength_db=0.0)
    scenario = Scenario.from_dict(
        dict(
            seed=seed,
            sonar=SONARS[name],
            vehicle=dict(
                n_ping=n_ping,
                altitude_m=6.0,
                motion=[
                    dict(axis="sway", amplitude_m=0.03, period_s=6.0),
                    dict(axis="yaw", amplitude_deg=0.5, period_s=5.0),
                ],
            ),
            water=dict(noise_db=50.0),
            seabed=dict(per_cell=3.0),
            targets=[target] if point else [],
        )
    )
    (sonar,) = echoes.sonars(scenario).values()
    echo = np.stack([ping.echo for ping, _ in echoes.simulate(scenario)])
    return Line(sonar, Compressor.prepare(sonar, CompressSettings()), echo)


def errors(n: int, seed: int, *, gain_db: float = 1.0, phase_deg: float = 20.0) -> NDArray[np.complex64]:
    rng = np.random.default_rng(seed)
    gain = 10 ** (gain_db / 20 * rng.standard_normal(n))
    return (gain * np.exp(1j * np.deg2rad(phase_deg) * rng.standard_normal(n))).astype(np.complex64)


def calibrate(
    made: Line,
    error: NDArray,
    *,
    dead: tuple[int, ...] = (),
    noisy: tuple[int, ...] = (),
    state: ChannelState | None = None,
    part: slice = slice(None),
    settings: ChannelSettings | None = None,
    altitude_m: float = 6.0,
) -> tuple[ChannelState, ChannelFix]:
    calibrator = ChannelCalibrator.prepare(
        made.sonar, made.compressor, sound_speed_m_s=1500.0, settings=settings
    )
    state = state or calibrator.start()
    rms = np.sqrt(np.mean(np.abs(made.echo[0]) ** 2))
    for k, echo in list(enumerate(made.echo))[part]:
        rng = np.random.default_rng(k)
        echo = echo * error[:, None]
        echo[:, list(dead)] = 0
        hum = rng.standard_normal((2, len(noisy), echo.shape[2]))
        echo[:, list(noisy)] = (rms * (hum[0] + 1j * hum[1])).astype(np.complex64)
        compressed = made.compressor.run(echo.astype(np.complex64))
        state, fix = calibrator.update(state, compressed, altitude_m=altitude_m, way_m=WAY_M)
    return state, fix


def factor(weight: NDArray) -> tuple[float, float]:
    """Peak and highest sidelobe below it, of the array factor normalised by the sum of moduli. [dB]"""
    u = np.linspace(-0.5, 0.5, 4001)
    beam = np.abs(np.exp(2j * np.pi * u[:, None] * np.arange(weight.size)) @ weight) / np.abs(weight).sum()
    k = int(np.argmax(beam))
    high = np.flatnonzero((beam[1:-1] > beam[:-2]) & (beam[1:-1] > beam[2:])) + 1
    aside = high[np.abs(u[high] - u[k]) > 0.9 / weight.size]
    return 20 * np.log10(beam[k]), 20 * np.log10(beam[aside].max() / beam[k])


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
    made = line(name, seed)
    error = errors(made.sonar.n_channel, seed)
    _, fix = calibrate(made, error, dead=dead, noisy=noisy)
    assert set(np.flatnonzero(~fix.live[0])) == {*dead, *noisy}
    ideal = factor(fix.live[0].astype(float))
    before, after = factor(error * fix.live[0]), factor(error * fix.weight[0])
    assert before[0] < ideal[0] - 0.15, "the errors do harm"
    # Pieces that nothing ties keep the mean of their own receivers' errors, 20 degrees over the root of their number.
    tied = fix.n_untied == 0
    assert after[0] == pytest.approx(ideal[0], abs=0.05 if tied else 0.2)
    assert after[1] == pytest.approx(ideal[1], abs=1.0 if tied else 1.8)
    # Seabed level is kept: the receivers left out are made up for.
    assert np.abs(np.sum(error * fix.weight[0])) / error.size == pytest.approx(1, abs=0.08)


@pytest.mark.parametrize(("name", "seed"), [("450 kHz", 2), ("300 kHz", 5)])
def test_a_good_array_is_not_made_worse(name, seed) -> None:
    made = line(name, seed)
    _, fix = calibrate(made, np.ones(made.sonar.n_channel, np.complex64))
    assert fix.live.all()
    assert factor(fix.weight[0])[0] > -0.01  # asked: 0.05 dB
    assert np.std(fix.gain_db) < 0.1
    assert np.rad2deg(np.std(fix.phase_rad)) < 2.0


def test_stated_phase_error_is_the_true_one() -> None:
    made = line("450 kHz", 1)
    error = errors(32, 11)
    _, fix = calibrate(made, error)
    base = np.stack([np.ones(32), np.arange(32)], axis=1)
    true = np.angle(error)
    true = true - base @ np.linalg.lstsq(base, true, rcond=None)[0]
    off = np.std(fix.phase_rad[0] - true)
    assert 0.5 < off / np.sqrt(np.mean(fix.phase_std_rad**2)) < 2.0
    assert fix.n_piece == 1
    assert np.std(fix.gain_db[0] - 20 * np.log10(np.abs(error)) - np.median(fix.gain_db)) < 0.1


def test_a_slope_of_phase_is_left_alone() -> None:
    """It can't be told from a seabed lit from elsewhere: the mechanical positions are trusted."""
    made = line("450 kHz", 1)
    slope = np.exp(1j * 0.4 * np.arange(32)).astype(np.complex64)
    _, fix = calibrate(made, slope)
    assert np.rad2deg(np.abs(fix.phase_rad)).max() < 5


def test_pieces_are_tied_by_redundant_centres_where_these_reach_and_said_untied_where_not() -> None:
    step = np.where(np.arange(32) > 10, np.exp(1j * np.deg2rad(60)), 1).astype(np.complex64)
    _, tied = calibrate(line("450 kHz", 1), step, dead=(10,))
    assert (tied.n_piece, tied.n_untied) == (2, 0)
    left = np.angle(step * tied.weight[0])[tied.live[0]]
    assert np.rad2deg(np.abs(left[10:].mean() - left[:10].mean() - _tilt(left, tied.live[0]))) < 8
    # Receivers 15 and 16 dead: every pair of coinciding centres lies across the gap and its sway is unknown.
    _, loose = calibrate(line("450 kHz", 1), step, dead=(15, 16))
    assert (loose.n_piece, loose.n_untied) == (2, 1)
    _, alone = calibrate(line("450 kHz", 1), step, dead=(10,), settings=ChannelSettings(tie_redundant=False))
    assert alone.n_untied == 1


def _tilt(phase: NDArray, live: NDArray) -> float:
    """What a straight line through the phases makes of the step between the two pieces."""
    x = np.flatnonzero(live).astype(float)
    line = np.polyval(np.polyfit(x, phase, 1), x)
    return float(line[10:].mean() - line[:10].mean())


def test_a_strong_point_ties_pieces() -> None:
    step = np.where(np.arange(32) > 15, np.exp(1j * np.deg2rad(40)), 1).astype(np.complex64)
    _, fix = calibrate(line("450 kHz", 6, point=True), step, dead=(15, 16))
    assert (fix.n_piece, fix.n_untied) == (2, 0)
    assert factor(step * fix.weight[0])[0] > factor(fix.live[0].astype(float))[0] - 0.05


def test_delays_are_told() -> None:
    """5 us on one receiver: 3.75 mm, a tenth of a range cell; as a phase two turns and a quarter."""
    made = line("450 kHz", 3)
    frequency = np.fft.fftfreq(made.echo.shape[-1], made.sonar.sample_interval_s)
    late = made.echo.copy()
    turn = np.exp(-2j * np.pi * (frequency + 450e3) * 5e-6)
    late[:, :, 12] = np.fft.ifft(np.fft.fft(late[:, :, 12]) * turn)
    _, fix = calibrate(Line(made.sonar, made.compressor, late), np.ones(32, np.complex64))
    assert fix.delay_s[0, 12] == pytest.approx(5e-6, abs=1.5e-6)
    assert np.abs(np.delete(fix.delay_s[0], 12)).max() < 3e-6
    assert factor(turn[0] ** (np.arange(32) == 12) * fix.weight[0])[0] > -0.02


def test_poor_evidence_freezes_what_is_known() -> None:
    made = line("450 kHz", 1)
    error = errors(32, 1)
    state, known = calibrate(made, error, part=slice(0, 12))
    noise = np.random.default_rng(0).standard_normal((2, *made.echo.shape)).astype(np.float32)
    deaf = Line(made.sonar, made.compressor, (noise[0] + 1j * noise[1])[:3])
    after, fix = calibrate(deaf, error, state=state)
    assert fix.frozen
    assert after.n_ping == state.n_ping
    np.testing.assert_array_equal(fix.weight, known.weight)
    _, lost = calibrate(made, error, state=state, part=slice(0, 1), altitude_m=float("nan"))
    assert lost.frozen


def test_nothing_is_corrected_before_there_is_evidence() -> None:
    _, fix = calibrate(line("450 kHz", 1), np.ones(32, np.complex64), part=slice(0, 4))
    assert fix.weight is None
    assert "too little" in fix.reason


def test_going_on_from_the_state_gives_the_same_weights() -> None:
    made = line("450 kHz", 2)
    error = errors(32, 2)
    _, whole = calibrate(made, error, dead=(10,))
    state, _ = calibrate(made, error, dead=(10,), part=slice(0, 13))
    _, rest = calibrate(made, error, dead=(10,), state=state, part=slice(13, None))
    np.testing.assert_array_equal(whole.weight, rest.weight)
