"""``pingloom image`` on recordings of another program: what theory and the truth say of the images.

The recordings come from an independent simulator and writer (``tests/reference``). Where a figure was seen when the
tests were written, it stands beside the tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from pingloom.bench.measure.resolution import PointResponse, point_response
from pingloom.bench.measure.speckle import enl
from tests.reference import theory
from tests.reference.echo_sum import Pose, Water, echoes
from tests.reference.measure import width
from tests.reference.scenes import SEABED_M, Truth, around, make_sonar, motion, ping_times
from tests.reference.write_recording import Extras, SideEcho, write_recording, write_segments
from tests.system.conftest import PLAIN, Image, Target, grid, say, targets

xarray = pytest.importorskip("xarray")


@dataclass(frozen=True)
class Points:
    """How a scene of point targets is looked at."""

    name: str
    off_cells: float = 0.1
    """How far off a point may lie. Oblique heading, pitch, roll and lever arms together are allowed 0.2."""
    fine: float = 0.33
    """Pixel of the fine grid in -3 dB widths. An oblique array tilts its narrow cell: that needs finer rows."""
    half_along: float = 4.0
    """Half of the patch that is measured, in widths. A single ping's sector ends soon."""


POINTS = [
    Points("reference-points"),
    Points("down-sweep-port-crab", off_cells=0.2, fine=0.2),
    Points("low-frequency-both-sides"),
    Points("high-frequency-heave-sway"),
    Points("one-ping", half_along=1.6),
    Points("everything-optional"),
]


def fine_grid(found: list[Target], share: float) -> tuple[str, ...]:
    return grid(share * min(t.along_width_m for t in found), share * min(t.slant_width_m for t in found))


@pytest.fixture(scope="module", params=POINTS, ids=lambda p: p.name)
def points(request) -> Points:
    return request.param


@pytest.fixture(scope="module", params=["default", "fine"])
def seen(request, points, scene, image) -> tuple[Points, Image, list[tuple[Target, PointResponse]]]:
    """All points of a scene with the response on one of two grids."""
    found = targets(scene(points.name))
    options = () if request.param == "default" else fine_grid(found, points.fine)
    product = image(points.name, *PLAIN, *options)
    responses = []
    for t in found:
        half = points.half_along * t.along_width_m, 9 * t.slant_width_m
        responses.append((t, product.respond(product.strip(t.world_m), half)))
    return points, product, responses


def test_points_lie_where_the_truth_says(seen) -> None:
    points, product, responses = seen
    for target, response in responses:
        along, across = product.strip(target.world_m)
        # Seen: 0.02 cells at most, 0.06 with everything oblique.
        assert abs(response.peak_along_m - along) < points.off_cells * target.along_width_m
        assert abs(response.peak_across_m - across) < points.off_cells * target.across_width_m


def test_points_are_as_wide_across_as_the_pulse(seen) -> None:
    for target, response in seen[2]:
        slant = response.across.width_m * target.cosine
        assert slant == pytest.approx(target.slant_width_m, rel=0.02)  # seen: 0.996 to 1.018


def test_points_are_as_wide_along_as_one_look(seen) -> None:
    for target, response in seen[2]:
        # Summed over 5.5 cells across, since looks from either side lie tilted. The width stands square to the ray:
        # along the strip it is shorter by the cosine of the crab, up to 10 degrees or 1.5 %. Seen: 0.979 to 1.008.
        summed = response.along.summed_width_m
        if points_are_oblique(seen[0]):
            summed = wide_sum(seen[1], seen[0], target).along.summed_width_m
            assert 0.965 < summed / target.along_width_m < 1.02
        else:
            assert summed == pytest.approx(target.along_width_m, rel=0.02)


def points_are_oblique(points: Points) -> bool:
    return points.name in ("down-sweep-port-crab", "low-frequency-both-sides", "everything-optional")


