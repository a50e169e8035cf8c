"""From points to sampled echoes: impulses on a fine grid, their spectra times the pulse's, samples."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from ._bend_kernels import spread_exact_bent
from ._echo_kernels import spread_exact
from ._geometry import Line, PingGeometry
from ._spread_kernels import spread_fast
from ._taps import EXACT_BETA, EXACT_WIDTH, along_nodes
from .bending import BentPing
from .side_plan import SidePlan

__all__ = ["empty_grid", "samples_of", "spectrum_of", "spreaders"]

_OFF_AXIS_M = 2e-3  # 1e-4 rad where the wave front's curvatures differ by a fifth at 10 m
_POINT_M = 1e-3  # half length that a single receiver counts for


def empty_grid(plan: SidePlan) -> NDArray[Any]:
    # Float32 grids are complex ones with real and imaginary parts in turn: the kernel's vectors hold both.
    steps = plan.factor * plan.length
    shape = plan.sonar.element_position_m.shape[:2]
    if plan.taps is None:
        return np.zeros((*shape, steps), np.complex128)
    return np.zeros((*shape, 2 * steps), np.float32)


def spreaders(plan, geometry, late_s, grid, bent=None, images=False):
    """Return what adds points to the grid, for each line of receivers."""
    spread = [
        _spreader(plan, geometry, k, line, grid[line.row, line.channels], late_s, bent)
        for k, line in enumerate(plan.lines)
    ]
    solved = bent is None or plan.taps is None  # the exact sum solves each receiver's own rays
    centres = [] if solved else [_line_centre(bent, way[0, :3]) for way in geometry.way]
    if all(c is bent.middle_m for c in centres):
        return spread
    # Lines off the array's axis see the points in other places, so each line looks anew.
    views = [bent.seen_from(c, images=images) for c in centres]
    return [_looking(view, add) for view, add in zip(views, spread, strict=True)]


def _looking(view, add):
    def look_and_add(point: NDArray[np.float64], n: int) -> None:
        view(point, n)
        add(point, n)

    return look_and_add


def _spreader(
    plan: SidePlan,
    geometry: PingGeometry,
    number: int,
    line: Line,
    grid: NDArray[Any],
    late_s: float = 0.0,
    bent: BentPing | None = None,
) -> Callable[[NDArray[np.float64], int], None]:
    """Return what adds points to the grid of one line of receivers."""
    along, way, mid, half = line.along_m, geometry.way[number], geometry.mid_s, geometry.half_s
    numbers = (*plan.numbers[:8], plan.numbers[8] + late_s, plan.numbers[9])
    if plan.taps is None:
        ping = (geometry.transmit_m, geometry.transmit_axes, way, mid, half, numbers)
        rest = (along, EXACT_BETA, EXACT_WIDTH, grid)
        if bent:
            return lambda point, n: spread_exact_bent(point, n, *ping, *rest, *bent.waters)
        return lambda point, n: spread_exact(point, n, *ping, *rest)
    if bent:
        numbers = _numbers_at(numbers, bent.sound_speed_m_s)
    fixed = np.concatenate([geometry.transmit_m, geometry.transmit_axes[:2].ravel(), [mid, half], numbers])
    longest = max(float(np.abs(along).max()), _POINT_M)
    edge = int(np.ceil(longest * 2 * numbers[9] / numbers[0])) + 8
    array = (way.T.ravel(), along.astype(np.float32), *along_nodes(longest))
    return lambda point, n: spread_fast(point, n, fixed, *array, plan.taps.tap, edge, grid)


def _line_centre(bent: BentPing, centre_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """From where one line of receivers sees the points."""
    off = centre_m - bent.middle_m
    off = off - bent.along * (off @ bent.along)
    # On the array's axis the middle's own view serves all lines.
    return bent.middle_m if float(np.abs(off).max()) < _OFF_AXIS_M else np.ascontiguousarray(centre_m)


def _numbers_at(numbers: tuple[float, ...], sound_speed_m_s: float) -> tuple[float, ...]:
    """Return the kernel's numbers for the array's own sound speed; bent rays bring their absorption along."""
    c, f0, *sizes, _, level, start, per_second = numbers
    return (sound_speed_m_s, f0, *(v * c / sound_speed_m_s for v in sizes), 0.0, level, start, per_second)


def spectrum_of(plan: SidePlan, grid: NDArray[Any], response: NDArray[Any]) -> NDArray[Any]:
    """Spectra of the echoes whose impulses lie on the fine grid, (row, channel, frequency)."""
    half = plan.length // 2  # odd: as many bins below zero as above
    out = np.empty((*grid.shape[:2], plan.length), response.dtype)
    for row in range(grid.shape[0]):
        line = grid[row] if plan.taps is None else grid[row].view(np.complex64)
        fine = scipy.fft.fft(line, axis=-1, workers=1, overwrite_x=True)
        np.multiply(fine[:, : half + 1], response[: half + 1], out=out[row, :, : half + 1])
        np.multiply(fine[:, -half:], response[-half:], out=out[row, :, half + 1 :])
    return out


def samples_of(plan: SidePlan, spectrum: NDArray[Any]) -> NDArray[np.complex64]:
    """Samples of the listening time of echoes with these spectra."""
    pressure = np.empty(plan.receiver.listening.shape, np.complex64)
    first = plan.lead - plan.receiver.listening.margin
    for row in range(spectrum.shape[0]):
        echo = scipy.fft.ifft(spectrum[row], axis=-1, workers=1, overwrite_x=True)
        pressure[row] = echo[:, first : first + plan.receiver.listening.n]
    return pressure
