"""Weights of rows: what they keep, what they turn down, and what they may cost."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from pingloom.imaging.combine import Combiner
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory, array_frame
from pingloom.imaging.geometry import PingGeometry, ping_geometry
from pingloom.imaging.records import Platform, Sonar
from pingloom.imaging.row_weights import CombineSettings, RowPlan, bounded_weights, surface_sines
from pingloom.imaging.theory.multipath import multipath_to_signal, surface_bounces
from tests.unit.make import make_sonar, parts, whole

C = 1500.0
DEPTH_M, ALTITUDE_M = 3.0, 5.0
RANGE_M = np.linspace(8.0, 30.0, 45)
LIMIT = 10**0.05


def rows(n_row: int = 4, **more: Any) -> Sonar:
    return make_sonar(
        n_row=n_row, n_channel=2, first_sample_delay_s=3e-3, n_sample=480, depression_rad=0.3, **more
    )


def geometry(sonar: Sonar, roll_rad: float = 0.0, pitch_rad: float = 0.0) -> PingGeometry:
    zero = np.zeros(2)
    trajectory = Trajectory.from_platform(
        Platform(
            time_ns=np.array([10**18, 2 * 10**18], np.uint64),
            north_m=zero,
            east_m=zero,
            depth_m=zero + DEPTH_M,
            heading_rad=zero,
            pitch_rad=zero + pitch_rad,
            roll_rad=zero + roll_rad,
        )
    )
    frame = array_frame(sonar)
    return ping_geometry(
        sonar, frame, trajectory, StripFrame(0.0, 0.0, 0.0), 10**18, 2 * RANGE_M / C, ALTITUDE_M
    )


def plan(sonar: Sonar, **changes: Any) -> RowPlan:
    frame = array_frame(sonar)
    wavelength = C / sonar.centre_frequency_hz
    return RowPlan.prepare(CombineSettings(**changes), frame.offset_m.mean(axis=1), sonar.live, wavelength)


def response(sonar: Sonar, at: PingGeometry, k: int, weight: np.ndarray, towards: np.ndarray) -> complex:
    """Output of rows aligned at the seabed for a unit wave from a world direction, by the receivers' own places."""
    body = sonar.element_position_m[:, 0] - sonar.element_position_m.reshape(-1, 3).mean(axis=0)
    # Strip and world agree here; the pose comes from the axes, which the geometry's own tests pin.
    frame = array_frame(sonar)
    place = body @ frame.axes.T @ at.axes[k]
    seabed = at.direction_at(at.clearance_m() / RANGE_M)[k]
    phase = 2 * np.pi * sonar.centre_frequency_hz / C * (place @ (towards - seabed))
    return complex(np.sum(weight * np.exp(1j * phase)))


def null(sonar: Sonar, at: PingGeometry, **changes: Any):
    up = np.einsum("kd,kd->k", at.direction_at(at.clearance_m() / RANGE_M), at.axes[:, 2])
    return plan(sonar, **changes).from_geometry(at, RANGE_M, up, np.ones(RANGE_M.size, bool))


def test_arrivals_by_the_surface_are_those_of_the_image_method() -> None:
    x = np.array([12.0, 20.0, 30.0])
    bounces = surface_bounces(DEPTH_M, DEPTH_M + ALTITUDE_M, x)
    drop = np.full(3, ALTITUDE_M)
    one = surface_sines(bounces.apparent_range_one_m, DEPTH_M, drop)[0]
    two = surface_sines(bounces.by_surface_m, DEPTH_M, drop)[1]
    image = 2 * DEPTH_M + ALTITUDE_M
    assert_allclose(one, image / np.hypot(x, image), rtol=1e-12)
    assert_allclose(two, image / np.hypot(x, image), rtol=1e-12)
    early = surface_sines(np.array([2.5, 6.0]), DEPTH_M, np.full(2, ALTITUDE_M))
    assert np.isnan(early[0, 0])
    assert np.isnan(early[1]).all()
    assert np.isnan(early[2, 0])
    assert early[2, 1] == pytest.approx(0.5)


