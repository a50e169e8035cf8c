"""Altitude from simulated echoes of an independent program against the altitude that was simulated.

One range cell is the -3 dB slant width that the sweep alone gives, c/2 x 0.886/B; the pings are compressed with the
default window, whose cell is 1.5 times that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.estimate.bottom import (
    BottomFix,
    BottomState,
    BottomTracker,
    BottomTrackSettings,
    choose_altitude,
)
from pingloom.imaging.records import Sonar as OurSonar
from tests.reference.echo_sum import Sonar, Water, echoes, replica
from tests.reference.scenes import make_sonar

C = 1500.0
SPACING_M = 0.15


def starboard(depression_deg: float = 25.0) -> Sonar:
    return make_sonar(
        "starboard",
        sweep_hz=(435e3, 465e3),
        duration_s=2e-3,
        rate_hz=40e3,
        gate_m=(0.0, 10.0),
        n_channel=8,
        pitch_m=40e-3,
        transmit_m=(28e-3, 3e-3),
        depression_rad=np.deg2rad(depression_deg),
        height_m=3e-3,
    )


def port() -> Sonar:
    return make_sonar(
        "port",
        sweep_hz=(310e3, 290e3),
        duration_s=1e-3,
        rate_hz=50e3,
        gate_m=(0.0, 10.5),
        n_channel=8,
        pitch_m=40e-3,
        transmit_m=(50e-3, 4e-3),
        depression_rad=np.deg2rad(35.0),
        height_m=4e-3,
        array_at_m=(0.3, -0.1, 0.15),
        transmitter_at_m=(0.3, -0.1, 0.05),
    )


def ours(sonar: Sonar, **changes) -> OurSonar:
    fields = dict(
        side=sonar.side,
        frequency_start_hz=sonar.f_start_hz,
        frequency_stop_hz=sonar.f_stop_hz,
        pulse_duration_s=sonar.duration_s,
        centre_frequency_hz=sonar.centre_hz,
        sample_interval_s=sonar.sample_interval_s,
        first_sample_delay_s=sonar.first_sample_delay_s,
        n_sample=sonar.n_sample,
        transmit_position_m=sonar.transmit_position_m,
        transmit_size_m=np.array(sonar.transmit_size_m),
        receive_size_m=np.array(sonar.receive_size_m),
        depression_rad=sonar.depression_rad,
        element_position_m=sonar.element_position_m,
    )
    return OurSonar(**{**fields, **changes})


@dataclass(frozen=True)
class Line:
    """Echoes of a short line over a plane seabed, with what was simulated."""

    sonar: Sonar
    echo: NDArray[np.complex64]
    altitude_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    pitch_rad: NDArray[np.float64]
    roll_rad: NDArray[np.float64]

    @property
    def cell_m(self) -> float:
        return 0.886 * C / 2 / self.sonar.bandwidth_hz


def line(
    sonar: Sonar,
    seed: int,
    *,
    altitude_m: float,
    slope_deg: float = 0.0,
    n_ping: int = 12,
    noise: float = 0.02,
) -> Line:
    """A line with heave, pitch and roll over a seabed that falls off along the way by ``slope_deg``."""
    rng = np.random.default_rng(seed)
    slope = np.tan(np.deg2rad(slope_deg))
    time = np.round(SPACING_M / 1.5 * np.arange(n_ping), 9)
    swing = rng.uniform(0, 2 * np.pi, 3)

    def pose(t: NDArray) -> NDArray:
        t = np.asarray(t, float)
        zero = np.zeros_like(t)
        heave = 10.0 + 0.04 * np.sin(2 * np.pi * t / 3 + swing[0])
        pitch = np.deg2rad(1.0) * np.sin(2 * np.pi * t / 4 + swing[1])
        roll = np.deg2rad(2.5) * np.sin(2 * np.pi * t / 3.5 + swing[2])
        return np.stack([1.5 * t, zero, heave, zero, pitch, roll])

    sign = 1 if sonar.side == "starboard" else -1
    along, across = np.meshgrid(np.arange(-1.3, 3.2, 0.05), np.arange(-1.5, 9.0, 0.03), indexing="ij")
    along = (along + 0.05 * rng.random(along.shape)).ravel()
    across = (across + 0.03 * rng.random(across.shape)).ravel() * sign
    seabed = 10.0 + altitude_m + slope * along
    points = np.stack([along, across, seabed], axis=1)
    normal = np.array([slope, 0.0, -1.0]) / np.hypot(1, slope)
    middle = np.array([SPACING_M * n_ping / 2, 0.0, 10.0])
    ray = points - middle
    grazing = -(ray @ normal) / np.linalg.norm(ray, axis=1)
    amplitude = grazing * np.exp(2j * np.pi * rng.random(along.size))
    echo = echoes(sonar, pose, time, points, amplitude, Water(), fast=True, padding=0.3)
    rms = noise * np.sqrt(np.mean(np.abs(echo) ** 2))
    echo = echo + rms * (rng.standard_normal(echo.shape) + 1j * rng.standard_normal(echo.shape))
    north, _, depth, _, pitch, roll = pose(time + sonar.duration_s / 2)
    altitude = 10.0 + altitude_m + slope * north - depth
    return Line(sonar, echo.astype(np.complex64), altitude, depth, pitch, roll)


def track(
    made: Line,
    *,
    echo: NDArray[np.complex64] | None = None,
    settings: BottomTrackSettings | None = None,
    sonar: OurSonar | None = None,
    start: BottomState | None = None,
) -> tuple[list[BottomFix], BottomState]:
    sonar = sonar or ours(made.sonar)
    compressor = Compressor.prepare(sonar, CompressSettings())
    tracker = BottomTracker.prepare(sonar, compressor, sound_speed_m_s=C, settings=settings)
    state, fixes = start or tracker.start(), []
    for k, e in enumerate(made.echo if echo is None else echo):
        state, fix = tracker.update(
            state,
            compressor.run(e),
            depth_m=made.depth_m[k],
            pitch_rad=made.pitch_rad[k],
            roll_rad=made.roll_rad[k],
            way_m=SPACING_M if k else 0.0,
        )
        fixes.append(fix)
    return fixes, state


def errors(made: Line, fixes: list[BottomFix]) -> NDArray[np.float64]:
    return np.array([f.altitude_m for f in fixes]) - made.altitude_m


@pytest.fixture(
    scope="module", params=[(starboard, 1, 5.0), (starboard, 2, 3.0), (port, 3, 6.0), (port, 4, 4.0)]
)
def made(request) -> Line:
    sonar, seed, altitude = request.param
    return line(sonar(), seed, altitude_m=altitude)


def test_altitude_is_found_within_a_range_cell(made) -> None:
    fixes, _ = track(made)
    off = errors(made, fixes)
    assert np.isnan(off[:2]).all(), "fixes are believed only once they agree"
    assert np.sqrt(np.mean(off[2:] ** 2)) < made.cell_m / 2  # twice as good as asked


def test_fish_and_missed_pings_do_not_break_the_track(made) -> None:
    rng = np.random.default_rng(9)
    echo = made.echo.copy()
    pulse = replica(made.sonar)
    loud = 0.5 * np.abs(echo).max()  # compressed, ten times the seabed and more
    for k in range(echo.shape[0]):  # two fish in each ping at other heights, louder than the seabed
        for at in rng.integers(90, 0.8 * made.altitude_m[0] * 2 / C / made.sonar.sample_interval_s, 2):
            echo[k, :, :, at : at + pulse.size] += (loud * pulse).astype(np.complex64)
    echo[6] = (rng.standard_normal(echo[6].shape) * 1e-4).astype(np.complex64)  # nothing heard
    fixes, state = track(made, echo=echo)
    off = errors(made, fixes)
    assert np.isnan(fixes[6].measured_m)
    assert np.isfinite(off[6]), "one missed ping is bridged"
    told = np.isfinite(off)
    assert told.sum() >= 8
    assert np.sqrt(np.mean(off[told] ** 2)) < made.cell_m
    assert state.n_miss == 0


def test_a_surface_echo_is_not_taken_for_the_seabed() -> None:
    """The surface lies nearer than the seabed and echoes louder; its depth is known from the navigation."""
    made = line(starboard(), 5, altitude_m=6.0)
    shallow = Line(
        made.sonar, made.echo.copy(), made.altitude_m, made.depth_m - 7.0, made.pitch_rad, made.roll_rad
    )
    pulse = replica(made.sonar)
    for k in range(12):
        at = round(2 * shallow.depth_m[k] / C * 40e3)
        shallow.echo[k, :, :, at : at + pulse.size] += (5 * np.abs(made.echo).max() * pulse).astype(
            np.complex64
        )
    fixes, _ = track(shallow)
    off = errors(shallow, fixes)
    assert np.sqrt(np.mean(off[3:] ** 2)) < made.cell_m


@pytest.mark.parametrize("slope_deg", [5.0, -5.0])
def test_a_slope_along_the_way_is_followed_straight_down(slope_deg) -> None:
    """Its first return comes from the perpendicular: 0.4 % nearer, 19 mm here, and 0.26 m of depth a metre."""
    made = line(starboard(), 6, altitude_m=5.0, slope_deg=slope_deg, n_ping=16)
    fixes, state = track(made)
    off = errors(made, fixes)
    assert np.sqrt(np.mean(off[4:] ** 2)) < made.cell_m
    assert np.rad2deg(np.arctan(state.slope)) == pytest.approx(slope_deg, abs=1.0)


def test_nothing_is_said_where_there_is_no_seabed() -> None:
    made = line(starboard(), 7, altitude_m=5.0, n_ping=4)
    rng = np.random.default_rng(0)
    noise = rng.standard_normal((2, *made.echo.shape)).astype(np.float32)
    fixes, state = track(made, echo=(noise[0] + 1j * noise[1]).astype(np.complex64))
    assert all(np.isnan(f.altitude_m) for f in fixes)
    assert all("no seabed" in f.reason for f in fixes)
    assert not state.is_locked


def test_a_pattern_that_misses_straight_down_widens_the_error_it_states_or_declines() -> None:
    """A tall, flat-looking array: at nadir 40 dB and more below its axis."""
    tall = make_sonar(
        "starboard",
        sweep_hz=(435e3, 465e3),
        duration_s=2e-3,
        rate_hz=40e3,
        gate_m=(0.0, 10.0),
        n_channel=8,
        pitch_m=40e-3,
        transmit_m=(28e-3, 12e-3),
        depression_rad=np.deg2rad(10.0),
        height_m=12e-3,
    )
    made = line(tall, 8, altitude_m=5.0)
    fixes, _ = track(made)
    off = errors(made, fixes)
    told = np.isfinite(off)
    assert (np.abs(off[told]) < 2 * made.cell_m).all(), "what is said is right"
    assert all(f.reason for f, t in zip(fixes, told, strict=True) if not t), "what is not said has its reason"


def test_a_given_altitude_far_off_is_overruled_only_after_enough_fixes() -> None:
    settings = BottomTrackSettings(confirm_after=3)
    fix = BottomFix(6.0, 0.01, 6.0, 0.01, 100.0)
    state, said = BottomState(), []
    for _ in range(5):
        state, altitude, disagrees = choose_altitude(state, fix, 8.0, settings)
        assert disagrees
        said.append(altitude)
    np.testing.assert_array_equal(said, [np.nan, np.nan, np.nan, 6.0, 6.0])
    state, altitude, disagrees = choose_altitude(state, fix, 6.3, settings)
    assert (altitude, disagrees, state.n_disagree) == (6.0, False, 0)


def test_the_track_goes_on_from_its_state_as_if_never_stopped(made) -> None:
    whole, _ = track(made)
    _, state = track(
        Line(
            made.sonar,
            made.echo[:6],
            *(a[:6] for a in (made.altitude_m, made.depth_m, made.pitch_rad, made.roll_rad)),
        )
    )
    rest = Line(
        made.sonar,
        made.echo[6:],
        *(a[6:] for a in (made.altitude_m, made.depth_m, made.pitch_rad, made.roll_rad)),
    )
    sonar = ours(made.sonar)
    compressor = Compressor.prepare(sonar, CompressSettings())
    tracker = BottomTracker.prepare(sonar, compressor, sound_speed_m_s=C)
    for k, e in enumerate(rest.echo):
        state, fix = tracker.update(
            state,
            compressor.run(e),
            depth_m=rest.depth_m[k],
            pitch_rad=rest.pitch_rad[k],
            roll_rad=rest.roll_rad[k],
            way_m=SPACING_M,
        )
        assert fix == whole[6 + k]
