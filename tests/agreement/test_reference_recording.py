"""The outside reference: what its recordings hold, read back with plain h5py."""

import dataclasses
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

sys.path.append(str(Path(__file__).resolve().parents[1]))

from reference.back_projection import form_image, read_recording
from reference.echo_sum import Water, echoes
from reference.scenes import everything_optional, gradient_in_segments, motion, reference_sonar
from reference.write_recording import EPOCH_NS, Extras, SideEcho, write_recording, write_segments

REQUIRED_ATTRS = {
    "transmit_frequency_start",
    "transmit_frequency_stop",
    "transmit_duration_nominal",
    "centre_frequency",
    "sample_interval",
    "first_sample_delay",
    "transmit_position",
    "transmit_size",
    "receive_size",
    "depression",
}
POSE = motion(depth_m=14.0, speed_m_s=2.0, course_rad=0.5, yaw=(0.02, 4.0))
TARGET = np.array([[-4.0, 9.0, 20.0]])


@pytest.fixture(scope="module")
def side():
    sonar = reference_sonar((8.0, 14.0))
    sonar = dataclasses.replace(sonar, element_position_m=sonar.element_position_m[:, ::4])
    times = np.arange(4) * 0.1
    echo = echoes(sonar, POSE, times, TARGET, np.ones(1), Water())
    return SideEcho(sonar=sonar, ping_time_s=times, echo=echo)


def _write(path, side, extras=None, platform=None):
    platform = np.arange(-0.2, 0.7, 0.05) if platform is None else platform
    return write_recording(path, [side], POSE, platform, Water(), 20.0, extras)


def test_required_recording_holds_the_required_and_nothing_else(tmp_path, side):
    with h5py.File(_write(tmp_path / "r.h5", side)) as file:
        assert set(file) == {"starboard", "platform", "water"}
        assert set(file["starboard"].attrs) == REQUIRED_ATTRS
        assert set(file["starboard"]) == {"element_position", "ping_time", "echo"}
        assert set(file["platform"]) == {"time", "north", "east", "depth", "heading", "pitch", "roll"}
        assert file["starboard/echo"].dtype == np.complex64
        assert file["starboard/ping_time"].dtype == file["platform/time"].dtype == np.uint64
        assert file["starboard/ping_time"][1] == EPOCH_NS + 100_000_000
        assert all(
            h5py.check_string_dtype(file.attrs.get_id(k).dtype) is None
            or h5py.check_string_dtype(file.attrs.get_id(k).dtype).length
            for k in file.attrs
        )
        assert_array_equal(file["starboard/echo"][:], side.echo.astype(np.complex64))


def test_everything_optional_holds_every_optional_item(tmp_path):
    with h5py.File(everything_optional(tmp_path / "r.h5").path) as file:
        group = file["port"]
        assert {"element_delay", "element_ok", "replica", "receiver_gain", "time_varied_gain"} <= set(group)
        assert {f"pattern_{e}_{d}" for e in ("transmit", "receive") for d in ("along", "vertical")} <= set(
            group
        )
        assert {"echo_scale", "echo_unit", "source_level", "receiver_sensitivity", "saturation_level"} <= set(
            group.attrs
        )
        assert group["echo"].dtype == np.int16
        assert group["echo"].shape[-1] == 2
        assert group["echo"].compression == "gzip"
        assert {"altitude", "speed_down", "roll_rate", "sound_speed_at_array", "status"} <= set(
            file["platform"]
        )
        assert {"profile_depth", "profile_sound_speed"} <= set(file["water"])
        both = np.concatenate([file["port/ping_time"][:], file["starboard/ping_time"][:]])
        assert np.unique(both).size == both.size  # in turn
        assert set(file["platform/time"][:]) & set(both) == set()


def test_gains_units_and_whole_numbers_come_out_again(tmp_path, side):
    extras = Extras(
        int16=True,
        receiver_gain_db=lambda n: np.arange(n) * 3.0,
        time_varied_gain_db=lambda t: 2000 * t,
        source_level_db=205.0,
        receiver_sensitivity_db=-185.0,
    )
    plain = read_recording(_write(tmp_path / "a.h5", side)).sides["starboard"].echo
    spoiled = read_recording(_write(tmp_path / "b.h5", side, extras)).sides["starboard"].echo
    # Half a step of 32000 in each part, magnified by up to 9 dB of receiver gain and 22 dB over the record.
    assert_allclose(spoiled, plain, rtol=0, atol=np.abs(plain).max() / 32000 * 10 ** (31 / 20))
    with h5py.File(tmp_path / "b.h5") as file:
        assert np.abs(file["starboard/echo"][:]).max() >= 31900


def test_a_delayed_or_dead_channel_is_made_good_by_its_entry_and_only_then(tmp_path, side):
    n_channel = side.sonar.element_position_m.shape[1]
    delay = np.linspace(-1, 1, n_channel)[None] * 1e-6  # half a cycle of 450 kHz is 1.1 us
    sonar = dataclasses.replace(side.sonar, element_delay_s=delay)
    late = SideEcho(
        sonar=sonar,
        ping_time_s=side.ping_time_s,
        echo=echoes(sonar, POSE, side.ping_time_s, TARGET, np.ones(1), Water()),
    )
    ok = np.ones((1, n_channel), bool)
    ok[0, 2] = False
    path = _write(tmp_path / "r.h5", late, Extras(element_ok=ok, rates=True))
    assert_allclose(np.abs(form_image(path, "starboard", TARGET, half_sector_rad=0.5).looks), 1.0, atol=1e-3)
    with h5py.File(path, "r+") as file:
        del file["starboard/element_delay"]
    assert np.abs(form_image(path, "starboard", TARGET, half_sector_rad=0.5).looks).max() < 0.7
    with h5py.File(path, "r+") as file:
        file["starboard/element_delay"] = delay
        del file["starboard/element_ok"]
    assert np.abs(form_image(path, "starboard", TARGET, half_sector_rad=0.5).looks - 1).max() > 0.02


def test_segments_are_the_recording_cut_up(tmp_path, side):
    platform = np.arange(-0.2, 0.7, 0.05)
    whole = read_recording(_write(tmp_path / "whole.h5", side, platform=platform))
    write_segments(tmp_path / "folder", 2, [side], platform, pose=POSE, water=Water(), seabed_depth_m=20.0)
    joined = read_recording(tmp_path / "folder")
    assert len(list((tmp_path / "folder").iterdir())) == 2
    assert_array_equal(joined.sides["starboard"].echo, whole.sides["starboard"].echo)
    assert_array_equal(joined.sides["starboard"].ping_time_s, whole.sides["starboard"].ping_time_s)
    assert_array_equal(joined.platform.time_s, whole.platform.time_s)


def test_the_gradient_matters_to_the_segmented_scene(tmp_path):
    truth = gradient_in_segments(tmp_path / "folder")
    recording = read_recording(truth.path)
    straight = dataclasses.replace(recording, gradient_per_s=0.0)  # surface speed everywhere
    target = truth.target_m["starboard"][1:]
    assert form_image(straight, "starboard", target).intensity[0] < 0.5
    assert form_image(recording, "starboard", target).intensity[0] == pytest.approx(1.0, abs=0.01)