def wide_sum(product: Image, points: Points, target: Target) -> PointResponse:
    """The response with its profiles summed over 2.5 cells along and 5.5 across, either way."""
    at = product.strip(target.world_m)
    return point_response(
        product.intensity,
        pixel_m=product.pixel_m,
        origin_m=(product.along_m[0], product.across_m[0]),
        near_m=(float(at[0]), float(at[1])),
        half_size_m=(points.half_along * target.along_width_m, 9 * target.slant_width_m),
        sum_half_width_m=(2.5 * target.along_width_m, 5.5 * target.slant_width_m),
    )


def test_a_unit_scatterer_reads_one_over_its_cell(seen) -> None:
    for target, response in seen[2]:
        assert response.peak * target.cell_m2 == pytest.approx(1.0, abs=0.03)  # seen: 0.987 to 1.010


def test_pixels_hold_centres_of_a_regular_grid_with_port_negative(seen, scene) -> None:
    points, product, responses = seen
    truth = scene(points.name)
    for axis, step in zip((product.along_m, product.across_m), product.pixel_m, strict=True):
        assert_allclose(np.diff(axis), step, rtol=1e-6)
        assert_allclose(axis / step - np.round(axis / step - 0.5), 0.5, atol=1e-6)
    assert ("port" in truth.sonars) == (product.across_m.min() < 0)
    assert ("starboard" in truth.sonars) == (product.across_m.max() > 0)
    for target, response in responses:
        assert np.sign(response.peak_across_m) == {"port": -1, "starboard": 1}[target.side]


def test_where_no_look_came_the_pixel_says_so(seen) -> None:
    product = seen[1]
    unseen = product.layer["coverage"] == 0
    assert_array_equal(np.isnan(product.layer["intensity"]), unseen)
    assert_array_equal((product.layer["quality"] & 1) != 0, unseen)
    assert not product.layer["looks"][unseen].any()
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 10 * np.log10(product.intensity)
    positive = product.intensity > 0
    assert_allclose(product.layer["backscatter"][positive], level[positive], atol=1e-4)  # float32 at 100 dB


@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
@pytest.mark.parametrize("name", ["one-ping", "everything-optional"])
def test_xarray_reads_what_h5py_reads(engine, name, image) -> None:
    if engine == "netcdf4":
        pytest.importorskip("netCDF4")
    product = image(name, *PLAIN)
    with xarray.open_dataset(product.path, engine=engine) as dataset:
        assert dataset.attrs["strip_heading"] == product.heading_rad
        assert dataset.attrs["strip_origin_north"] == product.origin_m[0]
        assert dataset.attrs["strip_origin_east"] == product.origin_m[1]
        assert dataset["intensity"].dims == ("along_track", "across_track")
        assert_array_equal(dataset["along_track"], product.along_m)
        assert_array_equal(dataset["across_track"], product.across_m)
        for layer in ("intensity", "backscatter", "looks", "coverage", "quality"):
            assert_array_equal(dataset[layer].values, product.layer[layer])
        assert str(dataset["across_track"].attrs["units"]) == "m"


def test_calibration_is_said_in_the_units(image) -> None:
    with xarray.open_dataset(image("everything-optional", *PLAIN).path, engine="h5netcdf") as dataset:
        assert dataset["intensity"].attrs["units"] == "1"
        assert dataset.attrs["calibrated"] == "yes"
    with xarray.open_dataset(image("one-ping", *PLAIN).path, engine="h5netcdf") as dataset:
        assert dataset["intensity"].attrs["units"] == "relative"
        assert dataset.attrs["calibrated"] == "no"


@pytest.mark.parametrize("name", [p.name for p in POINTS])
def test_the_contract_is_kept_by_the_other_program(name, scene) -> None:
    said = say("validate", scene(name).path, "--json")
    assert said.code == 0, said.out
    assert said.data["count"]["wrong"] == 0


