"""The demonstration: an invented scene, its echoes, two images of them, and what is measured beside what theory says."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pingloom.bench import measuring
from pingloom.bench.imaging_run import ImagingRun, image_recording
from pingloom.bench.measure.contrast import Region
from pingloom.bench.product_picture import draw_product, level_label
from pingloom.imaging.beamform import channel_shading
from pingloom.imaging.chain import ChainSettings
from pingloom.imaging.frames import array_frame
from pingloom.imaging.theory import array, detection, levels, pulse, shadow
from pingloom.io.product import Product, read_product
from pingloom.io.recording import open_recording
from pingloom.io.settings import apply
from pingloom.simulate.scenario import Scenario

__all__ = ["Demo", "Row", "run_demo"]


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    quantity: str
    measured: float
    predicted: float
    unit: str
    spread: float = float("nan")
    """One standard deviation of the measurement by itself."""

    @property
    def ratio(self) -> float:
        """Measured over predicted; of decibels the difference as a ratio."""
        if self.unit == "dB":
            return 10 ** ((self.measured - self.predicted) / 10)
        return self.measured / self.predicted


@dataclass(frozen=True, slots=True, kw_only=True)
class Demo:
    """What the demonstration left and found."""

    recording: Path
    picture: Path
    rows: list[Row]
    runs: dict[str, ImagingRun]
    simulate_s: float
    n_ping: int
    total_s: float


@dataclass(frozen=True, slots=True)
class _Scene:
    """Where things lie in the strip, and the sonar that sees them."""

    scenario: Scenario
    to_strip: Callable[[NDArray[np.float64]], NDArray[np.float64]]
    altitude_m: float
    wavelength_m: float
    length_m: float
    weights: NDArray[np.float64]
    seen_from_m: NDArray[np.float64]
    """(ping,) along-track places of the pings."""


def run_demo(
    scenario: Scenario,
    folder: Path,
    *,
    record: Callable[[Scenario, Path], None],
    overwrite: bool,
    on_step: Callable[[str], None],
    on_ping: Callable[[int, int], None] | None = None,
) -> Demo:
    """Simulate, image both ways, measure, draw.

    Parameters
    ----------
    record : callable
        Writes the echoes of a scenario to a path.
    on_step : callable
        Told what comes next.
    """
    start = time.perf_counter()
    recording = folder / "recording.h5"
    on_step("simulating the echoes")
    record(scenario, recording)
    simulate_s = time.perf_counter() - start
    heading = scenario.vehicle.heading_deg
    settings = apply(ChainSettings(), [f"grid.heading_deg={heading:g}"])
    runs = {}
    for method in ("broadside", "multilook"):
        on_step(f"imaging: {method}")
        runs[method] = image_recording(
            recording, folder, method=method, settings=settings, overwrite=overwrite
        )
        draw_product(runs[method].product, folder / f"{method}.png")
    on_step("measuring")
    with read_product(folder / "multilook.nc") as many, read_product(folder / "broadside.nc") as one:
        scene = _scene(scenario, recording, many)
        rows = _table(scene, many, one, settings)
        picture = _picture(scene, folder / "comparison.png", one, many)
    return Demo(
        recording=recording,
        picture=picture,
        rows=rows,
        runs=runs,
        simulate_s=simulate_s,
        n_ping=scenario.vehicle.n_ping,
        total_s=time.perf_counter() - start,
    )


def _scene(scenario: Scenario, path: Path, product: Product) -> _Scene:
    with open_recording(path) as recording:
        sonar = recording.sonar(recording.sides[0])
        platform = recording.platform()
        speed = recording.water().sound_speed_m_s
    h = product.strip_heading_rad
    c, s = np.cos(h), np.sin(h)
    origin = np.array([product.strip_origin_north_m, product.strip_origin_east_m])

    def to_strip(world: NDArray[np.float64]) -> NDArray[np.float64]:
        return (np.atleast_2d(world)[:, :2] - origin) @ np.array([[c, -s], [s, c]])

    frame = array_frame(sonar)
    return _Scene(
        scenario=scenario,
        to_strip=to_strip,
        altitude_m=float(np.mean(platform.altitude_m)),
        wavelength_m=speed / sonar.centre_frequency_hz,
        length_m=frame.length_m,
        weights=channel_shading(frame, sonar.live, ChainSettings().beamform.shading),
        seen_from_m=to_strip(np.stack([platform.north_m, platform.east_m], axis=1))[:, 0],
    )


def _place(scene: _Scene, name: str) -> tuple[float, float]:
    """Where a target lies in the strip."""
    target = next(t for t in scene.scenario.targets if t.name == name)
    north, east = scene.scenario.world_place(*scene.scenario.leg_place(target))
    along, across = scene.to_strip(np.array([[float(north), float(east)]]))[0]
    return float(along), float(across)


def _corners(scene: _Scene, name: str) -> NDArray[np.float64]:
    """(4, 2) corners of a box in the strip."""
    target = next(t for t in scene.scenario.targets if t.name == name)
    along, across = _place(scene, name)
    turn = np.deg2rad(target.orientation_deg)
    half = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]]) * np.array(target.size_m[:2]) / 2
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return half @ rotation.T + [along, across]


def _table(scene: _Scene, many: Product, one: Product, settings: ChainSettings) -> list[Row]:
    window = settings.compress.window
    sonar = scene.scenario.sonar
    speed = scene.scenario.sound_speed_m_s
    h = scene.altitude_m
    rows: list[Row] = []

    plain = _plain_seabed(scene, many)
    patch = measuring.measure_patch(many, plain)
    single = measuring.measure_patch(one, plain)
    rows.append(
        Row(
            "number of looks, many looks",
            patch.measured.enl,
            patch.predicted,
            "",
            patch.measured.standard_error,
        )
    )
    rows.append(
        Row("number of looks, broadside", single.measured.enl, 1.0, "", single.measured.standard_error)
    )
    slant = float(np.hypot((plain.across_min_m + plain.across_max_m) / 2, h))
    lambert = float(levels.lambert_db(np.arcsin(h / slant), scene.scenario.seabed.lambert_db))
    rows.append(Row("seabed level", 10 * np.log10(patch.measured.mean), lambert, "dB"))

    for name in ("near point", "far point"):
        target = next(t for t in scene.scenario.targets if t.name == name)
        place = _apparent(scene, name, target.height_m)
        slant = float(np.hypot(place[1], h))
        cosine = place[1] / slant
        response = measuring.measure_point(many, *place, half_m=(1.0, 0.4))
        width = float(array.along_width_m(scene.wavelength_m, slant, scene.length_m, scene.weights))
        across = pulse.range_width_m(abs(sonar.sweep_hz), speed, window) / cosine
        rows.append(Row(f"{name}: width along", 1e3 * response.along.width_m, 1e3 * width, "mm"))
        rows.append(Row(f"{name}: width across", 1e3 * response.across.width_m, 1e3 * across, "mm"))
        cell = array.equivalent_along_width_m(scene.wavelength_m, slant, scene.length_m, scene.weights)
        cell = float(cell) * pulse.equivalent_range_width_m(abs(sonar.sweep_hz), speed, window) / cosine
        seabed = float(levels.lambert_db(np.arcsin(h / slant), scene.scenario.seabed.lambert_db))
        contrast = target.strength_db - 10 * np.log10(cell) - seabed
        rows.append(Row(f"{name}: peak over seabed", 10 * np.log10(response.peak) - seabed, contrast, "dB"))

    rows += _shadow_rows(scene, many, one, window)
    return rows


def _plain_seabed(scene: _Scene, product: Product) -> Region:
    """A rectangle of plain seabed beside the targets, where the full sector has passed."""
    near = _place(scene, "near point")[1]
    box = _place(scene, "box")
    middle = float(np.mean(scene.seen_from_m))
    along = middle - 4.5 if box[0] > middle else middle + 1.5
    return Region(
        along_min_m=along, along_max_m=along + 3.0, across_min_m=near + 3.5, across_max_m=near + 6.5
    )


def _apparent(scene: _Scene, name: str, height_m: float) -> tuple[float, float]:
    """Where a raised point is drawn: at its slant range on the flat seabed, nearer than it stands."""
    along, across = _place(scene, name)
    h = scene.altitude_m
    slant = np.hypot(across, h - height_m)
    return along, float(np.sqrt(slant**2 - h**2))


def _shadow_rows(scene: _Scene, many: Product, one: Product, window: str) -> list[Row]:
    """Contrast of the box's shadow, measured and as sidelobes and aspects allow."""
    box = next(t for t in scene.scenario.targets if t.name == "box")
    corner = _corners(scene, "box")
    h, height = scene.altitude_m, box.size_m[2]
    far, end = corner[:, 1].max(), corner[:, 1].max() * h / (h - height)
    middle = (float(corner[:, 0].mean()), float(far + 0.6 * (end - far)))
    half = (0.15, 0.25 * (end - far))
    dark = Region.around(*middle, half_along_m=half[0], half_across_m=half[1])
    beside = Region(
        along_min_m=corner[:, 0].max() + 1.0, along_max_m=corner[:, 0].max() + 3.0,
        across_min_m=dark.across_min_m, across_max_m=dark.across_max_m,
    )  # fmt: skip
    slant = float(np.hypot(middle[1], h))
    sector = 0.443 * scene.wavelength_m / scene.scenario.sonar.transmit_along_m
    grid = np.linspace(-1, 1, 5)
    points = np.array([(middle[0] + half[0] * a, middle[1] + half[1] * b) for a in grid for b in grid])
    rows = []
    for label, product in (("many looks", many), ("broadside", one)):
        found = measuring.measure_contrast(product, dark, beside)
        reach = (
            slant * np.sin(sector) if label == "many looks" else 0.5 * scene.scenario.vehicle.speed_m_s / 11
        )
        viewers = scene.seen_from_m[np.abs(scene.seen_from_m - middle[0]) <= reach]
        edges = [shadow.box_shadow_edges_m(corner, height, h, v, [middle[1]]) for v in viewers]
        fill = shadow.shadow_fill(
            points,
            np.array([(low[0], high[0]) for low, high in edges]),
            (float(corner[:, 1].min()), float(end)),
            wavelength_m=scene.wavelength_m,
            range_m=slant,
            length_m=scene.length_m,
            weights=scene.weights,
            bandwidth_hz=abs(scene.scenario.sonar.sweep_hz),
            duration_s=scene.scenario.sonar.pulse_duration_s,
            sound_speed_m_s=scene.scenario.sound_speed_m_s,
            cosine_grazing=middle[1] / slant,
            window=window,
            bright=_highlight(scene, corner, box),
        )
        looks = measuring.measure_patch(product, beside).predicted
        to_noise = float(detection.contrast_to_noise(fill, fill / np.sqrt(looks), 1.0, 1 / np.sqrt(looks)))
        error = found.ratio_standard_error_db
        rows.append(Row(f"shadow over seabed, {label}", found.ratio_db, 10 * np.log10(fill), "dB", error))
        rows.append(
            Row(
                f"shadow contrast to noise, {label}", found.contrast_to_noise, to_noise, "",
                found.contrast_to_noise_standard_error,
            )
        )  # fmt: skip
    return rows


