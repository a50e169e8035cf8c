"""Focusing onto points, and the reading of array recordings: geometry, conventions, refusals."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose, assert_array_equal
from scipy import io, optimize

from pingloom.bench.commands.focus import command
from pingloom.bench.disc import Disc, averaged_speckle, demodulate, image_frames, read_array_recording
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.focus import Focuser, transmit_delay_from_point, transmit_delay_plane_wave

SPEED, CARRIER, RATE, BAND, N_SAMPLE = 1500.0, 450e3, 40e3, 0.6, 1600
ELEMENT = np.zeros((32, 3))
ELEMENT[:, 0] = (np.arange(32) - 15.5) * 0.01875
POINT = np.array([[0.3, 20.0, 6.0], [-0.4, 12.0, 5.0], [0.0, 25.0, 6.0]])
KIND = dict(
    first_delay_s=0.0,
    sample_rate_hz=RATE,
    carrier_hz=CARRIER,
    sound_speed_m_s=SPEED,
    n_sample=N_SAMPLE,
    band=BAND,
)


def make_focuser(point=POINT, delay_s=None, element=ELEMENT, **changes: Any) -> Focuser:
    if delay_s is None:
        delay_s = transmit_delay_from_point([0, 0, 0], point, SPEED)
    return Focuser.prepare(element, point, delay_s, **{**KIND, **changes})


def pulse(t_s):
    """A compressed pulse of peak 1 whose spectrum is flat within ``BAND``."""
    return np.sinc(BAND * RATE * t_s)


def echo_of(delay_s, n_sample=N_SAMPLE):
    """Baseband echoes of unit amplitude with two-way delays (channel,)."""
    t = np.arange(n_sample) / RATE - delay_s[:, None]
    return (pulse(t) * np.exp(-2j * np.pi * CARRIER * delay_s)[:, None]).astype(np.complex64)


def focused(plan: Focuser, channels) -> np.ndarray:
    out = np.full(plan.point_m.shape[0], np.nan, np.complex64)
    plan.run(channels, out)
    return out


def test_transmit_delay_of_a_point_is_distance_over_speed() -> None:
    got = transmit_delay_from_point([1.0, 0, 0], [[1.0, 3.0, 4.0], [1.0, 0.0, 0.0]], SPEED)
    assert_allclose(got, [5 / SPEED, 0], rtol=1e-15)
    assert got.dtype == np.float64


def test_transmit_delay_of_a_plane_wave_counts_along_its_direction() -> None:
    got = transmit_delay_plane_wave(
        [0, 0, 2.0], [[5.0, 7.0, 3.0], [0, 0, -3.0]], SPEED, origin_m=[9.0, 9.0, 1.0]
    )
    assert_allclose(got, [2 / SPEED, -4 / SPEED], rtol=1e-15)


def test_plane_wave_is_the_limit_of_a_far_point() -> None:
    far = 1e7
    direction = np.array([0.6, 0.8, 0.0])
    from_far = transmit_delay_from_point(-far * direction, POINT, SPEED) - far / SPEED
    # What is left is the front's curvature, 20^2/(2 far), and float64 at far/c = 7e3 s.
    assert_allclose(transmit_delay_plane_wave(direction, POINT, SPEED), from_far, atol=2e-8)


@pytest.mark.parametrize("i_point", range(3))
@pytest.mark.parametrize("transmission", ["point", "plane"])
def test_a_unit_echo_reads_one_where_it_came_from(i_point: int, transmission: str) -> None:
    delay_s = (
        transmit_delay_from_point([0.05, 0.1, 0], POINT, SPEED)
        if transmission == "point"
        else transmit_delay_plane_wave([0.1, 1, 0.3], POINT, SPEED)
    )
    back_s = np.linalg.norm(POINT[i_point] - ELEMENT, axis=1) / SPEED
    out = focused(make_focuser(delay_s=delay_s), echo_of(delay_s[i_point] + back_s))
    assert abs(out[i_point] - 1) < 2e-3  # interpolation 1e-3, pulse cut to the filter's band
    others = np.delete(np.abs(out), i_point)
    assert (others < 0.05).all()


@pytest.mark.parametrize("transmission", ["point", "plane"])
def test_the_peak_stands_at_the_point_with_the_width_of_the_aperture(transmission: str) -> None:
    target = np.array([0.0, 25.0, 0.0])
    x = np.linspace(-0.3, 0.3, 601)
    line = np.stack([x, np.sqrt(25.0**2 - x**2), 0 * x], axis=1)  # on a circle: no change of range
    points = np.vstack([line, target])
    delay_s = (
        transmit_delay_from_point([0, 0, 0], points, SPEED)
        if transmission == "point"
        else transmit_delay_plane_wave([0, 1, 0], points, SPEED)
    )
    back_s = np.linalg.norm(target - ELEMENT, axis=1) / SPEED
    profile = np.abs(focused(make_focuser(points, delay_s), echo_of(delay_s[-1] + back_s))[:-1])
    assert abs(x[np.argmax(profile)]) <= 1e-3  # a pixel
    above = x[profile >= np.sqrt(0.5)]
    # The receiving aperture alone resolves along track: 0.886 wavelength range/length, length 32 pitches.
    expected = 0.886 * SPEED / CARRIER * 25.0 / 0.6
    assert above[-1] - above[0] == pytest.approx(expected, rel=0.02)  # a pixel is 0.8 %


def test_elements_that_move_while_the_echo_travels_are_solved_exactly() -> None:
    velocity = np.array([1.8, -0.4, 0.2])
    sent_s = transmit_delay_from_point([0, 0, 0], POINT, SPEED)
    target, arrival = POINT[0], sent_s[0]

    def late(t, element):
        return np.linalg.norm(target - element - velocity * t) - SPEED * (t - arrival)

    delay_s = np.array([optimize.brentq(late, arrival, 0.2, args=(e,), xtol=1e-15) for e in ELEMENT])
    moving = make_focuser(element_velocity_m_s=velocity)
    assert abs(focused(moving, echo_of(delay_s))[0] - 1) < 2e-3
    still = focused(make_focuser(), echo_of(delay_s))[0]
    assert abs(np.angle(still)) > 0.1 or abs(still) < 0.9  # the motion matters in this case


@pytest.mark.parametrize("f_number", [0.0, 5.0, 20.0, 60.0])
def test_the_f_number_sets_the_aperture(f_number: float) -> None:
    plan = make_focuser(f_number=f_number, normalise=False, carrier_hz=0.0)
    depth = np.hypot(POINT[:, 1], POINT[:, 2])
    offset = np.abs(POINT[:, :1] - ELEMENT[:, 0])
    expected = np.sum(depth[:, None] >= 2 * f_number * offset, axis=1)
    got = focused(plan, np.ones((32, N_SAMPLE), np.complex64))
    assert_allclose(got, expected, rtol=1e-3)  # filters pass a constant to 1e-3
    assert f_number != 20.0 or 0 < expected.min() < expected.max() <= 32


def test_a_dead_channel_takes_no_part() -> None:
    shading = np.ones(32)
    shading[5] = 0
    channels = np.ones((32, N_SAMPLE), np.complex64)
    channels[5] = np.nan
    got = focused(make_focuser(shading=shading, carrier_hz=0.0), channels)
    assert_allclose(got, 1, rtol=1e-3)


def test_what_was_not_recorded_is_left_out_and_zero_where_nothing_was() -> None:
    near = np.array([[0.0, 12.0, 0.0], [0.0, 0.02, 0.0], [0.0, 40.0, 0.0]])
    channels = np.ones((32, N_SAMPLE), np.complex64)
    got = focused(make_focuser(near, carrier_hz=0.0), channels)
    assert_allclose(got[:2], 1, rtol=1e-3)  # the second point has only the outer elements
    assert got[2] == 0
    far = make_focuser(near, np.array([0.0, -1e9, 1e9]), carrier_hz=0.0)
    assert_array_equal(focused(far, channels)[1:], 0)


def test_parts_give_the_same_bits_and_the_input_stays() -> None:
    rng = np.random.default_rng(3)
    point = rng.uniform([-2, 8, 4], [2, 25, 6], (1000, 3))
    channels = (rng.standard_normal((32, N_SAMPLE)) + 1j * rng.standard_normal((32, N_SAMPLE))).astype(
        np.complex64
    )
    before = channels.copy()
    plan = make_focuser(point)
    whole = focused(plan, channels)
    cut = np.concatenate([focused(plan.part(0, 301), channels), focused(plan.part(301, 1000), channels)])
    assert_array_equal(whole, cut)
    assert_array_equal(channels, before)
    assert whole.dtype == np.complex64


def test_a_plan_is_read_only_and_a_private_copy() -> None:
    point = POINT.copy()
    plan = make_focuser(point)
    point[:] = 0
    assert_array_equal(plan.point_m, POINT)
    with pytest.raises(ValueError, match="read-only"):
        plan.point_m[0] = 0
    with pytest.raises(dataclasses.FrozenInstanceError):
        plan.carrier_hz = 1.0  # type: ignore[misc]
    assert plan.required_bytes >= plan.point_m.nbytes + plan.taps.nbytes


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (dict(element=ELEMENT[:, :2]), r"element_position_m has shape \(32, 2\); allowed: \(channel, 3\)"),
        (dict(point=POINT[0], delay_s=[0.0]), r"point_m has shape \(3,\)"),
        (dict(delay_s=[0.0]), r"transmit_delay_s has shape \(1,\); allowed: \(3\)"),
        (dict(delay_s=[0.0, np.nan, 0]), "transmit_delay_s holds 1 values that aren't finite"),
        (dict(shading=[1.0]), r"shading has shape \(1,\)"),
        (dict(band=1.0), "band is 1; allowed: above 0 and below 1"),
        (dict(band=0.97), "band is 0.97, which 24 taps read with an error of .*Sample faster"),
        (dict(sample_rate_hz=0), "sample_rate_hz is 0; allowed: above 0"),
        (dict(sound_speed_m_s=-1), "sound_speed_m_s is -1"),
        (dict(carrier_hz=-1), "carrier_hz is -1; allowed: 0 or more"),
        (dict(first_delay_s=np.inf), "first_delay_s holds 1 values"),
        (dict(n_sample=4), "n_sample is 4; allowed: whole numbers from the filter's"),
        (dict(f_number=-1), "f_number is -1"),
        (dict(f_number=1, axis=[0, 0, 0]), "axis has length 0"),
        (dict(element_velocity_m_s=[200.0, 0, 0]), "allowed: up to a tenth of the sound speed"),
        (dict(shading="many"), "shading can't be read as numbers"),
    ],
)
def test_a_plan_refuses(changes: dict[str, Any], message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        make_focuser(**changes)


def test_a_run_refuses_what_was_not_planned() -> None:
    plan = make_focuser()
    good = np.zeros((32, N_SAMPLE), np.complex64)
    with pytest.raises(DataError, match=r"channels is complex128 of shape \(32, 1600\); allowed: complex64"):
        plan.run(good.astype(complex), np.zeros(3, np.complex64))
    with pytest.raises(DataError, match=r"out is complex64 of shape \(4,\)"):
        plan.run(good, np.zeros(4, np.complex64))


# Sampling rate over carrier: four thirds (folded, negative image), four (plain), four fifths (folded, positive image).
@pytest.mark.parametrize("ratio", [4 / 3, 4.0, 4 / 5, 0.42])
def test_demodulation_gives_the_phase_of_the_delay_however_the_band_is_folded(ratio: float) -> None:
    carrier, first, delay = 5e6, 9.95e-6, 37.3e-6
    rate = ratio * carrier
    t = first + np.arange(400) / rate
    tau = t - delay - 0.2 * 400 / rate
    delay = t[0] - tau[0]
    width = 8 / rate
    real = np.exp(-(((t - delay) / width) ** 2)) * np.cos(2 * np.pi * carrier * (t - delay))
    baseband, band = demodulate(real, sample_rate_hz=rate, carrier_hz=carrier, first_delay_s=first)
    expected = np.exp(-(((t - delay) / width) ** 2)) * np.exp(-2j * np.pi * carrier * delay)
    assert baseband.dtype == np.complex64
    assert 0.1 <= band <= 0.5
    assert_allclose(
        baseband, expected, atol=1e-3
    )  # the Gaussian's tails beyond the fold; ratio 0.42 has the nearest


def test_demodulation_refuses_a_carrier_on_a_fold() -> None:
    with pytest.raises(ParameterError, match=r"between folds; allowed: 0\.1"):
        demodulate(np.zeros(64), sample_rate_hz=1e6, carrier_hz=5e6, first_delay_s=0)


def write_recording(path, n_frame=2, **changes: Any):
    """Noise in the form of a scanner's file; ``None`` leaves a field out."""
    rng = np.random.default_rng(1)
    param = dict(fs=20e6 / 3, fc=5e6, c=1480.0, t0=9.95e-6, pitch=0.298e-3, PRF=1e4, TXdelay=np.zeros(16))
    rf = changes.pop("RF", rng.integers(-500, 500, (334, 16, n_frame)).astype(np.int16))
    param = {k: v for k, v in {**param, **changes}.items() if v is not None}
    io.savemat(path, {"RF": rf, "param": param})
    return path