def test_no_depth_of_water_is_refused_with_the_remedy_that_helps(scene, tmp_path) -> None:
    truth = scene("high-frequency-heave-sway")
    path = truth.path.with_name(f"{truth.path.stem}-without-depth.h5")
    arguments = "image", path, "-o", tmp_path / "o", "--no-picture", *grid(0.01, 0.005, 8.0)
    say(*arguments).refused("no altitude is known", "--set bottom.altitude_m=")
    assert not (tmp_path / "o").exists()
    assert say(*arguments, "--set", "bottom.altitude_m=3").code == 0
    product = Image.read(tmp_path / "o" / "multilook.nc")
    target = targets(truth)[0]
    at = product.strip(target.world_m)
    peak = product.respond(at, (4 * target.along_width_m, 20 * target.slant_width_m))
    # The heave of 40 mm is not followed: at 6 m that moves the echo by at most 3/6 of it.
    assert peak.peak_across_m == pytest.approx(at[1], abs=0.02)


# ---- broadside ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["reference-points", "everything-optional"])
def test_broadside_shows_points_where_they_are(name, scene, image) -> None:
    truth = scene(name)
    found = targets(truth)
    product = image(name, *PLAIN, *fine_grid(found, 0.33), method="broadside")
    spacing = float(np.hypot(*np.diff(truth.pose(truth.ping_time_s[found[0].side])[:2], axis=1)).mean())
    for target in found:
        along, across = product.strip(target.world_m)
        window = (along - 1.0, along + 1.0), (across - 0.2, across + 0.2)
        patch = np.nan_to_num(product.cut("intensity", *window))
        rows, columns = product.window(*window)
        i, j = np.unravel_index(np.argmax(patch), patch.shape)
        # One line a ping, drawn out to the next: a whole spacing to either side of the nearest line's middle.
        assert abs(product.along_m[rows][i] - along) < spacing + product.pixel_m[0]
        assert abs(product.across_m[columns][j] - across) < 0.5 * target.across_width_m
        row = patch[i]
        profile = row[max(0, j - 12) : j + 13]
        wide = smooth_width(np.arange(profile.size) * product.pixel_m[1], profile)
        # A spline through three samples a width: 5 %.
        assert wide * target.cosine == pytest.approx(target.slant_width_m, rel=0.05)


def smooth_width(x: NDArray, power: NDArray) -> float:
    """-3 dB width of a profile of few samples, by a spline through them."""
    fine = np.linspace(x[0], x[-1], 40 * x.size)
    return width(fine, CubicSpline(x, power)(fine))


def test_broadside_is_one_look_at_the_right_level(scene, image) -> None:
    truth = scene("speckle-patch")
    product = image("speckle-patch", *PLAIN, method="broadside")
    along, across = speckled(truth, product)
    patch = product.cut("intensity", along, across)
    # Lines stand 164 mm apart: some ten of them, 80 cells each; the mean of 800 looks is known to 0.15 dB.
    assert 10 * np.log10(patch.mean() / 0.01) == pytest.approx(0, abs=0.5)  # seen: 0.15
    assert 0.85 < enl(patch).enl < 1.15  # seen: 1.005 with a standard error of 0.05
    assert_array_equal(product.cut("looks", along, across), 1.0)


# ---- speckle and shadow ------------------------------------------------------------------------------------


def speckled(truth: Truth, product: Image) -> tuple[tuple[float, float], tuple[float, float]]:
    """The part of the patch with all looks and full surroundings."""
    middle = float(product.strip(truth.pose(np.array(0.0))[:2])[0])
    return (middle - 0.8, middle + 0.8), (24.0, 26.0)


def mesh(product: Image, along_m, across_m, n: tuple[int, int] = (5, 5)) -> NDArray[np.float64]:
    """World places of the middles of ``n`` by ``n`` equal parts of a rectangle."""
    axes = [a + (b - a) * (np.arange(k) + 0.5) / k for (a, b), k in zip((along_m, across_m), n, strict=True)]
    return product.world(*np.meshgrid(*axes, indexing="ij")).reshape(-1, 3)


