"""What combining the vertical rows does in very shallow water: multipath over signal by range, and shadows.

A scenario is simulated with its ways by the surface and without them, both without noise; the difference of the echoes is
the multipath alone. By range it is measured on the bare seabed, both parts sent through the same rows with the same weights,
and stands beside what the sea's geometry and the transmitter's vertical pattern leave to any set of receive rows. Shadows are
measured on images of the whole scene.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.measure.contrast import Region, contrast
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.combining import weigh_rows
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.geometry import ping_geometry
from pingloom.imaging.records import Ping
from pingloom.imaging.row_weights import CombineSettings
from pingloom.imaging.side import SideState
from pingloom.imaging.theory.multipath import multipath_to_signal
from pingloom.simulate import echoes
from pingloom.simulate.scenario import MultipathTable, Scenario, Target

__all__ = ["MODES", "RowsReport", "Shadow", "multipath_by_range", "powers_by_range", "rows_report"]

MODES = ("plain", "null", "adaptive")
_MOST_PROBE_PINGS = 16
_N_BIN = 6
_SHADOW_PART = (0.15, 0.8)
"""Part of a shadow's length that is measured: clear of the box's glare and of the penumbra."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shadow:
    """One box's shadow against the seabed beside it, by image."""

    name: str
    ground_range_m: float
    contrast_db: dict[str, float]
    """Mean level in the shadow over that of the seabed. [dB]"""
    standard_error_db: dict[str, float]
    brightest_db: dict[str, float]
    """Brightest line along the track between the box's back and the shadow's end, mean along its middle, over the seabed: the
    box's own late image by the surface, where it is heard. [dB]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowsReport:
    """All that is found; images are (along, across)."""

    title: str
    height_m: float
    """Of the array over the seabed. [m]"""
    edge_m: NDArray[np.float64]
    """(bin + 1,) slant range. [m]"""
    ratio: dict[str, NDArray[np.float64]]
    """Multipath over signal, power, by bin: ``one row``, each way of combining, and ``ceiling``."""
    spread_db: dict[str, NDArray[np.float64]]
    """Standard deviation of it from seed to seed, of the measured ones; NaN of one seed. [dB]"""
    transmit_null_m: tuple[float, ...]
    """Distances on the ground at which a level vehicle's transmitter has nulls, within the picture: what is read there is what
    leaks in. [m]"""
    shadows: tuple[Shadow, ...]
    images: dict[str, NDArray[np.float32]]
    """``no multipath``, then each way of combining, with multipath."""
    along_m: NDArray[np.float64]
    across_m: NDArray[np.float64]
    """Centres of the images' pixels. [m]"""


def rows_report(
    scenario: Scenario, *, seeds: int = 1, on_step: Callable[[str], None] = lambda name: None
) -> RowsReport:
    """Simulate, image and measure a scenario of several rows.

    Parameters
    ----------
    seeds : int
        Seabeds and surfaces that the ratios by range are of; images are of the first.

    Raises
    ------
    ParameterError
        If the scenario has one row, no multipath, or legs.
    """
    if scenario.sonar.n_row < 2:
        raise ParameterError("sonar.n_row is 1; allowed: at least 2, or there is nothing to combine.")
    if scenario.multipath.order < 1:
        raise ParameterError("multipath.order is 0; allowed: at least 1, or nothing comes by the surface.")
    if scenario.vehicle.legs:
        raise ParameterError("vehicle.legs: rows are compared on one straight run; allowed: no legs.")
    both = replace(
        scenario,
        sonar=replace(scenario.sonar, sides=scenario.sonar.side_names[0]),
        water=replace(scenario.water, noise=False),
    )
    direct = replace(both, multipath=MultipathTable())
    height, depth = _place(both)
    near = max(both.sonar.range_start_m, 2 * height + depth)
    edge = np.linspace(near, 0.95 * both.sonar.range_stop_m, _N_BIN + 1)
    if near >= edge[-1]:
        raise ParameterError(
            f"sonar.range_stop_m is {both.sonar.range_stop_m:g}; allowed: above {near / 0.95:.1f} in this depth."
        )
    on_step("multipath by range")
    ratio, spread_db = multipath_by_range(both, edge, seeds)
    on_step("images")
    heard = {"direct": list(echoes.simulate(direct)), "both": list(echoes.simulate(both))}
    pings = {name: [ping for ping, _ in found] for name, found in heard.items()}
    images, axes = {}, None
    for name, of, mode in (("no multipath", "direct", "plain"), *((m, "both", m) for m in MODES)):
        images[name], axes = _image(both, pings[of], mode)
    return RowsReport(
        title=scenario.title,
        height_m=height,
        edge_m=edge,
        ratio=ratio,
        spread_db=spread_db,
        transmit_null_m=_transmit_nulls_m(both, height, edge[0]),
        shadows=_shadows(both, images, *axes),
        images=images,
        along_m=axes[0],
        across_m=axes[1],
    )


# ---- by range ----------------------------------------------------------------------------------------------------


