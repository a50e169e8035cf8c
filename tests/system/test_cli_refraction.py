"""A recording through a thermocline, from scenario to image: written, validated, imaged by rays that aren't the simulator's."""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from .conftest import PLAIN, Image, grid, say

# Sea, vehicle and points invented.
SCENARIO = """
title = "Thermocline between vehicle and seabed (invented)"
[sonar]
range_start_m = 18.0
range_stop_m = 34.0
depression_deg = 15.0
[vehicle]
n_ping = 30
speed_m_s = 1.8
ping_rate_hz = 9.0
depth_m = 7.0
altitude_m = 8.0
heading_deg = 75.0
[navigation]
sound_speed_at_array = true
sound_speed_bias_m_s = 0.5
[water]
noise = false
profile_depth_m = [0.0, 7.5, 8.5, 10.5, 12.0, 16.0]
profile_temperature_c = [22.0, 21.2, 18.0, 10.0, 9.0, 8.8]
profile_salinity = [33.0, 33.2, 33.8, 34.6, 34.8, 34.8]
[seabed]
present = false
[[targets]]
along_m = 2.9
across_m = 20.0
strength_db = -10.0
[[targets]]
along_m = 2.9
across_m = 29.0
strength_db = -10.0
"""


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    folder = tmp_path_factory.mktemp("thermocline")
    (folder / "scenario.toml").write_text(SCENARIO)
    assert say("simulate", folder / "scenario.toml", "-o", folder / "rec.h5").code == 0
    return folder / "rec.h5"


def test_recording_keeps_the_contract_and_tells_profile_mean_and_array_apart(recording):
    assert say("validate", recording).code == 0
    with h5py.File(recording) as file:
        water = file["water"]
        depth, speed = water["profile_depth"][:], water["profile_sound_speed"][:]
        mean, array = water.attrs["sound_speed_indicative"], file["platform/sound_speed_at_array"][:]
        assert depth.tolist() == [0.0, 7.5, 8.5, 10.5, 12.0, 16.0]
        assert array == pytest.approx(np.interp(7.0, depth, speed) + 0.5)
        z = np.linspace(7, 15, 80001)
        assert mean == pytest.approx(8 / np.trapezoid(1 / np.interp(z, depth, speed), z), rel=1e-6)
        assert array.mean() - mean > 20


def places(recording, folder, *options):
    """Where the image has the points and where they are, across track."""
    work = "image", recording, "-o", folder, "--no-picture", *PLAIN, *grid(0.05, 0.0075)
    assert say(*work, *options).code == 0
    image = Image.read(folder / "multilook.nc")
    with h5py.File(recording) as file:
        places = file["truth/target_position_m"][:]
    both = []
    for place in places:
        at = image.strip(place[:2])
        seen = image.respond(at, (0.6, 1.4))
        both.append((seen.peak_along_m - at[0], seen.peak_across_m - at[1]))
    return np.array(both)


def test_rays_through_the_recorded_profile_put_points_where_they_are(recording, tmp_path):
    error = places(recording, tmp_path, "--set", "water.rays=exact")
    # A tenth of a cell: 22 mm across, 130 mm along.
    assert np.abs(error[:, 1]).max() < 2.5e-3
    assert np.abs(error[:, 0]).max() < 0.013


def test_straight_rays_at_the_arrays_own_speed_put_them_too_far(recording, tmp_path):
    error = places(recording, tmp_path, "--set", "water.sound_speed_m_s=1523.3")
    assert (error[:, 1] > 0.25).all()
