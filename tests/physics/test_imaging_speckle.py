"""Speckle, looks and shadows of the chain's image over the reference seabed, against theory.

Reference geometry: 450 kHz, 30 kHz, 0.6 m array, 28 mm transmitter, 6 m of altitude, no window, uniform shading. The
number of looks that theory predicts is N^2 over the sum of squared field correlations, 1 - 2 d/L each. A number of
looks measured on a patch has a standard error of sqrt(2 (1 + 1/N)/cells), which the measure reports; a patch or two
may lie two of these outside the band that holds for the mean of many.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pingloom.bench.measure.speckle import enl, pool_enl
from tests.agreement.test_imager_runs import Strip, run, settings
from tests.reference import theory
from tests.reference.scenes import Truth, shadow, speckle_patch
from tests.reference.seabed import strip_to_world

pytestmark = pytest.mark.slow

MEASURED_M = (1.2, 1.4)
SPACING_M = 1.8 / 11
GRID = dict(along_m=0.03, across_m=0.01)  # four and two and a half pixels in the cell at 15 m and beyond


@pytest.fixture(scope="module")
def patch(tmp_path_factory) -> Callable[[float, float, int], Truth]:
    """Recordings of patches, each simulated once."""
    made: dict[tuple[float, float, int], Truth] = {}

    def make(range_m: float, spacing_m: float, seed: int) -> Truth:
        key = range_m, spacing_m, seed
        if key not in made:
            made[key] = speckle_patch(
                tmp_path_factory.mktemp("patch") / "r.h5",
                ground_range_m=range_m,
                spacing_m=spacing_m,
                measured_m=MEASURED_M,
                margin_m=(0.5, 0.3),
                seed=seed,
            )
        return made[key]

    return make


def strip_of(truth: Truth, range_m: float, weighting: str = "equalised", **more) -> Strip:
    return run(
        truth.path,
        "starboard",
        settings(**GRID, weighting=weighting, range_m=range_m + MEASURED_M[1] / 2 + 0.1),
        **more,
    )


def middle(strip: Strip, range_m: float) -> tuple[slice, slice]:
    """The measured part; the track passes the world's origin."""
    along, across = strip.strip(np.zeros(3))
    return strip.window(
        (along - MEASURED_M[0] / 2, along + MEASURED_M[0] / 2),
        (across + range_m - MEASURED_M[1] / 2, across + range_m + MEASURED_M[1] / 2),
    )


def predicted(truth: Truth, range_m: float) -> float:
    along = np.linspace(-MEASURED_M[0] / 2, MEASURED_M[0] / 2, 13)
    points = strip_to_world(along, range_m, truth.seabed_depth_m, truth.course_rad)
    return float(truth.predicted_looks("starboard", points).mean())


@pytest.mark.parametrize(
    ("range_m", "spacing_m", "seeds", "about"),
    [
        (15.0, SPACING_M, (1, 2), 7.5),
        (25.0, SPACING_M, (1, 2), 11.8),
        (40.0, SPACING_M, (1,), 18.5),
        (55.0, SPACING_M, (2,), 25.3),
        (25.0, 0.055, (2,), 13.5),
        (25.0, 0.327, (1,), 8.5),
        (25.0, 0.65, (1,), 4.2),
    ],
)
def test_averaging_reaches_the_predicted_number_of_looks(patch, range_m, spacing_m, seeds, about) -> None:
    measured, layer = [], []
    for seed in seeds:
        truth = patch(range_m, spacing_m, seed)
        strip = strip_of(truth, range_m)
        at = middle(strip, range_m)
        measured.append(enl(strip.intensity[at]))
        layer.append(float(strip.looks[at].mean()))
    expected = predicted(truth, range_m)
    assert expected == pytest.approx(about, rel=0.04)  # a whole number of pings sees a pixel
    # What the product says of itself comes from the same theory by another way: two looks' places and shadings.
    assert np.mean(layer) == pytest.approx(expected, rel=0.02)
    value, error = pool_enl(measured)
    spread = 2 * error / value
    assert 0.92 - spread <= value / expected <= 1.10 + spread


def test_three_weightings_give_their_numbers_of_looks(patch) -> None:
    truth = patch(25.0, SPACING_M, 2)
    value = {}
    for weighting in ("equalised", "plain", "snr"):
        strip = strip_of(truth, 25.0, weighting)
        value[weighting] = enl(strip.intensity[middle(strip, 25.0)]).enl
    # One patch of 800 cells: 5 %; the ratios hold far better, as all three see the same speckle.
    for weighting, looks in (("equalised", 11.8), ("plain", 11.0), ("snr", 9.6)):
        assert value[weighting] == pytest.approx(looks, rel=0.10)
    assert value["plain"] / value["equalised"] == pytest.approx(11.0 / 11.8, rel=0.03)
    assert value["snr"] / value["equalised"] == pytest.approx(9.6 / 11.8, rel=0.04)


