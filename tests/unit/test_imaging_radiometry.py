"""The level tables against the sonar equation, restated in plain numpy for a still array over a flat seabed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging._level_kernels import towards_seabed
from pingloom.imaging.beamform import Beamformer, BeamformSettings
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.geometry import PingGeometry, ping_geometry
from pingloom.imaging.radiometry import Level, Radiometer, pattern_gain
from pingloom.imaging.records import Correction, Pattern, Platform, Sonar
from tests.unit.make import make_sonar

C, ALTITUDE_M, ABSORPTION_DB_M = 1500.0, 6.0, 0.08
ANGLE = np.linspace(-1.4, 1.4, 401)
TABLES = dict(
    pattern_transmit_along=Pattern(angle_rad=ANGLE, gain_db=-300 * ANGLE**2 / (1 + 10 * ANGLE**2)),
    pattern_receive_along=Pattern(angle_rad=ANGLE, gain_db=-90 * ANGLE**2 / (1 + 10 * ANGLE**2)),
    pattern_transmit_vertical=Pattern(angle_rad=ANGLE, gain_db=-12 * np.sin(ANGLE - 0.1) ** 2),
    pattern_receive_vertical=Pattern(angle_rad=ANGLE, gain_db=-7 * np.sin(ANGLE + 0.05) ** 2),
)


def still(speed_m_s: float = 0.0, **pose: float) -> Trajectory:
    """A vehicle at the origin of the world at time 0, level unless told otherwise."""
    t = np.array([-0.5, 0.0, 0.5])
    zero = np.zeros(3)
    columns = dict(
        north_m=speed_m_s * t, east_m=zero, depth_m=zero + 14, heading_rad=zero, pitch_rad=zero, roll_rad=zero
    )
    columns.update({name: zero + value for name, value in pose.items()})
    return Trajectory.from_platform(
        Platform(time_ns=(10**18 + np.rint(t * 1e9).astype(np.int64)).astype(np.uint64), **columns)
    )


def plan(sonar: Sonar, delay_s: np.ndarray, **settings: Any) -> tuple[Compressor, Beamformer, Radiometer]:
    compressor = Compressor.prepare(sonar, CompressSettings(window="none"))
    beams = Beamformer.prepare(
        sonar, compressor, BeamformSettings(**settings), sound_speed_m_s=C, nearest_range_m=6.0
    )
    radiometer = Radiometer.prepare(
        sonar, compressor, beams, delay_s, sound_speed_m_s=C, absorption_db_m=ABSORPTION_DB_M
    )
    return compressor, beams, radiometer


def geometry_of(sonar: Sonar, beams: Beamformer, delay_s: np.ndarray, trajectory: Trajectory) -> PingGeometry:
    return ping_geometry(
        sonar, beams.frame, trajectory, StripFrame(0.0, 0.0, 0.0), 10**18, delay_s, ALTITUDE_M
    )


DELAY_S = np.linspace(2 * 9.0 / C, 2 * 24.0 / C, 64)


def level_of(sonar: Sonar, trajectory: Trajectory | None = None, gain_db: float = 0.0, **settings: Any):
    compressor, beams, radiometer = plan(sonar, DELAY_S, **settings)
    geometry = geometry_of(sonar, beams, DELAY_S, trajectory or still())
    return compressor, beams, radiometer.run(geometry, gain_db)


def gain(table: Pattern | None, size_m: float, wavelength_m: float, sine: np.ndarray) -> np.ndarray:
    if table is None:
        x = np.pi * size_m / wavelength_m * sine
        return np.where(np.abs(x) < 1e-9, 1.0, np.sin(x) / np.where(x == 0, 1, x)) ** 2
    return 10 ** (np.interp(np.arcsin(sine), table.angle_rad, table.gain_db) / 10)


def sonar_equation(
    sonar: Sonar, compressor: Compressor, beams: Beamformer, roll_rad: float = 0.0
) -> np.ndarray:
    """Stored intensity of a unit of backscatter per area, (node, beam); all points on the starboard side."""
    wavelength = C / compressor.carrier_hz
    r = (C * DELAY_S / 2)[:, None]
    u = beams.direction[None, :]
    down = ALTITUDE_M / r
    aside = np.sqrt(1 - u**2 - down**2)
    tilt = sonar.depression_rad + roll_rad  # roll to starboard points the starboard array further down
    up = aside * np.sin(tilt) - down * np.cos(tilt)
    along = gain(sonar.pattern_transmit_along, sonar.transmit_size_m[0], wavelength, u + 0 * r)
    amplitude = 0.0
    for x, w in zip(beams.frame.along_m, beams.shading, strict=True):
        seen = (u * r - x) / np.sqrt(r**2 - 2 * r * u * x + x**2)
        amplitude = amplitude + w * np.sqrt(
            gain(sonar.pattern_receive_along, sonar.receive_size_m[0], wavelength, seen)
        )
    along = along * amplitude**2
    vertical = gain(sonar.pattern_transmit_vertical, sonar.transmit_size_m[1], wavelength, up)
    vertical = vertical * gain(sonar.pattern_receive_vertical, sonar.receive_size_m[1], wavelength, up)
    cosine = np.sqrt(1 - down**2)
    azimuth = np.sqrt(1 - (u / cosine) ** 2)
    area = C / 2 * compressor.equivalent_width_s * beams.equivalent_width * r / cosine / azimuth
    return along * vertical * r**-4.0 * 10 ** (-2 * ABSORPTION_DB_M * r / 10) * area


@pytest.mark.parametrize("tables", [{}, TABLES], ids=["sinc", "tables"])
@pytest.mark.parametrize("shading", ["uniform", "taylor"])
def test_the_level_is_the_sonar_equation_of_a_patch_of_seabed(tables: dict, shading: str) -> None:
    sonar = make_sonar(depression_rad=0.35, first_sample_delay_s=0.01, n_sample=1100, **tables)
    compressor, beams, level = level_of(sonar, shading=shading)
    expected = 1 / np.sqrt(sonar_equation(sonar, compressor, beams))
    assert level.amplitude.dtype == np.float32
    # 17 nodes over direction joined by a spline: a few thousandths at worst.
    assert_allclose(level.amplitude, expected, rtol=4e-3)


@pytest.mark.parametrize("roll_rad", [-0.05, 0.05])
def test_the_level_follows_roll_through_the_vertical_pattern(roll_rad: float) -> None:
    sonar = make_sonar(depression_rad=0.35, first_sample_delay_s=0.01, n_sample=1100, **TABLES)
    compressor, beams, level = level_of(sonar, still(roll_rad=roll_rad))
    expected = 1 / np.sqrt(sonar_equation(sonar, compressor, beams, roll_rad))
    assert_allclose(level.amplitude, expected, rtol=4e-3)


def test_source_level_sensitivity_scale_and_gains_count_as_they_should() -> None:
    plain = make_sonar(depression_rad=0.35, first_sample_delay_s=0.01, n_sample=1100)
    volts = replace(
        plain, echo_unit="V", source_level_db=210.0, receiver_sensitivity_db=-190.0, echo_scale=2e-4
    )
    base = level_of(plain)[2].amplitude
    # rms levels, peak amplitudes: sqrt(2) x 10^(20/20) volts stored as multiples of 2e-4.
    assert_allclose(level_of(volts)[2].amplitude, base / (np.sqrt(2) * 10 / 2e-4), rtol=1e-5)
    pascal = replace(plain, echo_unit="Pa", source_level_db=200.0)
    assert_allclose(level_of(pascal)[2].amplitude, base / (np.sqrt(2) * 10 ** (200 / 20) * 1e-6), rtol=1e-5)
    assert_allclose(level_of(plain, gain_db=20.0)[2].amplitude, base / 10, rtol=1e-5)


def test_noise_in_backscatter_is_noise_over_the_best_gain() -> None:
    sonar = make_sonar(depression_rad=0.35, first_sample_delay_s=0.01, n_sample=1100)
    compressor, beams, level = level_of(sonar, shading="uniform")
    best = sonar_equation(sonar, compressor, beams).max(axis=1)
    assert_allclose(level.noise, 1 / 32 / best, rtol=5e-3)


def test_a_time_varied_gain_leaves_the_noise_as_it_was() -> None:
    # What is measured before the bottom has its gain undone; so has the noise beyond, which the same gain raised.
    sonar = make_sonar(depression_rad=0.35, first_sample_delay_s=0.01, n_sample=1100)
    gain_db = np.linspace(0, 20, 1100)
    before, after = (level_of(s)[2].noise for s in (sonar, replace(sonar, time_varied_gain_db=gain_db)))
    assert_allclose(after, before, rtol=1e-12)


def test_there_is_no_level_above_the_seabed() -> None:
    sonar = make_sonar(depression_rad=0.35, n_sample=1100)
    delay_s = np.linspace(2 * 2.0 / C, 2 * 20.0 / C, 64)
    _, beams, radiometer = plan(sonar, delay_s)
    level = radiometer.run(geometry_of(sonar, beams, delay_s, still()), 0.0)
    above = C * delay_s / 2 < ALTITUDE_M
    assert not level.amplitude[above].any()
    assert np.isinf(level.noise[above]).all()
    assert not level.sine_up[above].any()
    assert np.isfinite(level.amplitude).all()


def test_the_seabeds_direction_above_the_normal() -> None:
    sonar = make_sonar(depression_rad=0.35, first_sample_delay_s=0.01, n_sample=1100)
    level: Level = level_of(sonar)[2]
    grazing = np.arcsin(ALTITUDE_M / (C * DELAY_S / 2))
    assert_allclose(level.sine_up, np.sin(0.35 - grazing), atol=1e-3)


def test_relative_gain_is_one_at_its_best_and_falls_with_the_transmitters_pattern() -> None:
    sonar = make_sonar(depression_rad=0.35, first_sample_delay_s=0.01, n_sample=1100)
    level = level_of(sonar)[2]
    assert level.relative_gain.max() == 1
    wavelength = C / 450e3
    expected = (
        np.sinc(0.028 / wavelength * level.direction) ** 2
        * np.sinc(0.01875 / wavelength * level.direction) ** 2
    )
    inside = np.abs(level.direction) < 0.06
    assert_allclose(level.relative_gain[inside], expected[inside], rtol=0.01)


def test_patterns_are_read_linearly_in_decibels_and_hold_at_their_ends() -> None:
    table = Pattern(angle_rad=[-0.2, 0.0, 0.4], gain_db=[-10.0, 0.0, -8.0])
    got = pattern_gain(table, 1.0, 1.0, np.sin(np.array([-0.5, -0.1, 0.2, 0.9])))
    assert_allclose(10 * np.log10(got), [-10, -5, -4, -8], atol=1e-9)
    # A uniform line of ten wavelengths: half a power at 0.443/10, nothing at 1/10.
    assert_allclose(pattern_gain(None, 0.05, 0.005, np.array([0.0, 0.0443, 0.1])), [1, 0.5, 0], atol=1e-3)


class TestGeometry:
    def sonar(self, side: str = "starboard") -> Sonar:
        return make_sonar(
            side=side,
            depression_rad=0.3,
            first_sample_delay_s=0.01,
            n_sample=1100,
            transmit_position_m=np.array([0.4, 0.1, 0.2]),
        )

    def geometry(self, trajectory: Trajectory, side: str = "starboard", correction: Correction | None = None):
        sonar = self.sonar(side)
        beams = plan(sonar, DELAY_S)[1]
        return ping_geometry(
            sonar, beams.frame, trajectory, StripFrame(0.0, 0.0, 0.0), 10**18, DELAY_S, ALTITUDE_M, correction
        )

    def test_the_array_moves_on_while_the_echo_comes(self) -> None:
        got = self.geometry(still(speed_m_s=2.0))
        half_pulse = 1e-3
        assert_allclose(got.transmitter_m, [0.4 + 2.0 * half_pulse, 0.1, 14.2], atol=1e-9)
        assert_allclose(got.centre_m[:, 0], 2.0 * (DELAY_S + half_pulse), atol=1e-9)
        assert_allclose(got.velocity_m_s, np.tile([2.0, 0, 0], (64, 1)), atol=1e-6)
        assert got.seabed_m == pytest.approx(20.0)

    def rays(self, got: PingGeometry, k: int, range_m: float, u: np.ndarray) -> np.ndarray:
        """Directions (u, 3) as the level's loops make them of their axes."""
        frame = np.empty((3, 3))
        size, along, across, sine = towards_seabed(
            got.axes[k, 0],
            got.seabed_normal,
            float(got.side_sign),
            got.clearance_m()[k],
            range_m,
            1.0,
            1.0,
            frame,
        )
        q = (sine - u / size * along) / across
        return np.stack([u / size, q, np.sqrt(1 - (u / size) ** 2 - q**2)], axis=1) @ frame

    def test_rays_end_on_the_seabed_at_their_range_and_direction(self) -> None:
        for side, sign in (("port", -1), ("starboard", 1)):
            got = self.geometry(still(pitch_rad=0.04, roll_rad=-0.03, heading_rad=0.1), side)
            r = C * DELAY_S / 2
            u = np.array([-0.05, 0.0, 0.03])
            ray = np.array([self.rays(got, k, r[k], u) for k in range(r.size)])
            assert_allclose(np.linalg.norm(ray, axis=-1), 1, atol=1e-12)
            assert_allclose(np.einsum("kud,kd->ku", ray, got.axes[:, 0]), np.tile(u, (64, 1)), atol=1e-12)
            point = got.centre_m[:, None] + r[:, None, None] * ray
            assert_allclose(point[..., 2], 20.0, atol=1e-9)
            assert (sign * point[..., 1] > 0).all()

    def test_corrections_shift_along_and_across_the_heading(self) -> None:
        heading = 0.7
        plain = self.geometry(still(heading_rad=heading))
        moved = self.geometry(
            still(heading_rad=heading),
            correction=Correction(side="starboard", number=0, shift_along_m=0.3, shift_starboard_m=-0.2),
        )
        c, s = np.cos(heading), np.sin(heading)
        step = [c * 0.3 + s * 0.2, s * 0.3 - c * 0.2, 0]
        assert_allclose(moved.transmitter_m - plain.transmitter_m, step, atol=1e-12)
        assert_allclose(moved.centre_m - plain.centre_m, np.tile(step, (64, 1)), atol=1e-12)
        turned = self.geometry(
            still(), correction=Correction(side="starboard", number=0, shift_heading_rad=heading)
        )
        assert_allclose(turned.axes, plain.axes, atol=1e-12)