def test_speckle_has_the_looks_that_theory_predicts(scene, image) -> None:
    truth = scene("speckle-patch")
    product = image("speckle-patch", *PLAIN)
    along, across = speckled(truth, product)
    expected = truth.predicted_looks("starboard", mesh(product, along, across)).mean()
    measured = enl(product.cut("intensity", along, across))
    # One seed, 600 cells: a standard error of 4 %. Seen: 11.86 for 11.96.
    assert measured.enl == pytest.approx(expected, rel=0.10)
    assert product.cut("looks", along, across).mean() == pytest.approx(expected, rel=0.03)


def test_speckles_spread_over_its_looks_tells_the_pixels_own_fluctuation(scene, image) -> None:
    truth = scene("speckle-patch")
    product = image("speckle-patch", *PLAIN)
    along, across = speckled(truth, product)
    spread, looks = product.cut("spread", along, across), product.cut("looks", along, across)
    assert np.isfinite(spread).all()
    # Of N exponential powers, E[sum I^2 / (sum I)^2] = 2 / (N + 1), so the unbiased variance over the mean's square
    # is N / (N + 1) in the mean: one look of speckle.
    assert np.mean(spread**2) == pytest.approx(np.mean(looks / (looks + 1)), rel=0.05)
    # What one pixel's looks tell of its error is what pixels show side by side.
    measured = enl(product.cut("intensity", along, across))
    told = np.mean(spread**2 * (looks + 1) / looks**2)
    assert told == pytest.approx(1 / measured.enl, rel=0.12)


def test_speckle_has_the_level_that_was_put_in(scene, image) -> None:
    truth = scene("speckle-patch")
    product = image("speckle-patch", *PLAIN)
    patch = product.cut("intensity", *speckled(truth, product))
    assert 10 * np.log10(patch.mean() / truth.patch.backscatter) == pytest.approx(0, abs=0.5)  # seen: -0.08


def test_default_window_and_shading_keep_the_level(scene, image) -> None:
    truth = scene("speckle-patch")
    product = image("speckle-patch")
    patch = product.cut("intensity", *speckled(truth, product))
    assert 10 * np.log10(patch.mean() / truth.patch.backscatter) == pytest.approx(0, abs=0.5)


def test_measure_tells_the_same_looks_as_the_library(scene, image) -> None:
    truth = scene("speckle-patch")
    product = image("speckle-patch", *PLAIN)
    along, across = speckled(truth, product)
    said = say("measure", product.path, "--patch", *along, *across, "--json")
    assert said.code == 0
    (looks,) = said.data["looks"]
    expected = truth.predicted_looks("starboard", mesh(product, along, across)).mean()
    assert looks["enl"] == pytest.approx(expected, rel=0.10)
    assert looks["ratio"] == pytest.approx(looks["enl"] / looks["predicted"])


@pytest.mark.parametrize("half_m", [0.06, 0.13, 0.19])
def test_shadow_is_as_dark_as_the_array_allows(half_m, scene, image) -> None:
    truth = scene("shadow")
    product = image("shadow", *PLAIN)
    middle = float(product.strip(truth.pose(np.array(0.0))[:2])[0])
    behind = 25.7, 27.0
    inside = middle - half_m, middle + half_m
    dark = product.cut("intensity", inside, behind)
    sides = [(middle + 0.55, middle + 0.8), (middle - 0.8, middle - 0.55)]
    ground = np.concatenate([product.cut("intensity", s, behind) for s in sides])
    expected = theory.shadow_contrast(
        truth.sonars["starboard"],
        truth.pose,
        truth.ping_time_s["starboard"],
        mesh(product, inside, behind, (16, 5)),
        truth.half_sector_rad["starboard"],
        truth.box,
        truth.patch,
        1500.0,
    )
    # 60 cells of some ten looks: 0.2 dB; range sidelobes add a little light. Seen: 0.4, 0.4, 0.6 dB.
    assert 10 * np.log10(dark.mean() / ground.mean() / expected) == pytest.approx(0.3, abs=0.7)
    assert (ground.mean() - dark.mean()) / np.sqrt(ground.var() + dark.var()) > 2.8  # seen: 3.3 to 3.4


