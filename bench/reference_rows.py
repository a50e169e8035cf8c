"""What a correct chain shows in the reference geometry, row by row: theory, measured over seeds, allowed.

Reference geometry (invented): 450 kHz, 30 kHz sweep of 2 ms, 40 kHz complex samples, 32 receivers of 18.75 mm, transmitter
of 28 mm, altitude 6 m, 1.8 m/s at 11 pings a second. Unless a row says otherwise: no window, uniform shading, equalised.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.measure.resolution import PointResponse, point_response
from pingloom.bench.measure.speckle import enl
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.records import Look, Ping, Tile
from pingloom.imaging.theory import array, detection, levels, looks, pulse
from pingloom.io.settings import apply
from pingloom.simulate.scenario import Oscillation, Scenario, Target

__all__ = ["ReferenceRow", "reference_rows"]

RANGES_M = (15.0, 25.0, 40.0, 55.0)
PLAIN = ("compress.window=none", "beamform.shading=uniform")


@dataclass(frozen=True, slots=True)
class ReferenceRow:
    """One figure."""

    quantity: str
    theory: float
    measured: float
    spread: float
    """Standard error over the seeds; 0 where it repeats exactly."""
    low: float
    high: float
    """What is allowed for ``measured``."""
    unit: str = ""

    @property
    def passed(self) -> bool:
        """Whether ``measured`` lies within what is allowed."""
        return self.low <= self.measured <= self.high


@dataclass(frozen=True, slots=True, eq=False)
class _Strip:
    """An image in memory, with what made it."""

    intensity: NDArray[np.float32]
    looks: NDArray[np.float32]
    along_m: NDArray[np.float64]
    across_m: NDArray[np.float64]
    chain: Chain
    frame: StripFrame
    pings: list[Ping]
    trajectory: Trajectory

    def cut(self, along: tuple[float, float], across: tuple[float, float]) -> tuple[slice, slice]:
        """Slices of a rectangle."""
        a = np.searchsorted(self.along_m, along)
        x = np.searchsorted(self.across_m, across)
        return slice(*map(int, a)), slice(*map(int, x))

    def single(self, ping: Ping, rows: slice) -> NDArray[np.float32]:
        """One ping's look on the same rows and columns, NaN outside its sector."""
        look: Look = self.chain.look(ping, self.trajectory, self.frame)
        first = round(self.along_m[0] / self.chain.grid.along_m - 0.5)
        out = np.full((rows.stop - rows.start, self.across_m.size), np.nan, np.float32)
        offset = look.first_along - first - rows.start
        a, b = max(0, offset), min(out.shape[0], offset + look.intensity.shape[0])
        if a < b:
            out[a:b] = look.intensity[a - offset : b - offset]
        return out


def reference_rows(seeds: int, on_step: Callable[[str], None]) -> Iterator[ReferenceRow]:
    """Yield the rows, each as soon as it is measured.

    Parameters
    ----------
    seeds : int
        Speckle scenes are simulated so many times.
    """
    for x in RANGES_M:
        on_step(f"a point at {x:g} m")
        yield from _point_rows(x)
    for x in RANGES_M:
        on_step(f"speckle at {x:g} m")
        yield from _speckle_rows(x, seeds, full=x == 25.0)
    for spacing in (0.055, 0.327, 0.65):
        on_step(f"pings {spacing:g} m apart")
        yield _spacing_row(spacing, seeds)
    on_step("shadow")
    yield from _shadow_rows(seeds)
    on_step("level while rolling")
    yield _level_row(seeds)


# ---- scenes and images -----------------------------------------------------------------------------------------