@pytest.mark.parametrize(("roll", "pitch"), [(0.0, 0.0), (0.08, 0.0), (-0.06, 0.07)])
@pytest.mark.parametrize("side", ["port", "starboard"])
def test_the_seabed_passes_as_it_is_and_the_surface_is_turned_down(
    side: str, roll: float, pitch: float
) -> None:
    sonar = rows(side=side)
    at = geometry(sonar, roll, pitch)
    weights = null(sonar, at)
    seabed = at.direction_at(at.clearance_m() / RANGE_M)
    one = surface_sines(RANGE_M, DEPTH_M, at.clearance_m())[0]
    plain, ours = [], []
    for k in np.flatnonzero(np.isfinite(one)):
        weight = weights.weight[0, :, k]
        assert response(sonar, at, k, weight, seabed[k]) == pytest.approx(1, abs=1e-9)
        arrival = at.direction_at(-np.nan_to_num(one))[k]
        plain.append(abs(response(sonar, at, k, np.full(4, 0.25), arrival)) ** 2)
        ours.append(abs(response(sonar, at, k, weight, arrival)) ** 2)
    plain, ours = np.array(plain), np.array(ours)
    # Rows 20 mm apart see the same phase again every sixth of the sine: there neither can tell surface from seabed.
    told = plain < 0.5
    assert told.sum() > 20
    # Seen 5 to 8 dB; without the bound on noise it would be more.
    assert np.median(ours[told]) < 0.3 * np.median(plain[told])
    assert ours[told].mean() < 0.6 * plain[told].mean()


@settings(max_examples=25, deadline=None)
@given(
    n_row=st.integers(2, 6),
    roll=st.floats(-0.2, 0.2),
    width=st.floats(0, 12),
    loss=st.floats(0.05, 3),
)
def test_noise_gains_by_no_more_than_was_allowed(n_row: int, roll: float, width: float, loss: float) -> None:
    sonar = rows(n_row)
    got = null(sonar, geometry(sonar, roll), surface_width_deg=width, largest_loss_db=loss)
    assert_allclose(got.weight.sum(axis=1), 1, atol=1e-9)
    gain = n_row * np.sum(np.abs(got.weight) ** 2, axis=1)
    assert (gain < 10 ** (loss / 10) * (1 + 1e-6)).all()
    assert (gain > 1 - 1e-9).all()
    assert_allclose(got.noise_gain, gain[0], rtol=1e-9)


def test_white_noise_alone_gives_the_plain_mean() -> None:
    covariance = np.broadcast_to(np.eye(4) * 7.0, (3, 4, 4)).astype(complex)
    assert_allclose(bounded_weights(covariance, np.ones(4, bool), LIMIT), 0.25, atol=1e-9)


def test_the_least_output_within_the_bound_is_found() -> None:
    """Against a search over random weights: none of unit sum within the bound lets through less."""
    rng = np.random.default_rng(3)
    wave = np.exp(1j * 1.1 * np.arange(4))
    other = np.exp(-1j * 2.0 * np.arange(4))
    covariance = np.outer(wave, wave.conj()) + 0.3 * np.outer(other, other.conj())
    weight = bounded_weights(covariance[None], np.ones(4, bool), LIMIT)[0]
    least = (weight @ covariance @ weight.conj()).real
    assert 4 * np.sum(np.abs(weight) ** 2) == pytest.approx(LIMIT, rel=1e-4)
    step = rng.standard_normal((20_000, 4)) + 1j * rng.standard_normal((20_000, 4))
    step -= step.mean(axis=1, keepdims=True)
    step *= np.sqrt((LIMIT - 1) / 4 / np.sum(np.abs(step) ** 2, axis=1, keepdims=True)) * rng.uniform(
        0, 1, (20_000, 1)
    )
    tried = 0.25 + step
    power = np.einsum("ni,ij,nj->n", tried, covariance, tried.conj()).real
    assert power.min() > least * (1 - 1e-6)


def test_the_adaptive_form_learns_a_direction_that_geometry_does_not_know() -> None:
    """Rows' own echoes: noise-like seabed from the wanted direction, as strong from another, and noise."""
    sonar = rows()
    compressor = Compressor.prepare(sonar, CompressSettings())
    combiner = Combiner.prepare(sonar, compressor, sound_speed_m_s=C)
    rng = np.random.default_rng(5)
    n = (2, sonar.n_sample)

    def noise(scale: float, shape: tuple[int, ...]) -> np.ndarray:
        return scale * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))

    turn = np.exp(2j * np.pi / (C / sonar.centre_frequency_hz) * 0.065 * 0.02 * np.arange(4))
    seabed, stray = noise(1.0, (1, *n)) * np.ones((4, 1, 1)), noise(1.0, (1, *n)) * turn[:, None, None]
    floor = noise(0.05, (4, *n))
    sine = np.zeros(compressor.n_out)
    channels = {}
    for name, echo in {"seabed": seabed, "stray": stray, "all": seabed + stray + floor}.items():
        channels[name] = parts(compressor.run(echo.astype(np.complex64)))
    found = combiner.covariance(channels["all"], sine, None, compressor.n_out / 4, 4)
    own = plan(sonar, rows="adaptive")
    got = own.from_covariance(found, np.ones(4, bool))
    weight = np.repeat(got.weight.mean(axis=2)[..., None], compressor.n_out, axis=2).astype(np.complex64)
    power = {}
    for name in ("seabed", "stray"):
        for label, extra in {"plain": (), "adaptive": (weight, own.set_of_channel)}.items():
            out = np.zeros((2, 2, compressor.n_out), np.float32)
            combiner.run(channels[name], sine, None, out, *extra)
            power[name, label] = float(np.mean(np.abs(whole(out)[:, 50:-150]) ** 2))
    assert power["seabed", "adaptive"] == pytest.approx(power["seabed", "plain"], rel=0.02)
    assert power["stray", "adaptive"] < 0.5 * power["stray", "plain"]