# ---- ways of writing the same pings ------------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """A short line on both sides of which every way of writing can be made."""

    pose: Pose
    sides: list[SideEcho]
    platform_time_s: NDArray[np.float64]

    def write(self, path: Path, *, segments: int = 0, **extras) -> Path:
        what = dict(
            pose=self.pose,
            platform_time_s=self.platform_time_s,
            water=Water(),
            seabed_depth_m=SEABED_M,
            extras=Extras(altitude=True, **extras),
        )
        if segments:
            return write_segments(path, segments, self.sides, title="line", **what)
        return write_recording(path, self.sides, title="line", **what)


@pytest.fixture(scope="module")
def line() -> Line:
    """100 kHz, both sides, 16 pings with two points a side."""
    pose = motion(depth_m=SEABED_M - 8, speed_m_s=2.0, course_rad=0.7, roll_rad=0.02)
    times = ping_times(pose, (-2.0, 2.0), 2.0, 0.27)
    sides = []
    for side, sign in (("port", -1), ("starboard", 1)):
        sonar = make_sonar(
            side,
            sweep_hz=(95e3, 105e3),
            duration_s=3e-3,
            rate_hz=15e3,
            gate_m=(12.0, 30.0),
            n_channel=10,
            pitch_m=60e-3,
            transmit_m=(100e-3, 20e-3),
            height_m=20e-3,
            depression_rad=0.4,
        )
        c, s = np.cos(0.7), np.sin(0.7)
        spots = np.array(
            [[-15 * sign * s, 15 * sign * c, SEABED_M], [-24 * sign * s, 24 * sign * c, SEABED_M]]
        )
        echo = echoes(sonar, pose, times, spots, np.ones(2), Water())
        rng = np.random.default_rng(5)
        noise = rng.standard_normal((2, *echo.shape)) * np.abs(echo).max() * 1e-2
        sides.append(SideEcho(sonar=sonar, ping_time_s=times, echo=echo + noise[0] + 1j * noise[1]))
    return Line(pose, sides, around(times, 20.0))


@pytest.fixture(scope="module")
def whole(line, tmp_path_factory) -> Image:
    return imaged(line.write(tmp_path_factory.mktemp("line") / "whole.h5"), tmp_path_factory.mktemp("line"))


def imaged(path: Path, folder: Path, *options: str) -> Image:
    said = say("image", path, "-o", folder, "--no-picture", "--json", *PLAIN, *grid(0.15, 0.025), *options)
    assert said.code == 0, said
    return Image.read(folder / "multilook.nc")


def test_a_folder_of_segments_gives_the_image_of_the_whole(line, whole, tmp_path) -> None:
    folder = line.write(tmp_path / "segments", segments=4)
    assert len(list(folder.iterdir())) == 4
    parts = imaged(folder, tmp_path / "o")
    for name, layer in whole.layer.items():
        assert_array_equal(parts.layer[name], layer)
    assert (parts.origin_m, parts.heading_rad) == (whole.origin_m, whole.heading_rad)


def test_whole_numbers_give_the_image_of_floats(line, whole, tmp_path) -> None:
    stored = imaged(line.write(tmp_path / "int16.h5", int16=True), tmp_path / "o")
    strong = whole.intensity > 1e-3 * np.nanmax(whole.intensity)
    # 1/32000 of full scale is rounded away; it adds up to 1 part in 1e3 of amplitude at 30 dB below the top.
    assert_allclose(stored.intensity[strong], whole.intensity[strong], rtol=5e-3)