def _scenario(
    across_m: float, half_m: float, *, patch_m: float, spacing_m: float = 1.8 / 11, **seabed: Any
) -> Scenario:
    """The reference sonar, recording a gate around ``across_m`` while every look of a patch is taken."""
    from pingloom.simulate.presets import load_preset

    base = load_preset("reference")
    near, far = (float(np.hypot(across_m + s * half_m, 6.0)) for s in (-1, 1))
    way = 2 * far * np.tan(np.deg2rad(3.3)) + patch_m + 2 * spacing_m
    return dataclasses.replace(
        base,
        sonar=dataclasses.replace(base.sonar, range_start_m=near, range_stop_m=far + 1.5),
        vehicle=dataclasses.replace(
            base.vehicle, n_ping=int(np.ceil(way / spacing_m)), ping_rate_hz=5.0, speed_m_s=5.0 * spacing_m
        ),
        water=dataclasses.replace(base.water, noise=False),
        seabed=dataclasses.replace(base.seabed, **{"per_cell": 30.0, "jitter": 1.0, **seabed}),
        targets=(),
    )


def _way_m(scenario: Scenario) -> float:
    return (scenario.vehicle.n_ping - 1) * scenario.vehicle.speed_m_s / scenario.vehicle.ping_rate_hz


def _image(scenario: Scenario, *assignments: str, recorded: _Strip | None = None) -> _Strip:
    """Simulate (or take the echoes of ``recorded``) and image in memory."""
    from pingloom.simulate import echoes

    settings = apply(ChainSettings(), ["grid.heading_deg=0", "bottom.altitude_m=6", *assignments])
    trajectory = Trajectory.from_platform(echoes.platform(scenario))
    pings = recorded.pings if recorded else [ping for ping, _ in echoes.simulate(scenario)]
    if scenario.vehicle.motion:
        settings = apply(settings, ["bottom.altitude_m=none"])
    chain = Chain.prepare(echoes.sonars(scenario), echoes.water(scenario), trajectory, settings)
    frame = StripFrame(0.0, 0.0, 0.0)
    state, tiles = chain.start(frame), []
    for ping in pings:
        state, new, _ = chain.step(state, ping, trajectory)
        tiles += new
    tiles += chain.finish(state, trajectory)[0]
    return _joined(tiles, chain, frame, pings, trajectory)


def _joined(
    tiles: list[Tile], chain: Chain, frame: StripFrame, pings: list[Ping], trajectory: Trajectory
) -> _Strip:
    intensity = np.concatenate([t.intensity for t in tiles])
    first, grid = tiles[0].first_along, chain.grid
    return _Strip(
        intensity=intensity,
        looks=np.concatenate([t.looks for t in tiles]),
        along_m=(first + np.arange(intensity.shape[0]) + 0.5) * grid.along_m,
        across_m=(tiles[0].first_across + np.arange(intensity.shape[1]) + 0.5) * grid.across_m,
        chain=chain,
        frame=frame,
        pings=pings,
        trajectory=trajectory,
    )


def _cells(across_m: float, scenario: Scenario) -> tuple[float, float]:
    """-3 dB cell along and across (on the ground), unweighted. [m]"""
    slant = np.hypot(across_m, 6.0)
    along = float(array.along_width_m(scenario.wavelength_m, slant, scenario.sonar.array_length_m))
    return along, float(pulse.range_width_m(abs(scenario.sonar.sweep_hz))) * slant / across_m


def _grid(across_m: float, scenario: Scenario, part: float) -> tuple[str, str]:
    along, across = _cells(across_m, scenario)
    return f"grid.along_m={part * along:.6f}", f"grid.across_m={part * across:.6f}"


# ---- rows ------------------------------------------------------------------------------------------------------