def _highlight(
    scene: _Scene, corner: NDArray[np.float64], box
) -> tuple[float, tuple[float, float], tuple[float, float]]:
    """A box as drawn: level over the seabed, edges along and across.

    Its front and its top are seen; the top is drawn nearer than it stands, at its slant range on the flat seabed.
    """
    length, width, height = box.size_m
    h, (near, far) = scene.altitude_m, (corner[:, 1].min(), corner[:, 1].max())
    drawn = [float(np.sqrt(x**2 + (h - height) ** 2 - h**2)) for x in (near, far)]
    strength = 10 ** (box.strength_db / 10) * length * (width + height)
    grazing = np.arctan2(h, corner[:, 1].mean())
    seabed = 10 ** (float(levels.lambert_db(grazing, scene.scenario.seabed.lambert_db)) / 10)
    level = strength / (length * (drawn[1] - drawn[0])) / seabed
    return level, (float(corner[:, 0].min()), float(corner[:, 0].max())), (drawn[0], drawn[1])


def _picture(scene: _Scene, path: Path, one: Product, many: Product) -> Path:
    from pingloom.bench.pictures import Inset, Marker, Panel, side_by_side

    panels = [
        Panel(title=title, intensity=p.read("intensity"), along_m=p.along_track_m, across_m=p.across_track_m)
        for title, p in (("one broadside beam a ping", one), ("many looks averaged", many))
    ]
    places = {t.name: _place(scene, t.name) for t in scene.scenario.targets}
    markers = [Marker(along_m=a, across_m=x, label=name) for name, (a, x) in places.items()]
    box = places["box"]
    inset = Region.around(box[0], box[1] + 0.6, half_along_m=1.5, half_across_m=1.5)
    first, last = scene.seen_from_m.min(), scene.seen_from_m.max()
    across = many.across_track_m
    return side_by_side(
        path,
        panels,
        title=many.title.rsplit(" (", 1)[0],
        area=Region(along_min_m=first, along_max_m=last, across_min_m=across[0], across_max_m=across[-1]),
        quantity=level_label(many),
        markers=markers,
        insets=[Inset(region=inset, label="box and shadow")],
        caption="The same echoes, simulated over an invented seabed.",
    )