def multipath_by_range(
    scenario: Scenario, edge_m: NDArray[np.float64], seeds: int = 1
) -> tuple[dict[str, NDArray[np.float64]], dict[str, NDArray[np.float64]]]:
    """Multipath over signal of the bare seabed by bins of slant range, and the ceiling of theory.

    Parameters
    ----------
    scenario : Scenario
        One side, no noise, multipath.
    edge_m : ndarray of float64, shape (bin + 1,)
        [m]
    seeds : int
        Runs with seeds that follow each other, whose powers are added.

    Returns
    -------
    (dict, dict)
        Power ratios (bin,): ``one row`` (mean of them), each of :data:`MODES`, ``ceiling`` (what is sent by the surface and
        comes straight: no receiver can tell it), ``theory, one row``. Standard deviation of the measured ones from seed to
        seed in dB, NaN of one.
    """
    n_ping = min(_MOST_PROBE_PINGS, scenario.vehicle.n_ping)
    bare = replace(scenario, targets=(), vehicle=replace(scenario.vehicle, n_ping=n_ping))
    power = {name: np.zeros((seeds, 2, edge_m.size - 1)) for name in ("one row", *MODES)}
    for k in range(seeds):
        own = replace(bare, seed=bare.seed + k)
        both = [ping for ping, _ in echoes.simulate(own)]
        direct = [ping for ping, _ in echoes.simulate(replace(own, multipath=MultipathTable()))]
        for mode in MODES:
            power["one row"][k], power[mode][k] = powers_by_range(own, direct, both, mode, edge_m)
    found = {name: p[:, 1].sum(axis=0) / p[:, 0].sum(axis=0) for name, p in power.items()}
    spread = {
        name: np.std(10 * np.log10(p[:, 1] / p[:, 0]), axis=0, ddof=1)
        if seeds > 1
        else np.full(edge_m.size - 1, np.nan)
        for name, p in power.items()
    }
    theory = _theory(bare, (edge_m[1:] + edge_m[:-1]) / 2)
    return {**found, "ceiling": theory.sent, "theory, one row": sum(theory)}, spread


def _place(scenario: Scenario) -> tuple[float, float]:
    """Height of the array over the seabed and its depth. [m]"""
    down = scenario.sonar.array_down_m
    return scenario.altitude_m - down, scenario.depth_m + down


def _transmit_nulls_m(scenario: Scenario, height_m: float, near_m: float) -> tuple[float, ...]:
    sonar, tilt = scenario.sonar, np.deg2rad(scenario.sonar.depression_deg)
    order = np.arange(1, int(sonar.transmit_vertical_m / scenario.wavelength_m) + 1)
    down = tilt + np.arcsin(
        np.concatenate([order, -order]) * scenario.wavelength_m / sonar.transmit_vertical_m
    )
    slant = height_m / np.sin(down[(down > 0) & (down < np.pi / 2)])
    slant = np.sort(slant[(slant >= near_m) & (slant <= sonar.range_stop_m)])
    return tuple(float(x) for x in np.sqrt(slant**2 - height_m**2))


def _theory(scenario: Scenario, range_m: NDArray[np.float64]):
    sonar, (height, depth) = scenario.sonar, _place(scenario)
    tilt = np.deg2rad(sonar.depression_deg)

    def gain(size_m: float) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
        return lambda elevation: np.sinc(size_m / scenario.wavelength_m * np.sin(elevation + tilt)) ** 2

    return multipath_to_signal(
        range_m,
        depth,
        height,
        gain(sonar.transmit_vertical_m),
        gain(sonar.receive_vertical_m),
        reflection=10 ** (-scenario.surface.loss_db / 10),
    )