def _point_rows(x: float) -> Iterator[ReferenceRow]:
    scenario = _scenario(x, 2.0, patch_m=0.6, present=False)
    middle = _way_m(scenario) / 2
    scenario = dataclasses.replace(
        scenario, targets=(Target(name="point", along_m=middle, across_m=x, strength_db=0.0),)
    )
    along, across = _cells(x, scenario)
    strip = _image(scenario, *PLAIN, *_grid(x, scenario, 0.2))
    got = _respond(strip.intensity, strip, middle, x, (along, across))
    near = min(strip.pings, key=lambda p: abs(p.number * _way_m(scenario) / (len(strip.pings) - 1) - middle))
    one_image = strip.single(near, slice(0, strip.along_m.size))
    one = _respond(np.nan_to_num(one_image), strip, middle, x, (along, across))
    slant = np.hypot(x, 6.0)
    cell = strip.chain.sides["starboard"].radiometer.cell * slant * slant / x
    name = f"point at {x:g} m"
    yield ReferenceRow(f"{name}: place along, cells", 0, (got.peak_along_m - middle) / along, 0, -0.1, 0.1)
    yield ReferenceRow(f"{name}: place across, cells", 0, (got.peak_across_m - x) / across, 0, -0.1, 0.1)
    yield ReferenceRow(f"{name}: equalised peak", 1, got.peak * cell, 0, 0.98, 1.02)
    slant_mm = 1e3 * got.across.width_m * x / slant
    theory_mm = 1e3 * float(pulse.range_width_m(30e3))
    yield ReferenceRow(
        f"{name}: slant width", theory_mm, slant_mm, 0, 0.98 * theory_mm, 1.02 * theory_mm, "mm"
    )
    one_mm = 1e3 * one.along.width_m
    yield ReferenceRow(
        f"{name}: width along, one look", 1e3 * along, one_mm, 0, 980 * along, 1020 * along, "mm"
    )
    ratio = got.along.width_m / one.along.width_m
    yield ReferenceRow(f"{name}: width along, many looks / one", 1, ratio, 0, 0.93, 1.02)
    yield ReferenceRow(
        f"{name}: sidelobe across", -13.26, got.across.peak_sidelobe_db, 0, -13.76, -12.76, "dB"
    )
    yield ReferenceRow(
        f"{name}: sidelobe along, one look", -13.26, one.along.peak_sidelobe_db, 0, -13.76, -12.76, "dB"
    )
    if x == 25.0:
        tapered = _image(scenario, "beamform.shading=uniform", *_grid(x, scenario, 0.2), recorded=strip)
        wide = _respond(tapered.intensity, tapered, middle, x, (along, across))
        theory = 1e3 * float(pulse.range_width_m(30e3, 1500.0, "hamming"))
        got_mm = 1e3 * wide.across.width_m * x / slant
        yield ReferenceRow("slant width, Hamming", theory, got_mm, 0, 0.98 * theory, 1.02 * theory, "mm")


def _respond(image, strip: _Strip, along: float, across: float, cell: tuple[float, float]) -> PointResponse:
    return point_response(
        image,
        pixel_m=(strip.chain.grid.along_m, strip.chain.grid.across_m),
        origin_m=(float(strip.along_m[0]), float(strip.across_m[0])),
        near_m=(along, across),
        search_m=cell,
        half_size_m=(min(8 * cell[0], 0.95), 8 * cell[1]),
    )


def _patch(strip: _Strip, x: float, middle: float, half: tuple[float, float]) -> tuple[slice, slice]:
    return strip.cut((middle - half[0], middle + half[0]), (x - half[1], x + half[1]))


