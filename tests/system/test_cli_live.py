"""``pingloom image`` alone: the estimators run while it images, ping by ping."""

from __future__ import annotations

import json
from pathlib import Path

import h5py
import numpy as np
import pytest

from pingloom.bench.imaging_run import ImageSettings, image_recording
from pingloom.bench.measure.resolution import point_response
from pingloom.imaging.records import Quality
from tests.system.conftest import say
from tests.system.spoilt_line import DEAD, JAMMED, NOISY, POINT_M, simulate_good, spoil


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    return simulate_good(tmp_path_factory.mktemp("live"))


@pytest.fixture(scope="module")
def spoilt(good) -> Path:
    return spoil(good)


@pytest.fixture(scope="module")
def live(spoilt) -> tuple[Path, dict]:
    """Product and what was said of it."""
    said = say("image", spoilt, "-o", spoilt.with_name("live"), "--no-picture", "--json")
    assert (said.code, said.err) == (0, "")
    return spoilt.with_name("live") / "multilook.nc", said.data


def peak(path: Path) -> tuple[float, float, float]:
    """Of the point target: level [dB], place along and across [m]."""
    with h5py.File(path) as file:
        intensity = np.nan_to_num(file["intensity"][...]).astype(np.float64)
        along, across = file["along_track"][...], file["across_track"][...]
    near = np.ix_(np.abs(along - POINT_M[0]) < 0.6, np.abs(across - POINT_M[1]) < 0.4)
    j, i = np.unravel_index(np.argmax(intensity[near]), intensity[near].shape)
    found = point_response(
        intensity,
        pixel_m=(along[1] - along[0], across[1] - across[0]),
        origin_m=(along[0], across[0]),
        near_m=(along[near[0].ravel()[j]], across[near[1].ravel()[i]]),
        search_m=(0.1, 0.05),
        half_size_m=(0.5, 0.25),
    )
    return 10 * np.log10(found.peak), found.peak_along_m, found.peak_across_m


def test_live_is_the_same_as_a_table_made_before_byte_for_byte(spoilt, live, tmp_path) -> None:
    assert say("estimate", spoilt, "-o", tmp_path / "c.h5", "--quiet").code == 0
    done = say("image", spoilt, "-o", tmp_path, "--corrections", tmp_path / "c.h5", "--no-picture", "--quiet")
    assert (done.code, done.err) == (0, "")
    assert (tmp_path / "multilook.nc").read_bytes() == live[0].read_bytes()


def test_what_was_found_on_the_way_is_said(live) -> None:
    found = live[1]["estimated"]["starboard"]
    assert found["receivers_left_out"] == [[0, DEAD], [0, NOISY]]
    assert found["reasons"]["interference"] == 1
    assert live[1]["left_out"] == {"rejected: interference": 1}
    assert {"reject", "bottom", "channels", "motion"} <= set(live[1]["stage_median_ms"])


def test_the_rejected_ping_is_seen_in_the_product(live) -> None:
    with h5py.File(live[0]) as file:
        assert (file.attrs["pings"], file.attrs["pings_left_out"]) == (40, 1)
        assert json.loads(file.attrs["pings_left_out_by_reason"]) == {"rejected: interference": 1}
        masks = dict(
            zip(
                file["quality"].attrs["flag_meanings"].decode().split(),
                file["quality"].attrs["flag_masks"],
                strict=True,
            )
        )
        marked = file["quality"][...] & masks["ping_left_out"] != 0
        along, across = file["along_track"][...], file["across_track"][...]
    assert masks["ping_left_out"] == Quality.PING_LEFT_OUT
    # The transmitter of 28 mm lights 0.886 lambda / 28 mm = 6.04 degrees, from where the ping was sent.
    half = np.hypot(across, 6.0) * np.tan(np.deg2rad(3.02))
    width = marked.sum(axis=0) * (along[1] - along[0])
    middle = np.array([along[column].mean() for column in marked.T if column.any()])
    seen = np.abs(across - 15) < 8
    np.testing.assert_allclose(width[seen], 2 * half[seen], atol=0.04)
    assert abs(np.mean(middle) - JAMMED * 1.8 / 11) < 0.5, "but for the drift of the navigation"


def test_inspect_tells_of_rejected_pings_in_a_product_and_in_a_table(spoilt, live, tmp_path) -> None:
    said = say("inspect", live[0], "--json").data
    assert said["product"]["pings_left_out"] == 1
    assert said["product"]["  rejected: interference"] == 1
    assert said["content"]["share_ping_left_out"] > 0.01
    short = ("--set", "estimate.motion=false", "--quiet")
    assert say("estimate", spoilt, "-o", tmp_path / "c.h5", *short).code == 0
    said = say("inspect", tmp_path / "c.h5", "--json").data
    assert said["kind"] == "corrections"
    assert said["starboard"]["pings_left_out"] == 1
    assert said["starboard"]["  interference"] == 1
    assert said["starboard"]["receivers_left_out"] == 2
    assert "interference" in say("inspect", tmp_path / "c.h5").out


def test_an_interrupted_live_run_goes_on_to_the_same_bytes(spoilt, live, tmp_path) -> None:
    class Stop(Exception):
        pass

    def stop(done: int, total: int) -> None:
        if done == 23:
            raise Stop

    with pytest.raises(Stop):
        image_recording(spoilt, tmp_path, settings=ImageSettings(), checkpoint_pings=9, on_ping=stop)
    run = image_recording(spoilt, tmp_path, settings=ImageSettings(), checkpoint_pings=9, resume=True)
    assert run.resumed_after == 23
    assert run.product.read_bytes() == live[0].read_bytes()
    assert run.left_out == {"rejected: interference": 1}
    assert run.estimated["starboard"]["pings"] == 40


def test_no_estimate_images_the_recording_as_it_is(spoilt, live, tmp_path) -> None:
    said = say("image", spoilt, "-o", tmp_path, "--no-estimate", "--no-picture", "--json")
    assert (said.code, said.data["estimated"], said.data["left_out"]) == (0, None, {})
    assert peak(live[0])[0] - peak(tmp_path / "multilook.nc")[0] > 2


def test_a_good_recording_loses_nothing(good, tmp_path) -> None:
    """Altitude, receivers, navigation all right: the peak stays within 0.05 dB, the place within a fifth of a cell."""
    plain, own = tmp_path / "plain", tmp_path / "own"
    assert say("image", good, "-o", plain, "--no-estimate", "--no-picture", "--quiet").code == 0
    assert say("image", good, "-o", own, "--no-picture", "--quiet").code == 0
    before, after = peak(plain / "multilook.nc"), peak(own / "multilook.nc")
    assert before[0] - after[0] < 0.05
    assert abs(before[1] - after[1]) < 0.015
    assert abs(before[2] - after[2]) < 0.005