@pytest.fixture(scope="module")
def single_looks(patch) -> list[np.ndarray]:
    """The measured part of nine pings that see all of it, each by itself."""
    truth = patch(25.0, SPACING_M, 1)
    frame = strip_of(truth, 25.0).frame
    n = truth.ping_time_s["starboard"].size
    looks = []
    for i in range(n // 2 - 4, n // 2 + 5):
        strip = strip_of(truth, 25.0, pings=slice(i, i + 1), frame=frame)
        along, across = strip.strip(np.zeros(3))
        rows, columns = strip.window((along - 0.4, along + 0.4), (across + 24.3, across + 25.7))
        looks.append(strip.intensity[rows, columns].astype(float))
    return looks


def test_one_look_is_fully_developed_speckle(single_looks) -> None:
    assert all(np.isfinite(look).all() for look in single_looks)
    value = pool_enl([enl(look) for look in single_looks])[0]
    assert 0.95 <= value <= 1.10


def test_adjacent_looks_share_what_their_apertures_share(single_looks) -> None:
    def correlation(lag: int) -> float:
        pairs = zip(single_looks[:-lag], single_looks[lag:], strict=True)
        return float(np.mean([np.corrcoef(a.ravel(), b.ravel())[0, 1] for a, b in pairs]))

    overlap = 1 - 2 * SPACING_M / 0.6
    # Of intensity: the field's squared, 0.207. The field's 0.4545 +- 0.03 is +- 0.028 there, and eight pairs of some
    # 500 cells (a third of them independent of each other) spread by 0.02.
    assert correlation(1) == pytest.approx(overlap**2, abs=0.05)
    assert abs(correlation(2)) < 0.06
    assert abs(correlation(4)) < 0.06


def test_the_level_of_the_seabed_is_its_backscatter(patch) -> None:
    level = []
    for seed in (1, 2):
        strip = strip_of(patch(25.0, SPACING_M, seed), 25.0)
        level.append(strip.intensity[middle(strip, 25.0)].mean())
    # Two patches of 540 cells of 12 looks: 0.9 %; the patch's end cuts 1.5 % of the sidelobes' light off.
    assert np.mean(level) == pytest.approx(0.985 * 0.01, rel=0.03)


@pytest.fixture(scope="module")
def shadowed(tmp_path_factory) -> Truth:
    return shadow(tmp_path_factory.mktemp("shadow") / "r.h5")


def shadow_strip(truth: Truth, shading: str = "uniform", **more) -> Strip:
    return run(truth.path, "starboard", settings(**GRID, shading=shading, range_m=27.4), **more)


def shadow_and_ground(strip: Strip, half_width_m: float) -> tuple[np.ndarray, np.ndarray]:
    origin = strip.strip(np.zeros(3))
    along, across = np.abs(strip.along_m - origin[0]), strip.across_m - origin[1]
    behind = (across > 25.7) & (across < 27.0)
    ground = (along > 0.55) & (along < 0.8)
    return strip.intensity[along < half_width_m][:, behind], strip.intensity[ground][:, behind]


def contrast_db(strip: Strip, half_width_m: float) -> float:
    core, ground = shadow_and_ground(strip, half_width_m)
    return float(10 * np.log10(core.mean() / ground.mean()))


@pytest.mark.parametrize("half_width_m", [0.06, 0.13, 0.19])
def test_a_shadow_is_as_dark_as_the_array_lets_it_be(shadowed, half_width_m: float) -> None:
    along, across = np.linspace(-half_width_m, half_width_m, 7), np.arange(25.75, 27.0, 0.25)
    points = strip_to_world(
        *np.meshgrid(along, across, indexing="ij"), shadowed.seabed_depth_m, shadowed.course_rad
    )
    expected = theory.shadow_contrast(
        shadowed.sonars["starboard"],
        shadowed.pose,
        shadowed.ping_time_s["starboard"],
        points.reshape(-1, 3),
        shadowed.half_sector_rad["starboard"],
        shadowed.box,
        shadowed.patch,
        1500.0,
    )
    # Some 60 cells of ten looks: 0.2 dB; range sidelobes add a little light.
    assert contrast_db(shadow_strip(shadowed), half_width_m) == pytest.approx(
        10 * np.log10(expected), abs=0.7
    )


def test_a_shadow_of_half_a_metre_has_its_depth_with_either_shading(shadowed) -> None:
    # Over the middle two thirds of the box's width.
    assert contrast_db(shadow_strip(shadowed), 0.165) == pytest.approx(-11.8, abs=0.7)
    assert contrast_db(shadow_strip(shadowed, "taylor"), 0.165) < -15


def test_many_looks_lift_the_shadow_out_of_the_speckle(shadowed) -> None:
    def to_noise(strip: Strip) -> float:
        # A single ping's sector leaves some of the ground beside the shadow out.
        core, ground = (part[np.isfinite(part)] for part in shadow_and_ground(strip, 0.165))
        return float((ground.mean() - core.mean()) / np.sqrt(ground.var() + core.var()))

    many = shadow_strip(shadowed)
    n = shadowed.ping_time_s["starboard"].size
    one = [
        to_noise(shadow_strip(shadowed, pings=slice(i, i + 1), frame=many.frame))
        for i in range(n // 2 - 3, n // 2 + 4)
    ]
    assert to_noise(many) / np.mean(one) >= 3.2
