"""The outside reference: point targets through its own imager, against theory and the truth."""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

sys.path.append(str(Path(__file__).resolve().parents[1]))

from reference import theory
from reference.back_projection import form_image, read_recording
from reference.measure import peak_position, peak_sidelobe_db, width
from reference.scenes import SCENES, Truth, reference_points
from reference.seabed import strip_to_world

GROUND_M = (15.0, 25.0, 40.0, 55.0)
POINT_SCENES = [name for name in SCENES if name not in ("reference-points", "speckle-patch", "shadow")]


@dataclass
class Cuts:
    """Cuts through the four reference targets, one row each, and their images."""

    across_m: np.ndarray
    range_power: np.ndarray
    along_m: np.ndarray
    one_look: np.ndarray
    many_looks: np.ndarray
    fine_m: np.ndarray
    coherent: np.ndarray
    truth: Truth


@pytest.fixture(scope="module")
def cuts(tmp_path_factory):
    truth = reference_points(tmp_path_factory.mktemp("reference") / "points.h5")
    recording = read_recording(truth.path)
    ground = np.array(GROUND_M)[:, None]
    across = ground + np.linspace(-0.15, 0.15, 301)
    along = np.linspace(-2.5, 2.5, 201) * truth.along_width_m("starboard")[:, None]
    fine = np.linspace(-0.03, 0.03, 81)

    def image(along_m, across_m, **options):
        points = strip_to_world(along_m, across_m, truth.seabed_depth_m, truth.course_rad)
        return form_image(recording, "starboard", points, **options)

    # The ping nearest abeam is the same for all: all targets stand at the same place along track.
    abeam = [int(np.argmin(np.abs(truth.ping_time_s["starboard"])))]
    return Cuts(
        across_m=across,
        range_power=np.abs(image(0.0, across, pings=abeam).looks[0]) ** 2,
        along_m=along,
        one_look=np.abs(image(along, ground, pings=abeam, half_sector_rad=0.2).looks[0]) ** 2,
        many_looks=image(along, ground).intensity,
        fine_m=fine,
        coherent=image(fine, ground).coherent,
        truth=truth,
    )


@pytest.mark.parametrize("i", range(4))
def test_range_cut_has_the_width_the_place_and_the_sidelobes_of_theory(cuts, i):
    slant, power = np.hypot(cuts.across_m[i], 6.0), cuts.range_power[i]
    assert width(slant, power) == pytest.approx(cuts.truth.slant_width_m("starboard"), rel=0.02)
    assert abs(peak_position(slant, power) - np.hypot(GROUND_M[i], 6.0)) < 1e-3
    assert power.max() == pytest.approx(1.0, abs=0.005)
    assert peak_sidelobe_db(power) == pytest.approx(-13.26, abs=0.5)


@pytest.mark.parametrize("i", range(4))
def test_along_cut_of_one_look_and_of_many(cuts, i):
    along, one, many = cuts.along_m[i], cuts.one_look[i], cuts.many_looks[i]
    assert width(along, one) == pytest.approx(cuts.truth.along_width_m("starboard")[i], rel=0.02)
    assert abs(peak_position(along, one)) < 2e-3
    assert peak_sidelobe_db(one) == pytest.approx(-13.26, abs=0.5)
    assert 0.93 < width(along, many) / width(along, one) < 1.02  # averaging does not sharpen
    assert many.max() == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("i", range(4))
def test_coherent_sum_is_as_wide_as_half_the_transmitter_and_in_phase(cuts, i):
    power = np.abs(cuts.coherent[i]) ** 2
    # The sector in whole pings, 10 to 36 of them: 14.0 mm more or less a part of a ping.
    assert 12.9e-3 < width(cuts.fine_m, power) < 15.0e-3
    assert abs(peak_position(cuts.fine_m, power)) < 1e-4
    middle = cuts.coherent[i][cuts.fine_m.size // 2] / cuts.truth.target_amplitude["starboard"][i]
    assert_allclose(middle, 1.0, atol=0.005)


@pytest.fixture(scope="module", params=POINT_SCENES)
def scene(request, tmp_path_factory):
    truth = SCENES[request.param](tmp_path_factory.mktemp("scene") / "recording.h5")
    return truth, read_recording(truth.path)


def test_scene_targets_read_one_at_their_place_and_in_phase(scene):
    truth, recording = scene
    for side, targets in truth.target_m.items():
        at = form_image(recording, side, targets)
        look = truth.sonars[side], truth.pose, truth.ping_time_s[side]
        expected = [theory.pings_that_see(*look, p, truth.half_sector_rad[side]).size for p in targets]
        assert_allclose(at.count, expected, atol=1)  # a ping at the very edge may fall either way
        assert at.count.min() > 0
        # Navigation between rows by cubics, noise 40 dB down before compression: well below 1 %.
        assert_allclose(at.intensity, 1.0, atol=0.01)
        assert_allclose(at.coherent / truth.target_amplitude[side], 1.0, atol=0.01)
        assert truth.predicted_looks(side, targets).min() >= 1


def test_scene_targets_stand_where_the_truth_says(scene):
    truth, recording = scene
    offset = np.linspace(-1, 1, 17)
    for side, targets in truth.target_m.items():
        along = np.multiply.outer(truth.along_width_m(side) / 2, offset)
        across = np.broadcast_to(truth.slant_width_m(side) / 2 * offset, along.shape)
        shift = [
            strip_to_world(x, y, 0.0, truth.course_rad) for x, y in ((along, 0 * along), (0 * across, across))
        ]
        power = form_image(recording, side, targets[:, None] + np.array(shift)).intensity
        for cut in power.reshape(-1, offset.size):
            assert abs(peak_position(offset, cut)) < 0.1  # twentieth of a cell
            assert cut[0] < 0.8 > cut[-1]