def test_a_recording_is_read_with_its_geometry(tmp_path) -> None:
    got = read_array_recording(write_recording(tmp_path / "a.mat"))
    assert got.channels.shape == (2, 16, 334)
    assert got.channels.dtype == np.complex64
    assert_allclose(np.diff(got.element_position_m[:, 0]), 0.298e-3)
    assert_allclose(got.element_position_m.mean(axis=0), 0, atol=1e-18)
    assert got.band == pytest.approx(0.5)
    assert got.frame_interval_s == pytest.approx(1e-4)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (dict(fs=None), "param.fs is missing"),
        (dict(fs=[1.0, 2.0]), "param.fs holds 2 numbers; allowed: 1"),
        (dict(c=-1.0), "param.c is -1; allowed: finite and above 0"),
        (dict(pitch="wide"), "param.pitch isn't numeric"),
        (dict(TXdelay=[0.0, 1e-6]), "param.TXdelay spans 1e-06 s; allowed: all equal"),
        (dict(RF=np.zeros((4, 16, 2))), r"RF is float64 of shape \(4, 16, 2\)"),
        (dict(RF=np.full((64, 16, 2), np.nan)), "RF holds values that aren't finite"),
    ],
)
def test_a_strange_recording_is_refused_in_one_line(tmp_path, changes, message) -> None:
    with pytest.raises(DataError, match=message) as refused:
        read_array_recording(write_recording(tmp_path / "a.mat", **changes))
    assert "\n" not in str(refused.value)


