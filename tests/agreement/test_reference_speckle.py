"""The outside reference: speckle, looks and shadow of its scenes against theory.

One seed each, so tolerances follow from the number of cells: a number of looks N measured on M cells
has a relative standard deviation of sqrt(2 (1 + 1/N) / M) (delta method).
"""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).resolve().parents[1]))

from reference import theory
from reference.back_projection import form_image
from reference.echo_sum import place
from reference.measure import field_correlation, number_of_looks
from reference.scenes import shadow, speckle_patch
from reference.seabed import Box, Patch, hidden, speckle_seabed, strip_to_world

MEASURED_M = (1.2, 1.4)  # along, across: 9.5 x 60 = 570 cells at 25 m


def _image(truth, centre_m, extent_m):
    along = np.arange(-extent_m[0] / 2, extent_m[0] / 2, 0.06)  # half a cell
    across = np.arange(centre_m - extent_m[1] / 2, centre_m + extent_m[1] / 2, 0.011)
    grid = np.meshgrid(along, across, indexing="ij")
    points = strip_to_world(*grid, truth.seabed_depth_m, truth.course_rad)
    return along, across, form_image(truth.path, "starboard", points)


@pytest.fixture(scope="module")
def speckle(tmp_path_factory):
    path = tmp_path_factory.mktemp("speckle") / "patch.h5"
    truth = speckle_patch(path, measured_m=MEASURED_M, seed=1)
    return truth, *_image(truth, 25.0, MEASURED_M)


def _pair_correlation(looks, lag):
    pairs = zip(looks[:-lag], looks[lag:], strict=True)
    return np.mean([field_correlation(a, b) for a, b in pairs if np.isfinite(a + b).mean() > 0.3])


def test_adjacent_looks_correlate_by_the_overlap_of_their_apertures(speckle):
    looks = speckle[3].looks
    overlap = 1 - 2 * (1.8 / 11) / 0.6
    assert overlap == pytest.approx(0.4545, abs=1e-4)
    # 15 pairs of 570 cells, a third of them independent: standard deviation 0.02 and less
    assert _pair_correlation(looks, 1) == pytest.approx(overlap, abs=0.03)
    assert abs(_pair_correlation(looks, 2)) < 0.05


def test_one_look_is_exponential_speckle(speckle):
    looks = [look[np.isfinite(look)] for look in speckle[3].looks if np.isfinite(look).mean() > 0.95]
    assert len(looks) >= 8
    # sqrt(2 x 2 / 570) = 8 % a look, some 2.5 % for eight and more
    assert np.mean([number_of_looks(np.abs(x) ** 2) for x in looks]) == pytest.approx(1.0, abs=0.08)


def test_many_looks_reach_the_predicted_number(speckle):
    truth, along, _, image = speckle
    points = strip_to_world(along, 25.0, truth.seabed_depth_m, truth.course_rad)
    predicted = np.mean(truth.predicted_looks("starboard", points))
    assert 11.4 < predicted < 12.4
    # sqrt(2 (1 + 1/12) / 570) = 6.2 %, twice that; the mean of twelve seeds is 0.972 +- 0.010
    assert number_of_looks(image.intensity) == pytest.approx(0.97 * predicted, rel=0.125)


def test_speckle_level_is_backscatter_times_the_cell_area(speckle):
    truth, _, _, image = speckle
    expected = theory.speckle_level(truth.sonars["starboard"], np.hypot(25.0, 6.0), 6.0, 0.01, 1500.0)
    # Spread 1 / sqrt(12 x 570) = 1.2 %; the patch's margin cuts 1.4 % of the sidelobes off.
    assert image.intensity.mean() == pytest.approx(0.985 * expected, rel=0.045)


def test_coherent_sum_of_speckle_stays_speckle(speckle):
    # Nine times the cells across the same ground, sampled at every fourth: one look still.
    assert number_of_looks(np.abs(speckle[3].coherent) ** 2) == pytest.approx(1.0, abs=0.12)


def test_wider_ping_spacing_gives_independent_looks(tmp_path):
    truth = speckle_patch(tmp_path / "r.h5", spacing_m=0.65, measured_m=(1.2, 1.0), seed=3)
    along, _, image = _image(truth, 25.0, (1.2, 1.0))
    points = strip_to_world(along, 25.0, truth.seabed_depth_m, truth.course_rad)
    predicted = np.mean(truth.predicted_looks("starboard", points))
    assert predicted == pytest.approx(np.mean(image.count), rel=0.02)  # no overlap left at 0.65 m
    # 410 cells: 8 %, twice that
    assert number_of_looks(image.intensity) == pytest.approx(predicted, rel=0.16)