def test_channels_with_dead_rows_get_weights_of_their_own() -> None:
    ok = np.ones((4, 2), bool)
    ok[1, 1] = False
    sonar = rows(element_ok=ok)
    got = null(sonar, geometry(sonar))
    own = plan(sonar)
    dead = own.sets[own.set_of_channel[1]]
    assert list(dead) == [True, False, True, True]
    weight = got.weight[own.set_of_channel[1]]
    assert_allclose(weight.sum(axis=0), 1, atol=1e-9)
    assert not weight[1].any()


def test_before_the_seabed_rows_are_averaged_plainly() -> None:
    sonar = rows()
    at = geometry(sonar)
    seen = RANGE_M > 12
    got = plan(sonar).from_geometry(at, RANGE_M, np.zeros(RANGE_M.size), seen)
    assert_allclose(got.weight[0][:, ~seen], 0.25)
    assert_allclose(got.noise_gain[~seen], 1)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (dict(rows="best"), r"combine\.rows is 'best'; allowed: plain, null, adaptive"),
        (dict(largest_loss_db=7.0), r"combine\.largest_loss_db is 7; allowed: 0 to 6"),
        (dict(surface_width_deg=-1.0), r"combine\.surface_width_deg is -1; allowed: 0 to 30"),
        (dict(memory_pings=0), r"combine\.memory_pings is 0; allowed: 1 to 1000"),
    ],
)
def test_settings_out_of_range_are_refused_by_name(wrong: dict, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        CombineSettings(**wrong)


class TestTheory:
    def test_receivers_that_hear_no_surface_win_three_decibels(self) -> None:
        """Both one-bounce ways are the same way walked either way; the third, both ways by the surface, goes too."""

        def all_round(elevation: np.ndarray) -> np.ndarray:
            return np.ones_like(elevation)

        def below(elevation: np.ndarray) -> np.ndarray:
            return (elevation < 0).astype(float)

        r = np.array([20.0, 30.0])
        deaf = multipath_to_signal(r, DEPTH_M, ALTITUDE_M, all_round, below)
        open_ears = multipath_to_signal(r, DEPTH_M, ALTITUDE_M, all_round, all_round, reflection=0.1)
        assert_allclose(open_ears.sent, open_ears.received, rtol=1e-12)
        assert_allclose(open_ears.sent, 0.1 * deaf.sent, rtol=1e-12)
        assert_allclose(deaf.received + deaf.both, 0)
        # A transmitter that sends nothing upward takes the rest.
        assert_allclose(multipath_to_signal(r, DEPTH_M, ALTITUDE_M, below, all_round).sent, 0)

    def test_ratios_are_those_of_a_sum_over_patches(self) -> None:
        """A fine seabed, every patch with its own delays, sorted into bins of delay."""

        def pattern(elevation: np.ndarray) -> np.ndarray:
            return np.exp(-((elevation + 0.2) ** 2))

        x = np.arange(1.0, 40.0, 2e-4)
        h, g = ALTITUDE_M, 2 * DEPTH_M + ALTITUDE_M
        path = {False: np.hypot(x, h), True: np.hypot(x, g)}
        edge = np.arange(15.0, 30.0, 1.0)
        power = {}
        for out in (False, True):
            for back in (False, True):
                sine = [(g if s else -h) / path[s] for s in (out, back)]
                value = x * np.abs(sine[0] * sine[1]) / (path[out] * path[back]) ** 2
                value = value * pattern(np.arcsin(sine[0])) * pattern(np.arcsin(sine[1]))
                power[out, back] = np.histogram((path[out] + path[back]) / 2, edge, weights=value)[0]
        got = multipath_to_signal((edge[1:] + edge[:-1]) / 2, DEPTH_M, ALTITUDE_M, pattern, pattern)
        for one, key in ((got.sent, (True, False)), (got.received, (False, True)), (got.both, (True, True))):
            # Bins of a metre against their middles.
            assert_allclose(one, power[key] / power[False, False], rtol=0.03)