def _speckle_rows(x: float, seeds: int, *, full: bool) -> Iterator[ReferenceRow]:
    half = (0.7, 1.0) if x < 40 else (1.2, 1.2)
    many, one, near, next_but_one, plain, snr = [], [], [], [], [], []
    predicted = 0.0
    for seed in range(seeds):
        scenario = dataclasses.replace(_scenario(x, half[1] + 0.6, patch_m=2 * half[0]), seed=100 + seed)
        grid = _grid(x, scenario, 0.5)
        strip = _image(scenario, *PLAIN, *grid)
        middle = _way_m(scenario) / 2
        cut = _patch(strip, x, middle, half)
        many.append(enl(strip.intensity[cut]).enl)
        predicted = float(strip.looks[cut].mean())
        three = _middle_looks(strip, cut)
        one.append(np.mean([enl(look).enl for look in three]))
        near.append(np.mean([_field_correlation(three[0], three[1]), _field_correlation(three[1], three[2])]))
        next_but_one.append(_field_correlation(three[0], three[2]))
        if full:
            for weighting, found in (("plain", plain), ("snr", snr)):
                other = _image(scenario, *PLAIN, *grid, f"average.weighting={weighting}", recorded=strip)
                found.append(enl(other.intensity[_patch(other, x, middle, half)]).enl)
    yield _over_seeds(f"number of looks at {x:g} m", predicted, many, 0.92, 1.10)
    yield _over_seeds(f"number of looks of one look at {x:g} m", 1.0, one, 0.95, 1.10)
    if full:
        rho = float(looks.look_correlation(1.8 / 11, 0.6))
        mean, error = _mean(near)
        yield ReferenceRow(
            "field correlation of adjacent looks", rho, mean, error, rho - 0.03 - error, rho + 0.03 + error
        )
        mean, error = _mean(next_but_one)
        yield ReferenceRow("field correlation of next but one", 0, mean, error, -0.05, 0.05 + 2 * error)
        for weighting, found in (("plain", plain), ("snr", snr)):
            theory = float(
                looks.looks_of_line(
                    np.hypot(x, 6.0), 1.8 / 11, np.deg2rad(6.04), 0.6, weighting=weighting, wavelength_m=1 / 300,
                    transmit_length_m=0.028, element_length_m=0.01875,
                )
            )  # fmt: skip
            yield _over_seeds(f"number of looks at 25 m, {weighting} weights", theory, found, 0.92, 1.08)


def _middle_looks(strip: _Strip, cut: tuple[slice, slice]) -> list[NDArray[np.float32]]:
    """Three successive looks that see the whole patch."""
    m = len(strip.pings) // 2
    return [strip.single(ping, cut[0])[:, cut[1]] for ping in strip.pings[m - 1 : m + 2]]