@pytest.fixture(scope="module")
def shadowed(tmp_path_factory):
    return shadow(tmp_path_factory.mktemp("shadow") / "r.h5")


@pytest.fixture(scope="module")
def shadow_image(shadowed):
    return shadowed, *_image(shadowed, 26.3, (1.6, 1.5))


@pytest.mark.parametrize("half_width_m", [0.06, 0.13, 0.19])
def test_shadow_of_half_a_metre_is_as_dark_as_the_array_allows(shadow_image, half_width_m):
    truth, along, across, image = shadow_image
    behind = (across > 25.7) & (across < 27.0)
    inside = np.abs(along) < half_width_m
    core = image.intensity[inside][:, behind]
    ground = image.intensity[np.abs(along) > 0.55][:, behind]
    grid = np.meshgrid(along[inside], np.arange(25.75, 27.0, 0.25), indexing="ij")
    expected = theory.shadow_contrast(
        truth.sonars["starboard"],
        truth.pose,
        truth.ping_time_s["starboard"],
        strip_to_world(*grid, truth.seabed_depth_m, truth.course_rad).reshape(-1, 3),
        truth.half_sector_rad["starboard"],
        truth.box,
        truth.patch,
        1500.0,
    )
    # 60 cells at the least, each of some ten looks: 4 %, 0.2 dB; range sidelobes add a little light.
    assert 10 * np.log10(core.mean() / ground.mean() / expected) == pytest.approx(0.2, abs=0.7)
    assert core.mean() < 0.1 * ground.mean()
    assert (ground.mean() - core.mean()) / np.sqrt(ground.var() + core.var()) > 2.5


def test_a_box_hides_what_lies_behind_it_and_only_that():
    patch = Patch(along_m=(-5, 5), across_m=(0, 40), depth_m=20.0, heading_rad=0.6, backscatter=1.0)
    box = Box(along_m=(-0.5, 0.5), across_m=(20.0, 21.0), height_m=1.0)
    eye = strip_to_world(0.0, 0.0, 15.0, 0.6)
    # Height 5 over the seabed: the ray over the far upper edge lands at 21 x 5 / 4 = 26.25 m.
    expected = {(0, 19.9): 0, (0, 20.5): 1, (0, 26.2): 1, (0, 26.3): 0, (0.61, 25.0): 1, (0.63, 25.0): 0}
    points = np.array([strip_to_world(*spot, 20.0, 0.6) for spot in expected])
    # Sideways the edge runs through (0.5, 20): at 25 m it stands at 0.625 m.
    assert list(hidden(eye, points, box, patch).astype(int)) == list(expected.values())


def test_jittered_seabed_keeps_power_and_density():
    patch = Patch(along_m=(-1, 1), across_m=(20, 22), depth_m=20.0, heading_rad=2.0, backscatter=0.03)
    points, amplitude = speckle_seabed(patch, (0.1, 0.02), 6.0, np.random.default_rng(0))
    assert np.sum(np.abs(amplitude) ** 2) == pytest.approx(0.03 * 4.0)
    assert len(points) == pytest.approx(6.0 * 4.0 / (0.1 * 0.02), rel=0.03)  # whole rows and columns
    assert np.ptp(np.abs(amplitude)) < 0.25 * np.abs(amplitude).mean()
    assert np.abs(np.mean(amplitude)) < 3 * np.abs(amplitude).mean() / np.sqrt(len(points))


def test_a_ping_sees_the_shadow_from_its_own_place(shadowed):
    truth = shadowed
    sonar, times = truth.sonars["starboard"], truth.ping_time_s["starboard"]
    behind = strip_to_world(0.35, 26.9, truth.seabed_depth_m, truth.course_rad)[None]
    dark = [
        bool(
            hidden(place(truth.pose, np.array(t), sonar.transmit_position_m), behind, truth.box, truth.patch)[
                0
            ]
        )
        for t in times
    ]
    assert any(dark)
    assert not all(dark)
    assert dark[0]
    assert not dark[-1]
