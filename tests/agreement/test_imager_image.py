"""The chain's image against the reference imager's at the same pixels, and against theory for points.

The reference imager divides every look by what a unit scatterer would give it, the chain by what a unit of backscatter
per area would. Between them lies the area of the resolution cell, which differs from ping to ping with range and
azimuth: each reference look is divided by its own area (:func:`cell_area`, stated from theory, none of the chain's
numbers) before the mean over pings is taken. The chain's noise is added back where it was subtracted.

Measured when these tests were written: relative rms 0.5 to 1.0 %, low-level amplitudes 1.5 to 5 %, peaks 0.987 to
1.003. What is left is the delay filters' error, summed over channels, and that of reading the field with four taps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pingloom.bench.measure.resolution import PointResponse, point_response
from tests.agreement.test_imager_runs import Strip, cell_area, run, settings
from tests.reference import scenes
from tests.reference.back_projection import form_image
from tests.reference.scenes import Truth


@dataclass(frozen=True, kw_only=True)
class Case:
    """A scene, the side that is imaged, how far across, and how far off the points may lie in cells."""

    scene: Callable[[Path], Truth]
    side: str
    range_m: float
    off_cells: float = 0.1
    along_share: float = (
        0.33  # pixel along over the finest width along: at most 0.35, as measuring a point needs
    )
    half_cells: float = 4.0  # half of the patch along, in cells
    square: bool = True  # looks lie square to the strip, so that the along-track width is that of the beam
    water_depth_m: float | None = None
    # A profile of sound speed: its rays bent, the sector given, which the reference takes from the speed at the surface.
    profile: bool = False


CASES = {
    "reference points": Case(scene=scenes.reference_points, side="starboard", range_m=42.0),
    # Oblique heading, pitch, roll and lever arms together: 0.2 cells. The range response lies oblique in the strip and
    # gives the along axis some of its bandwidth: finer pixels.
    "port crab": Case(
        scene=scenes.down_sweep_port_crab,
        side="port",
        range_m=21.0,
        off_cells=0.2,
        along_share=0.12,
        square=False,
    ),
    "both sides, port": Case(scene=scenes.low_frequency_both_sides, side="port", range_m=34.0, square=False),
    "both sides, starboard": Case(
        scene=scenes.low_frequency_both_sides, side="starboard", range_m=35.0, square=False
    ),
    "heave and sway": Case(
        scene=scenes.high_frequency_heave_sway,
        side="starboard",
        range_m=9.2,
        water_depth_m=scenes.SEABED_M,
    ),
    "four rows, one ping": Case(scene=scenes.one_ping, side="starboard", range_m=19.0, half_cells=2.4),
    "bent rays": Case(scene=scenes.gradient_in_segments, side="starboard", range_m=30.0, profile=True),
    "everything, port": Case(scene=scenes.everything_optional, side="port", range_m=17.0),
    "everything, starboard": Case(scene=scenes.everything_optional, side="starboard", range_m=18.0),
}


@pytest.fixture(scope="module", params=CASES, ids=[name.replace(" ", "-") for name in CASES])
def imaged(request, tmp_path_factory) -> tuple[Case, Truth, Strip]:
    case = CASES[request.param]
    truth = case.scene(tmp_path_factory.mktemp("image") / "r.h5")
    grid = dict(
        along_m=case.along_share * float(truth.along_width_m(case.side).min()),
        across_m=0.33 * truth.slant_width_m(case.side),
        range_m=case.range_m,
    )
    if case.profile:
        grid |= dict(sector_deg=float(np.rad2deg(2 * truth.half_sector_rad[case.side])), rays="exact")
    return case, truth, run(truth.path, case.side, settings(**grid), water_depth_m=case.water_depth_m)


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Backscatter at the same pixels, from the chain and from the reference imager."""

    ours: NDArray[np.float64]
    reference: NDArray[np.float64]
    our_count: NDArray[np.int64]
    count: NDArray[np.int64]

    @property
    def relative_rms(self) -> float:
        both = np.isfinite(self.ours) & np.isfinite(self.reference)
        error = self.ours[both] - self.reference[both]
        return float(np.sqrt(np.mean(error**2) / np.mean(self.reference[both] ** 2)))

    def low_level_amplitude_error(self, below: float | None = None) -> float:
        """Relative rms of amplitude over the pixels below a level; by default 20 dB under the mean."""
        level = np.nanmean(self.reference) / 100 if below is None else below
        low = np.isfinite(self.ours) & (self.reference < level)
        assert low.sum() > 30
        ours = np.sqrt(np.maximum(self.ours[low], 0))
        return float(
            np.sqrt(np.mean((ours - np.sqrt(self.reference[low])) ** 2) / np.mean(self.reference[low]))
        )