def test_a_file_of_another_kind_is_refused(tmp_path) -> None:
    path = tmp_path / "a.mat"
    path.write_bytes(b"no recording at all" * 20)
    with pytest.raises(DataError, match="can't be read as a MATLAB file"):
        read_array_recording(path)
    io.savemat(path, {"RF": np.zeros((64, 16))})
    with pytest.raises(DataError, match="param is missing"):
        read_array_recording(path)
    with pytest.raises(FileNotFoundError):
        read_array_recording(tmp_path / "none.mat")


def test_the_disc_and_the_frames_asked_for_must_exist(tmp_path) -> None:
    with pytest.raises(ParameterError, match="allowed: a radius above 0 and below the depth"):
        Disc(radius_m=0.03)
    recording = read_array_recording(write_recording(tmp_path / "a.mat"))
    with pytest.raises(ParameterError, match="n_frame is 3; allowed: 1 to 2"):
        image_frames(recording, [0.0], [0.02], n_frame=3)


def test_averages_of_independent_speckle_gain_looks_in_proportion() -> None:
    rng = np.random.default_rng(5)
    field = rng.standard_normal((2, 8, 150, 150))
    rows = averaged_speckle((field**2).sum(axis=0), np.ones((150, 150), bool), trend_degree=(1, 1))
    assert [r.n_frame for r in rows] == [1, 2, 4, 8]
    assert [r.n_group for r in rows] == [8, 4, 2, 1]
    # 22 500 independent pixels: one standard deviation is 1.3 %.
    assert_allclose([r.enl for r in rows], [1, 2, 4, 8], rtol=0.05)
    assert all(r.low <= r.enl <= r.high and r.low <= r.first <= r.high for r in rows)


def test_the_command_draws_and_reports(tmp_path) -> None:
    recording, picture = write_recording(tmp_path / "a.mat"), tmp_path / "a.png"
    result = CliRunner().invoke(command, [str(recording), "-o", str(picture), "--json"])
    assert result.exit_code == 0, result.output
    said = json.loads(result.output)
    assert said["frames"] == 2
    assert [r["n_frame"] for r in said["averages"]] == [1, 2]
    assert picture.read_bytes().startswith(b"\x89PNG")
    again = CliRunner().invoke(command, [str(recording), "-o", str(picture)])
    assert isinstance(again.exception, ParameterError)
    assert "add --overwrite" in str(again.exception)
    quiet = CliRunner().invoke(
        command, [str(recording), "-o", str(picture), "--overwrite", "--quiet", "--frames", "1"]
    )
    assert quiet.exit_code == 0
    assert quiet.output == ""