@pytest.mark.parametrize(
    "extras",
    [
        dict(replica=True),
        dict(receiver_gain_db=lambda n: 12.0 + np.arange(n) % 5),
        dict(time_varied_gain_db=lambda t: 30 * np.log10(np.maximum(t, 1e-3) / 0.02)),
        dict(storage=dict(chunks=(1, 1, 10, 64), compression="gzip", shuffle=True, fletcher32=True)),
        dict(rates=True),
        dict(status=True, uncertainty=True, serial_number="invented-7"),
    ],
    ids=lambda e: next(iter(e)),
)
def test_what_is_optional_does_not_change_the_image(extras, line, whole, tmp_path) -> None:
    other = imaged(line.write(tmp_path / "r.h5", **extras), tmp_path / "o")
    strong = whole.intensity > 1e-3 * np.nanmax(whole.intensity)
    # Gains are undone in float32, and a replica is interpolated: 1 part in 1e3 of the intensity.
    assert other.intensity.shape == whole.intensity.shape
    assert_allclose(other.intensity[strong], whole.intensity[strong], rtol=2e-3)


def test_both_sides_lie_in_one_product(line, whole) -> None:
    assert whole.across_m.min() < -20
    assert whole.across_m.max() > 20
    for sign in (-1, 1):
        for reach in (15.0, 24.0):
            at = whole.strip(np.array([-sign * reach * np.sin(0.7), sign * reach * np.cos(0.7)]))
            assert at[1] == pytest.approx(sign * reach, abs=0.01)
            patch = whole.cut("intensity", (at[0] - 0.5, at[0] + 0.5), (at[1] - 0.1, at[1] + 0.1))
            # Two points are by far the brightest of their side.
            assert np.nanmax(patch) > 100 * np.nanmedian(whole.intensity)


def test_a_single_ping_makes_an_image(scene, image) -> None:
    product = image("one-ping", *PLAIN)
    assert product.layer["coverage"].max() == 1
    looks = product.layer["looks"][product.layer["coverage"] == 1]
    assert_allclose(looks, 1.0, atol=1e-5)


def test_a_folder_of_segments_with_a_profile_makes_an_image(scene, tmp_path) -> None:
    truth = scene("gradient-in-segments")
    said = say("image", truth.path, "-o", tmp_path, "--no-picture", "--json", *grid(0.1, 0.05))
    assert said.code == 0
    assert said.data["pings"] == truth.ping_time_s["starboard"].size


def test_points_lie_where_the_truth_says_under_a_gradient(scene, image) -> None:
    product = image("gradient-in-segments", *PLAIN)
    for target in targets(scene("gradient-in-segments")):
        at = product.strip(target.world_m)
        response = product.respond(at, (4 * target.along_width_m, 9 * target.slant_width_m))
        assert abs(response.peak_across_m - at[1]) < 0.1 * target.across_width_m
        assert abs(response.peak_along_m - at[0]) < 0.1 * target.along_width_m


def test_motion_within_the_pulse_is_warned_of_unless_corrected(scene, tmp_path) -> None:
    truth = scene("gradient-in-segments")
    sway = ("image", truth.path, "--no-picture", *grid(0.1, 0.05))
    plain = say(*sway, "-o", tmp_path / "a", "--json")
    right = say(*sway, "-o", tmp_path / "b", "--json", "--set", "compress.motion_within_pulse=corrected")
    # 2 m/s, 3 ms of 20 kHz at 200 kHz: v f T/B in range, for v along the edge of half a sector and by a degree of yaw, over a
    # Hamming pulse's cell of 1.303 c/(2 B).
    closing = 2.0 * np.sin(0.443 * 1499 / 200e3 / 0.05) + 2.0 * np.sin(np.deg2rad(1.0))
    expected = closing * 200e3 * 3e-3 / 20e3 / (1.303 * 1499 / 2 / 20e3)
    assert plain.data["pulse_motion_cells_left_in"] == pytest.approx(expected, rel=0.03)
    assert right.data["pulse_motion_cells_left_in"] == 0