def compare(truth: Truth, strip: Strip, rows: NDArray, columns: NDArray) -> Pair:
    """Both images at some rows and columns of the strip."""
    live = strip.chain.sides[strip.side].sonar.live
    shading = live / np.maximum(live.sum(axis=0), 1)  # channels count alike, whatever of their rows is dead
    points = strip.world(strip.along_m[rows][:, None], strip.across_m[columns][None], truth.seabed_depth_m)
    reference = form_image(truth.path, strip.side, points, shading=shading)
    looks = np.abs(reference.looks) ** 2 / cell_area(truth, strip.side, points)
    total = np.where(np.isfinite(looks), looks, 0).sum(axis=0)
    at = np.ix_(rows, columns)
    return Pair(
        ours=strip.with_noise[at],
        reference=np.where(reference.count > 0, total / np.maximum(reference.count, 1), np.nan),
        our_count=strip.coverage[at].astype(np.int64),
        count=reference.count,
    )


def spread(window: slice, n: int) -> NDArray[np.intp]:
    """About ``n`` indices of a slice, evenly spaced."""
    index = np.arange(window.start, window.stop)
    return index[:: max(1, index.size // n)]


def around(truth: Truth, strip: Strip, i: int, n: tuple[int, int] = (24, 30)) -> Pair:
    """Both images around target ``i``: four cells along and twelve across, either way."""
    along, across = strip.strip(truth.target_m[strip.side][i])
    da = 4 * float(truth.along_width_m(strip.side)[i])
    dx = 12 * truth.slant_width_m(strip.side)
    rows, columns = strip.window((along - da, along + da), (across - dx, across + dx))
    return compare(truth, strip, spread(rows, n[0]), spread(columns, n[1]))


def measurable(case: Case, truth: Truth) -> list[int]:
    """Targets within the strip that is imaged."""
    across = np.abs([spot for spot in _across(truth, case.side)])
    return [i for i, x in enumerate(across) if x < case.range_m - 0.5]


def _across(truth: Truth, side: str) -> NDArray[np.float64]:
    c, s = np.cos(truth.course_rad), np.sin(truth.course_rad)
    north, east = truth.target_m[side][:, 0], truth.target_m[side][:, 1]
    return -north * s + east * c


@pytest.fixture(scope="module")
def pairs(imaged) -> list[Pair]:
    case, truth, strip = imaged
    return [around(truth, strip, i) for i in measurable(case, truth)]


def test_no_pixel_comes_late_or_lies_beside_the_beams(imaged) -> None:
    _, _, strip = imaged
    assert sum(r.late for r in strip.reports) == 0
    assert sum(r.uncovered for r in strip.reports) == 0


def test_intensity_agrees_with_the_reference_within_a_hundredth(pairs) -> None:
    # Targets of a scene count alike, so that the nearest does not drown the others.
    assert np.sqrt(np.mean([pair.relative_rms**2 for pair in pairs])) <= 1e-2


def test_low_level_pixels_and_counts_agree_with_the_reference(pairs) -> None:
    for pair in pairs:
        assert pair.low_level_amplitude_error() <= 0.10
        # Pixels at the very edge of a ping's sector may fall on either side of it.
        assert abs(pair.our_count.sum() / pair.count.sum() - 1) <= 0.01
        assert np.mean(pair.our_count != pair.count) <= 0.01


def respond(case: Case, truth: Truth, strip: Strip, i: int) -> PointResponse:
    along, across = strip.strip(truth.target_m[strip.side][i])
    return point_response(
        strip.with_noise,
        pixel_m=strip.pixel_m,
        origin_m=(strip.along_m[0], strip.across_m[0]),
        near_m=(along, across),
        half_size_m=(
            case.half_cells * float(truth.along_width_m(strip.side)[i]),
            9 * truth.slant_width_m(strip.side),
        ),
    )


def cosine_of_grazing(truth: Truth, side: str, i: int) -> float:
    height = truth.seabed_depth_m - truth.pose(truth.ping_time_s[side])[2].mean()
    return float(np.sqrt(1 - (height / truth.slant_range_m(side)[i]) ** 2))


def test_points_lie_where_they_are(imaged) -> None:
    case, truth, strip = imaged
    for i in measurable(case, truth):
        response = respond(case, truth, strip, i)
        along, across = strip.strip(truth.target_m[case.side][i])
        cell_along = float(truth.along_width_m(case.side)[i])
        cell_across = truth.slant_width_m(case.side) / cosine_of_grazing(truth, case.side, i)
        assert abs(response.peak_along_m - along) < case.off_cells * cell_along
        assert abs(response.peak_across_m - across) < case.off_cells * cell_across


def test_points_are_as_wide_as_theory_says(imaged) -> None:
    case, truth, strip = imaged
    for i in measurable(case, truth):
        response = respond(case, truth, strip, i)
        slant = response.across.width_m * cosine_of_grazing(truth, case.side, i)
        assert slant == pytest.approx(truth.slant_width_m(case.side), rel=0.02)
        if case.square:
            along = float(truth.along_width_m(case.side)[i])
            assert response.along.summed_width_m == pytest.approx(along, rel=0.02)
            # Averaging narrows the cut a little, as the looks' range responses cross at angles; it never widens it.
            assert response.along.width_m < 1.02 * along


def test_a_unit_scatterer_reads_one_over_the_cell_area(imaged) -> None:
    case, truth, strip = imaged
    for i in measurable(case, truth):
        point = truth.target_m[case.side][i]
        row, column = (
            int(np.argmin(np.abs(axis - at)))
            for axis, at in zip((strip.along_m, strip.across_m), strip.strip(point), strict=True)
        )
        area = cell_area(truth, case.side, point)
        seen = form_image(truth.path, case.side, point[None]).looks[:, 0]
        expected = np.mean(1 / area[np.isfinite(seen)])
        assert strip.coverage[row, column] > 0
        assert respond(case, truth, strip, i).peak == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("scene", ["speckle", "shadow"])
def test_speckle_and_shadow_agree_with_the_reference_within_a_hundredth(scene: str, tmp_path) -> None:
    if scene == "speckle":
        truth = scenes.speckle_patch(tmp_path / "r.h5", measured_m=(0.8, 0.6), margin_m=(0.3, 0.2), seed=4)
        across = (24.7, 25.3)
    else:
        box = scenes.Box(along_m=(-0.25, 0.25), across_m=(24.6, 24.9), height_m=0.5)
        truth = scenes.speckle_patch(
            tmp_path / "r.h5", measured_m=(0.8, 1.0), margin_m=(0.3, 0.2), box=box, seed=5
        )
        across = (24.5, 25.5)
    strip = run(truth.path, "starboard", settings(range_m=across[1] + 0.3))
    middle = strip.strip(truth.pose(np.array(0.0))[:3])[0]
    rows, columns = strip.window((middle - 0.5, middle + 0.5), across)
    pair = compare(truth, strip, spread(rows, 40), spread(columns, 60))
    assert pair.relative_rms <= 1e-2
    # Looks fill each other's zeros, so no pixel lies 20 dB below the mean: the darkest twentieth instead.
    assert pair.low_level_amplitude_error(np.nanquantile(pair.reference, 0.05)) <= 0.10
    assert np.mean(pair.our_count != pair.count) <= 0.01