def powers_by_range(
    scenario: Scenario, direct: Sequence[Ping], both: Sequence[Ping], mode: str, edge_m: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Power of signal and of multipath (2, bin), in the rows and combined, by slant range between ``edge_m`` [m].

    ``direct`` are the pings without ways by the surface, ``both`` the same with them. Weights are those of what is heard, for
    either part.
    """
    sonars, trajectory = echoes.sonars(scenario), Trajectory.from_platform(echoes.platform(scenario))
    settings = ChainSettings(combine=CombineSettings(rows=mode))
    chain = Chain.prepare(sonars, echoes.water(scenario), trajectory, settings)
    (plan,) = chain.sides.values()
    own, n = SideState(), plan.compressor.n_out
    delay = plan.compressor.first_delay_s + np.arange(n) / plan.compressor.sample_rate_hz
    bins = np.digitize(plan.radiometer.sound_speed_m_s * delay / 2, edge_m)
    place = (delay - plan.delay_s[0]) / (plan.delay_s[1] - plan.delay_s[0])
    k = np.clip(place.astype(int), 0, plan.delay_s.size - 2)
    share = np.clip(place - k, 0.0, 1.0)
    height, _ = _place(scenario)
    power, single = np.zeros((2, edge_m.size + 1)), np.zeros((2, edge_m.size + 1))
    for a, b in zip(direct, both, strict=True):
        at = ping_geometry(
            plan.sonar,
            plan.beamformer.frame,
            trajectory,
            StripFrame(0.0, 0.0, 0.0),
            a.time_ns,
            plan.delay_s,
            height,
            water=chain.water,
        )
        level = plan.radiometer.run(at, 0.0)
        heard = plan.compressor.run_planes(b.echo, plan.compressor.allocate())
        signal = plan.compressor.run_planes(a.echo, plan.compressor.allocate())
        rows = weigh_rows(plan, own, heard, at, level, None)
        weight, sets = None, None
        if rows is not None:
            weight = rows.weight[..., k] * (1 - share) + rows.weight[..., k + 1] * share
            weight, sets = weight.astype(np.complex64), plan.rows.set_of_channel
        sine = np.interp(delay, plan.delay_s, level.sine_up)
        for i, part in enumerate((signal, heard - signal)):
            out = np.zeros((2, scenario.sonar.n_channel, n), np.float32)
            plan.combiner.run(part, sine, None, out, weight, sets)
            power[i] += np.bincount(bins, np.sum(out**2, axis=(0, 1)), edge_m.size + 1)
            single[i] += np.bincount(bins, np.sum(part**2, axis=(0, 1, 2)), edge_m.size + 1)
    return single[:, 1:-1], power[:, 1:-1]


# ---- images ------------------------------------------------------------------------------------------------------


def _image(scenario: Scenario, pings: Sequence[Ping], mode: str):
    trajectory = Trajectory.from_platform(echoes.platform(scenario))
    settings = ChainSettings(combine=CombineSettings(rows=mode))
    chain = Chain.prepare(echoes.sonars(scenario), echoes.water(scenario), trajectory, settings)
    frame = StripFrame(0.0, 0.0, float(np.deg2rad(scenario.vehicle.heading_deg)))
    state, tiles = chain.start(frame), []
    for ping in pings:
        state, new, _ = chain.step(state, ping, trajectory)
        tiles += new
    tiles += chain.finish(state, trajectory)[0]
    image = np.concatenate([t.intensity for t in tiles])
    axes = tuple(
        (first + np.arange(size) + 0.5) * pixel
        for first, size, pixel in zip(
            (tiles[0].first_along, tiles[0].first_across),
            image.shape,
            (chain.grid.along_m, chain.grid.across_m),
            strict=True,
        )
    )
    return image, axes


def _shadow_span(box: Target, height_m: float) -> tuple[float, float]:
    """Where a box's shadow begins and ends on level ground, distances from the track. [m]"""
    back = abs(box.across_m) + box.size_m[1] / 2
    return back, back * height_m / (height_m - box.height_m - box.size_m[2])


def _shadows(scenario: Scenario, images, along_m, across_m) -> tuple[Shadow, ...]:
    height, _ = _place(scenario)
    boxes = [t for t in scenario.targets if t.kind == "box" and t.height_m + t.size_m[2] < height]
    taken = np.zeros((along_m.size, across_m.size), np.bool_)
    for box in boxes:
        _, end = _shadow_span(box, height)
        beside = np.abs(along_m - box.along_m) < box.size_m[0] / 2 + 0.5
        over = (np.abs(across_m) > abs(box.across_m) - box.size_m[1] / 2 - 0.5) & (
            np.abs(across_m) < end + 0.5
        )
        taken |= beside[:, None] & over
    found = []
    for box in boxes:
        start, end = _shadow_span(box, height)
        sign = np.sign(box.across_m)
        span = sorted(sign * (start + part * (end - start)) for part in _SHADOW_PART)
        half, away = 0.3 * box.size_m[0], box.size_m[0] / 2 + 3.0
        shape = {"across_min_m": span[0], "across_max_m": span[1]}
        try:
            inside, beside = (
                Region(along_min_m=box.along_m - w, along_max_m=box.along_m + w, **shape).mask(
                    along_m, across_m
                )
                for w in (half, away)
            )
            measured = {
                name: contrast(image, region=inside, background=beside & ~taken)
                for name, image in images.items()
            }
            whole = sorted(sign * d for d in (start, end - 0.1))
            lines = Region(
                along_min_m=box.along_m - half,
                along_max_m=box.along_m + half,
                across_min_m=whole[0],
                across_max_m=whole[1],
            ).slices(along_m, across_m)
        except (DataError, ParameterError):
            continue  # Beyond what the run sees, or no seabed of its own beside it.
        found.append(
            Shadow(
                name=box.name,
                ground_range_m=abs(box.across_m),
                contrast_db={name: m.ratio_db for name, m in measured.items()},
                standard_error_db={name: m.ratio_standard_error_db for name, m in measured.items()},
                brightest_db={
                    name: float(
                        10 * np.log10(image[lines].mean(axis=0).max() / measured[name].background.mean)
                    )
                    for name, image in images.items()
                },
            )
        )
    return tuple(found)
