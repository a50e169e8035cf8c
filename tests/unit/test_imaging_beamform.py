"""The field of beams against an exact float64 sum over the receivers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.beamform import Beamformer, BeamformSettings, channel_shading, sector_half_angle
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.frames import array_frame
from pingloom.imaging.records import Sonar
from tests.unit.make import make_sonar, parts
from tests.unit.test_imaging_compress import echo_of, read

C = 1500.0


@dataclass(frozen=True)
class Scene:
    """A point at (range from the array centre, direction cosine), seen by a still array."""

    sonar: Sonar
    range_m: float
    direction: float
    settings: BeamformSettings
    nearest_m: float = 5.0

    @property
    def point(self) -> np.ndarray:
        x = self.range_m * self.direction
        return np.array([x, np.sqrt(self.range_m**2 - x**2), 0.0])

    @property
    def sent_m(self) -> float:
        return float(np.linalg.norm(self.point - self.sonar.transmit_position_m))

    @property
    def delay_s(self) -> float:
        """Two-way, at the array centre."""
        return (self.sent_m + self.range_m) / C

    def channels(self, plan: Compressor) -> np.ndarray:
        back = np.linalg.norm(self.point - self.sonar.element_position_m, axis=-1)
        return plan.run(echo_of(self.sonar, (self.sent_m + back) / C))[0]


def field_of(scene: Scene, window: str = "none") -> tuple[Compressor, Beamformer, np.ndarray, np.ndarray]:
    """Plans, compressed channels and the complex field (beam, sample)."""
    compressor = Compressor.prepare(scene.sonar, CompressSettings(window=window))
    beams = Beamformer.prepare(
        scene.sonar, compressor, scene.settings, sound_speed_m_s=C, nearest_range_m=scene.nearest_m
    )
    out = beams.allocate()
    channels = scene.channels(compressor)
    beams.run(parts(channels), out)
    assert out.field.dtype == np.float32
    return compressor, beams, channels, out.field[..., 0] + 1j * out.field[..., 1].astype(np.complex128)


def reading(beams: Beamformer, field: np.ndarray, i_beam: int, delay_s: float) -> complex:
    """The field between samples by a windowed series: the compressed pulse has room on both sides."""
    at = (delay_s - beams.first_delay_s) * beams.sample_rate_hz
    k = int(at) + np.arange(-24, 25)
    return complex((np.sinc(at - k) * np.hanning(51)[1:-1]) @ field[i_beam, k])


def exact(
    scene: Scene, plan: Compressor, beams: Beamformer, channels: np.ndarray, i_beam: int, delay_s: np.ndarray
):
    """The same beam, each channel read at its own delay and turned by it, in float64."""
    u, total = beams.direction[i_beam], np.zeros(delay_s.size, complex)
    position = scene.sonar.element_position_m.mean(axis=0)
    for m, weight in enumerate(beams.shading):
        x = position[m, 0]
        # The transmitter is what it is: half the way where both stand together.
        r = C * delay_s / 2
        path = np.sqrt(r**2 - 2 * r * u * x + x**2) - r
        value = read(plan, channels[m], delay_s + path / C)
        total += weight * value * np.exp(2j * np.pi * plan.carrier_hz * path / C)
    return total


def sonar(**changes: Any) -> Sonar:
    return make_sonar(first_sample_delay_s=4e-3, n_sample=900, **changes)


WIDE = BeamformSettings(shading="uniform", sector_deg=8.0)


@pytest.mark.parametrize("range_m", [6.0, 12.0])
@pytest.mark.parametrize("beam", [6, 20, 33])
@pytest.mark.parametrize("shading", ["uniform", "taylor"])
def test_the_field_of_a_point_reads_one_where_the_point_is(range_m: float, beam: int, shading: str) -> None:
    settings = BeamformSettings(shading=shading, sector_deg=8.0)
    probe = Scene(sonar(), range_m, 0.0, settings)
    _, beams, _, _ = field_of(probe)
    scene = Scene(sonar(), range_m, float(beams.direction[beam]), settings)
    plan, beams, _, field = field_of(scene)
    value = reading(beams, field, beam, scene.delay_s)
    # Short filters take up to 1 % off where the shifts of all channels fall between samples, 0.1 % and less elsewhere;
    # one focus for all beams turns the outermost by up to a hundredth of a radian.
    assert abs(value) == pytest.approx(1, abs=0.012)
    assert np.angle(value * np.exp(2j * np.pi * plan.carrier_hz * scene.delay_s)) == pytest.approx(
        0, abs=0.015
    )


@pytest.mark.parametrize("window", ["none", "hamming"])
@pytest.mark.parametrize(("range_m", "direction"), [(6.0, 0.03), (13.0, -0.021)])
def test_the_field_is_the_sum_of_delayed_channels(window: str, range_m: float, direction: float) -> None:
    scene = Scene(sonar(), range_m, direction, WIDE)
    plan, beams, channels, field = field_of(scene, window)
    field = field[:, :: beams.upsampling]
    delay_s = beams.first_delay_s + np.arange(field.shape[1]) * beams.upsampling / beams.sample_rate_hz
    inside = np.abs(delay_s - scene.delay_s) < 12 / scene.sonar.bandwidth_hz
    error = power = 0.0
    nearest = int(np.argmin(np.abs(beams.direction - direction)))
    for i in {nearest - 1, *range(nearest % 6, beams.direction.size, 6)}:  # main lobe and sidelobes
        wanted = exact(scene, plan, beams, channels, i, delay_s[inside])
        error += np.sum(np.abs(field[i, inside] - wanted) ** 2)
        power += np.sum(np.abs(wanted) ** 2)
    # Close by the shared curvature of neighbouring beams counts (up to 0.05 rad at an edge of the array), farther off
    # the delay filters alone.
    assert np.sqrt(error / power) <= (2.5e-2 if range_m < 10 else 1.5e-2)


def test_near_and_far_points_are_focused_by_one_plan() -> None:
    s = make_sonar(first_sample_delay_s=1e-3, n_sample=900)
    settings = BeamformSettings(shading="uniform", sector_deg=8.0)
    plan = Compressor.prepare(s, CompressSettings(window="none"))
    beams = Beamformer.prepare(s, plan, settings, sound_speed_m_s=C, nearest_range_m=2.0)
    out = beams.allocate()
    for range_m in (2.1, 5.9, 12.0):
        for wanted in (-0.06, 0.02):
            beam = int(np.argmin(np.abs(beams.direction - wanted)))
            scene = Scene(s, range_m, float(beams.direction[beam]), settings)
            beams.run(parts(scene.channels(plan)), out)
            field = out.field[..., 0] + 1j * out.field[..., 1]
            assert abs(reading(beams, field, beam, scene.delay_s)) == pytest.approx(1, abs=0.02)


def test_a_transmitter_far_from_the_array_widens_the_beams_towards_it() -> None:
    near, far = (
        Beamformer.prepare(
            s, Compressor.prepare(s, CompressSettings()), WIDE, sound_speed_m_s=C, nearest_range_m=6.0
        )
        for s in (sonar(), sonar(transmit_position_m=np.array([1.2, 0.0, 0.0])))
    )
    assert far.direction[0] == pytest.approx(near.direction[0])
    # What the transmitter sees square to it lies 1.2 m ahead of the array.
    assert far.direction[-1] - near.direction[-1] == pytest.approx(
        1.2 / 6.0, abs=2 * np.diff(near.direction)[0]
    )


def test_a_transmitter_to_the_side_of_the_array_keeps_the_focus() -> None:
    s = sonar(transmit_position_m=np.array([0.0, 0.8, 0.0]))
    scene = Scene(s, 7.0, 0.0, WIDE)
    _, beams, _, field = field_of(scene)
    middle = int(np.argmin(np.abs(beams.direction)))
    assert abs(reading(beams, field, middle, scene.delay_s)) == pytest.approx(1, abs=0.015)
    peak = beams.first_delay_s + np.argmax(np.abs(field[middle])) / beams.sample_rate_hz
    assert peak == pytest.approx(scene.delay_s, abs=0.51 / beams.sample_rate_hz)


def test_beams_cover_the_sector_and_stand_at_half_the_apertures_resolution() -> None:
    s = sonar()
    plan = Compressor.prepare(s, CompressSettings())
    beams = Beamformer.prepare(s, plan, WIDE, sound_speed_m_s=C, nearest_range_m=6.0)
    step = np.diff(beams.direction)
    assert_allclose(step, step[0], rtol=1e-9)
    assert step[0] <= C / 465e3 / 0.6 / 2 * 1.0001  # of the highest frequency
    assert beams.direction[0] < -np.sin(np.deg2rad(4)) < np.sin(np.deg2rad(4)) < beams.direction[-1]
    assert np.abs(beams.direction).min() < 1e-12


def test_the_default_sector_is_the_transmitters_half_power_width() -> None:
    assert sector_half_angle(sonar(), BeamformSettings(), 1 / 300) == pytest.approx(0.443 / 300 / 0.028)
    assert sector_half_angle(sonar(), BeamformSettings(sector_deg=5.0), 1 / 300) == pytest.approx(
        np.deg2rad(2.5)
    )


@pytest.mark.parametrize("shading", ["uniform", "taylor"])
def test_shading_sums_to_one_over_the_live_channels(shading: str) -> None:
    live = np.ones((2, 32), bool)
    live[:, 7] = False
    live[0, 9] = False
    weight = channel_shading(array_frame(make_sonar(n_row=2)), live, shading)
    assert weight.sum() == pytest.approx(1)
    assert weight[7] == 0
    assert weight[9] > 0
    assert_array_equal(weight.argsort()[:1], [7])


def test_noise_and_width_of_a_beam_are_those_of_its_shading() -> None:
    s = sonar()
    plan = Compressor.prepare(s, CompressSettings())
    beams = Beamformer.prepare(s, plan, WIDE, sound_speed_m_s=C, nearest_range_m=6.0)
    assert beams.noise_gain == pytest.approx(1 / 32)
    # A filled uniform line: the integral over a period of its array factor is wavelength over length, exactly.
    assert beams.equivalent_width == pytest.approx(C / plan.carrier_hz / 0.6, rel=2e-3)


def test_forming_beams_is_repeatable_and_leaves_its_input_alone() -> None:
    scene = Scene(sonar(), 8.0, 0.01, WIDE)
    _, beams, channels, first = field_of(scene)
    given = parts(channels)
    before = given.copy()
    out = beams.allocate()
    out.field[:] = 9
    beams.run(given, out)
    assert_array_equal(given, before)
    assert_array_equal(out.field[..., 0], first.real.astype(np.float32))


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (dict(shading="hann"), r"beamform\.shading is 'hann'; allowed: uniform, taylor"),
        (dict(sector_deg=0.0), r"beamform\.sector_deg is 0; allowed: above 0 to 60"),
        (dict(yaw_rate_bound_deg_s=-1.0), r"beamform\.yaw_rate_bound_deg_s is -1; allowed: 0 to 60"),
        (dict(speed_bound_m_s=21.0), r"beamform\.speed_bound_m_s is 21; allowed: 0 to 20"),
    ],
)
def test_settings_out_of_range_are_refused_by_name(wrong: dict, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        BeamformSettings(**wrong)