def _field_correlation(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Of the fields, from that of the intensities: its square for Gaussian speckle (Siegert's relation)."""
    seen = np.isfinite(a) & np.isfinite(b)
    return float(np.sqrt(max(np.corrcoef(a[seen], b[seen])[0, 1], 0.0)))


def _mean(values: list[float]) -> tuple[float, float]:
    error = float(np.std(values, ddof=1) / np.sqrt(len(values))) if len(values) > 1 else 0.0
    return float(np.mean(values)), error


def _over_seeds(quantity: str, theory: float, values: list[float], low: float, high: float) -> ReferenceRow:
    """A mean over seeds, allowed from ``low`` to ``high`` of theory, widened by its own standard error."""
    mean, error = _mean(values)
    return ReferenceRow(quantity, theory, mean, error, low * theory - error, high * theory + error)


def _spacing_row(spacing: float, seeds: int) -> ReferenceRow:
    values, predicted = [], 0.0
    for seed in range(seeds):
        scenario = dataclasses.replace(_scenario(25.0, 1.6, patch_m=1.4, spacing_m=spacing), seed=200 + seed)
        strip = _image(scenario, *PLAIN, *_grid(25.0, scenario, 0.5))
        cut = _patch(strip, 25.0, _way_m(scenario) / 2, (0.7, 1.0))
        values.append(enl(strip.intensity[cut]).enl)
        predicted = float(strip.looks[cut].mean())
    return _over_seeds(f"number of looks at 25 m, pings {spacing:g} m apart", predicted, values, 0.94, 1.06)


def _shadow_rows(seeds: int) -> Iterator[ReferenceRow]:
    """A black box of 0.5 m each way on the seabed: how dark its shadow is in the middle two thirds of its width."""
    found: dict[str, list[float]] = {"uniform": [], "taylor": []}
    to_noise: list[float] = []
    for seed in range(seeds):
        scenario = dataclasses.replace(_scenario(26.0, 2.4, patch_m=3.4), seed=300 + seed)
        middle = _way_m(scenario) / 2
        box = Target(
            kind="box",
            name="black box",
            along_m=middle,
            across_m=25.25,
            size_m=(0.5, 0.5, 0.5),
            strength_db=-120.0,
        )
        scenario = dataclasses.replace(scenario, targets=(box,))
        strip = None
        for shading, ratios in found.items():
            strip = _image(
                scenario,
                "compress.window=none",
                f"beamform.shading={shading}",
                *_grid(26.0, scenario, 0.4),
                recorded=strip,
            )
            dark = _patch(strip, 26.5, middle, (1 / 6, 0.6))
            plain = strip.cut((middle + 0.55, middle + 1.25), (25.9, 27.1))
            ratios.append(strip.intensity[dark].mean() / strip.intensity[plain].mean())
            if shading == "uniform":
                to_noise.append(_contrast_gain(strip, dark, plain))
    for shading, (low, high) in (("uniform", (-12.5, -11.1)), ("taylor", (-40.0, -15.0))):
        mean, error = _mean(found[shading])
        db, spread = 10 * np.log10(mean), 10 / np.log(10) * error / mean
        yield ReferenceRow(
            f"shadow of a 0.5 m box, {shading}", np.nan, db, spread, low - spread, high + spread, "dB"
        )
    mean, error = _mean(to_noise)
    theory = float(np.sqrt(looks.looks_of_line(np.hypot(26.5, 6), 1.8 / 11, np.deg2rad(6.04), 0.6)))
    yield ReferenceRow(
        "shadow contrast to noise, many looks / one", theory, mean, error, 3.2 - 2 * error, np.inf
    )


def _contrast_gain(strip: _Strip, dark: tuple[slice, slice], plain: tuple[slice, slice]) -> float:
    """Contrast to noise of many looks over that of one, mean of three looks."""

    def to_noise(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
        return float(detection.contrast_to_noise(a.mean(), a.std(), b.mean(), b.std()))

    m = len(strip.pings) // 2
    singles = []
    for ping in strip.pings[m - 1 : m + 2]:
        a, b = strip.single(ping, dark[0])[:, dark[1]], strip.single(ping, plain[0])[:, plain[1]]
        if np.isfinite(a).all() and np.isfinite(b).all():
            singles.append(to_noise(a, b))
    return to_noise(strip.intensity[dark], strip.intensity[plain]) / float(np.mean(singles))


def _level_row(seeds: int) -> ReferenceRow:
    """Seabed level through the vertical patterns of 10 mm apertures, rolling three degrees."""
    errors = []
    for seed in range(seeds):
        scenario = _scenario(20.0, 2.6, patch_m=4.0)
        scenario = dataclasses.replace(
            scenario,
            seed=400 + seed,
            sonar=dataclasses.replace(scenario.sonar, transmit_vertical_m=0.010, receive_vertical_m=0.010),
            vehicle=dataclasses.replace(
                scenario.vehicle, motion=(Oscillation(axis="roll", amplitude_deg=3.0, period_s=3.0),)
            ),
        )
        strip = _image(scenario, *PLAIN, *_grid(20.0, scenario, 0.5))
        cut = _patch(strip, 20.0, _way_m(scenario) / 2, (2.0, 1.5))
        grazing = np.arctan2(6.0, strip.across_m[cut[1]])
        law = 10 ** (np.asarray(levels.lambert_db(grazing, scenario.seabed.lambert_db)) / 10)
        errors.append(10 * np.log10(float((strip.intensity[cut] / law).mean())))
    mean, error = _mean(errors)
    return ReferenceRow("seabed level, rolling 3 degrees", 0.0, mean, error, -0.5, 0.5, "dB")
