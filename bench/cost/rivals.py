"""What a competent user would write with numpy, scipy or numba: the other side of every speed ratio.

A rival is made for a case: tables that follow from the array alone are made then, and what comes back is the function
to be timed. All that depends on echoes, position, heading or scatterers happens inside it. Each is as good as its name
says and no better, and none is tuned after the fact: :data:`BANDS` says how long each should take.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import scipy.fft as sf
from numba import njit
from numpy.typing import DTypeLike, NDArray

from .cases import Case, intensity, pulse, replica

__all__ = [
    "BANDS",
    "back_project_plain_numba",
    "back_project_straightforward",
    "beams_expert",
    "beams_fast_inaccurate",
    "beams_straightforward",
    "fractional_taps",
    "ground_straightforward",
    "matched_filter_expert",
    "matched_filter_straightforward",
    "ping_expert",
    "ping_straightforward",
    "simulate_plain_numba",
    "simulate_straightforward",
]

BANDS = {
    "matched_filter_straightforward": (1.34e-3, 1.6e-3),
    "matched_filter_expert": (0.63e-3, 0.66e-3),
    "beams_straightforward": (6.4e-3, 6.9e-3),
    "beams_straightforward_int32": (8.4e-3, 8.9e-3),
    "beams_fast_inaccurate": (0.24e-3, 0.29e-3),
    "beams_expert": (2.2e-3, 2.4e-3),
    "ground_straightforward": (1.75e-3, 2.1e-3),
    "ping_straightforward": (10.2e-3, 10.9e-3),
    "ping_expert": (2.9e-3, 3.2e-3),
    "ping_expert_accurate": (5.0e-3, 5.4e-3),
    "simulate_straightforward": (165e-3, 178e-3),
    "simulate_plain_numba": (95e-3, 100e-3),
    "back_project_straightforward": (38e-3, 41e-3),
    "back_project_plain_numba": (27e-3, 30e-3),
}
"""Lowest and highest median of each rival on the default case, one undisturbed core of a 3.7 GHz AVX-512 machine, numpy
2.4, scipy 1.17, numba 0.68 (simulators: 100 000 scatterers; back-projection: the 38 554 pixels of the sector). [s]"""

Filter = Callable[[NDArray[np.complex64]], NDArray]


def matched_filter_straightforward(case: Case) -> Filter:
    """``fftconvolve`` with the reversed conjugate replica, in double precision: (echo) -> (channel, sample) complex128."""
    from scipy.signal import fftconvolve

    kernel = np.conj(replica(case)[::-1])
    keep = slice(kernel.size - 1, kernel.size - 1 + case.n_sample)
    return lambda echo: fftconvolve(echo.astype(complex), kernel[None], axes=1)[:, keep]


def matched_filter_expert(case: Case) -> Filter:
    """Single precision, spectrum made beforehand, in place, one worker, the quickest of a few transform lengths."""
    least = case.n_sample + replica(case).size - 1

    def cost(n: int) -> float:
        trial = np.ones((case.n_channel, n), np.complex64)
        return min(_seconds(lambda: sf.fft(trial, axis=1, workers=1)) for _ in range(9))

    lengths = {sf.next_fast_len(least), 3360, 3456, 3584, 3600, 3840, 4096}
    best = min((n for n in lengths if n >= least), key=cost)
    spectrum = np.conj(sf.fft(replica(case), best)).astype(np.complex64)

    def run(echo):
        x = sf.fft(echo, spectrum.size, axis=1, workers=1)
        x *= spectrum
        return sf.ifft(x, axis=1, overwrite_x=True, workers=1)[:, : case.n_sample]

    return run


def beams_straightforward(case: Case, index_type: DTypeLike = np.intp) -> Filter:
    """Channel by channel a gather through tables: (compressed complex64) -> (beam, sample) intensity.

    The tables hold index, fraction and shaded phase, (beam, sample) each; linear interpolation at the recorded rate. An
    index of 32 bits is a quarter slower.
    """
    tables = []
    for path, weight in zip(case.path_m(*case.cells), case.shading, strict=True):
        index = np.clip(path * case.per_metre, 0, case.n_sample - 2).astype(index_type)
        fraction = (path * case.per_metre - index).astype(np.float32)
        tables.append((index, fraction, (weight * np.exp(1j * case.wavenumber * path)).astype(np.complex64)))

    def run(compressed):
        field = np.zeros((case.n_beam, case.n_sample), np.complex64)
        for channel, (index, fraction, phase) in zip(compressed, tables, strict=True):
            value = channel[index]
            value += fraction * (channel[index + 1] - value)
            value *= phase
            field += value
        return intensity(field)

    return run


def _phases(case: Case):
    """Extra path of broadside focus (channel, sample), its phase, and shaded steering phases (beam, channel)."""
    extra = np.hypot(case.element_m[:, None], case.slant_m) - case.slant_m
    steer = case.shading * np.exp(-1j * case.wavenumber * case.element_m * case.sin_beam[:, None])
    return extra, np.exp(1j * case.wavenumber * extra).astype(np.complex64), steer.astype(np.complex64)


def beams_fast_inaccurate(case: Case) -> Filter:
    """Phases without delays, one complex matrix product: quick, and 20 to 30 % wrong where the image is dim."""
    _, focus, steer = _phases(case)
    return lambda compressed: intensity(steer @ (compressed * focus))


def fractional_taps(case: Case, shift, offsets) -> NDArray[np.float64]:
    """Real taps (tap, ...) at whole offsets that advance by ``shift`` samples, least squares over the pulse's band."""
    f = np.linspace(-0.5, 0.5, 201)[:, None] * case.bandwidth_hz
    weight = 0.54 + 0.46 * np.cos(2 * np.pi * f / case.bandwidth_hz)
    basis, wanted = (
        weight * np.exp(2j * np.pi * f / case.sampling_hz * np.ravel(v)) for v in (offsets, shift)
    )
    taps = np.linalg.pinv(np.vstack([basis.real, basis.imag])) @ np.vstack([wanted.real, wanted.imag])
    return taps.reshape((len(offsets), *np.shape(shift)))


def beams_expert(case: Case) -> Filter:
    """The accurate one: four gathered taps for the curvature's delay, three for the steering's, one matrix product."""
    extra, focus, steer = _phases(case)
    start = np.arange(case.n_sample) + np.floor(extra * case.per_metre).astype(np.intp)
    index = [np.clip(start + k, 0, case.n_sample - 1) for k in (-1, 0, 1, 2)]
    taps = [fractional_taps(case, row * case.per_metre % 1, (-1, 0, 1, 2)) for row in extra]
    taps = np.stack(taps, axis=1).astype(np.float32)
    turn = fractional_taps(case, -case.element_m * case.sin_beam[:, None] * case.per_metre, (-1, 0, 1))
    steer = np.concatenate(steer * turn, axis=1).astype(np.complex64)  # (beam, 3 channel)
    stack = np.zeros((3, case.n_channel, case.n_sample), np.complex64)

    def run(compressed):
        focused = taps[0] * np.take_along_axis(compressed, index[0], 1)
        for k in (1, 2, 3):
            focused += taps[k] * np.take_along_axis(compressed, index[k], 1)
        focused *= focus
        stack[0, :, 1:] = focused[:, :-1]
        stack[1] = focused
        stack[2, :, :-1] = focused[:, 1:]
        return intensity(steer @ stack.reshape(-1, case.n_sample))

    return run


def ground_straightforward(case: Case) -> Callable[..., None]:
    """(image, strip, along_m, heading_rad) lays a (beam, sample) intensity: strip (2, along, across) of sum and count.

    Coordinates of all rows, counted from 0 m, that the turned sector touches; one bilinear ``map_coordinates``, a mask,
    two sums.
    """
    from scipy.ndimage import map_coordinates

    reach = (
        np.array([case.altitude_m, case.max_range_m]) * case.sin_beam[-1]
    )  # half width at nadir and far out
    ends = np.array([0, case.across_m[-1]])

    def run(image, strip, along_m, heading_rad):
        cos, sin = np.cos(heading_rad), np.sin(heading_rad)
        corners = (along_m - sin * ends + cos * np.stack([-reach, reach])) / case.pixel_along_m
        rows = slice(max(0, int(corners.min())), int(corners.max()) + 1)
        offset = ((np.arange(strip.shape[1])[rows] + 0.5) * case.pixel_along_m - along_m)[:, None]
        ahead = cos * offset + sin * case.across_m
        abeam = cos * case.across_m - sin * offset
        slant = np.sqrt(ahead**2 + abeam**2 + case.altitude_m**2)
        beam = (ahead / slant - case.sin_beam[0]) / (case.sin_beam[1] - case.sin_beam[0])
        value = map_coordinates(image, [beam, slant * (2 * case.per_metre)], order=1, cval=-1.0)
        inside = (value >= 0) & (abeam > 0)  # what lies outside the image reads -1
        strip[0, rows][inside] += value[inside]
        strip[1, rows][inside] += 1

    return run


def ping_straightforward(case: Case) -> Callable[..., None]:
    """(echo, strip, along_m, heading_rad): the straightforward filter, gather and ground, one after the other."""
    compress, beams = matched_filter_straightforward(case), beams_straightforward(case)
    ground = ground_straightforward(case)
    return lambda echo, *where: ground(beams(compress(echo).astype(np.complex64)), *where)


def ping_expert(case: Case, beams: Callable[[Case], Filter] = beams_fast_inaccurate) -> Callable[..., None]:
    """(echo, strip, along_m, heading_rad): single-precision filter, matrix-product beams, ``map_coordinates``."""
    compress, form, ground = matched_filter_expert(case), beams(case), ground_straightforward(case)
    return lambda echo, *where: ground(form(compress(echo)), *where)


def _pulse_spectrum(case: Case, factor: int) -> NDArray[np.complex128]:
    """Spectrum (n_fft,) of the pulse at ``factor`` times the sampling rate, long enough for an echo and a pulse."""
    n_pulse = round(case.pulse_s * case.sampling_hz) * factor + 1
    n_fft = sf.next_fast_len(case.n_sample * factor + n_pulse)
    return sf.fft(pulse(case, np.arange(n_pulse) / (case.sampling_hz * factor)), n_fft)


def simulate_straightforward(case: Case) -> Callable[..., NDArray[np.complex128]]:
    """(x, y, z, amplitude) -> (channel, sample): exact distances, ``bincount`` onto an 8x grid, FFT convolution.

    Each echo is split linearly between two grid steps. x (along), y and z from the array's middle, float64.
    """
    spectrum, n = _pulse_spectrum(case, 8), 8 * case.n_sample

    def run(x, y, z, amplitude):
        echo = np.empty((case.n_channel, case.n_sample), complex)
        rest = y**2 + z**2
        outward = np.sqrt(x**2 + rest)
        for m, element in enumerate(case.element_m):
            path = outward + np.sqrt((x - element) ** 2 + rest)
            value = amplitude * np.exp(-1j * case.wavenumber * path)
            position = path * (8 * case.per_metre)
            index = position.astype(np.intp)
            second = value * (position - index)
            first = value - second
            grid = np.bincount(index, first.real, n) + 1j * np.bincount(index, first.imag, n)
            grid += np.bincount(index + 1, second.real, n) + 1j * np.bincount(index + 1, second.imag, n)
            echo[m] = sf.ifft(sf.fft(grid, spectrum.size) * spectrum)[:n:8]
        return echo

    return run


@njit(fastmath=True, cache=True)
def _spread(x, y, z, amplitude, element, wavenumber, per_metre, table, n):
    grid = np.zeros((element.size, n), np.complex128)
    for k in range(x.size):
        rest = y[k] ** 2 + z[k] ** 2
        outward = np.sqrt(x[k] ** 2 + rest)
        for m in range(element.size):
            path = outward + np.sqrt((x[k] - element[m]) ** 2 + rest)
            value = amplitude[k] * complex(np.cos(wavenumber * path), -np.sin(wavenumber * path))
            position = path * per_metre
            index = int(position)
            row = int((position - index) * table.shape[0])
            for j in range(4):
                grid[m, index - 1 + j] += table[row, j] * value
    return grid


def simulate_plain_numba(case: Case) -> Callable[..., NDArray[np.complex128]]:
    """The same as one plain loop: four Kaiser-Bessel taps (nearest of 4096 table rows) onto a 2x grid.

    The FFT convolution with the pulse divides out the transform of the taps' window.
    """
    beta = 0.98 * np.pi * 4 * (1 - 1 / 4)
    u = (
        np.arange(-1, 3) - (np.arange(4096)[:, None] + 0.5) / 4096
    )  # grid steps from the place to its neighbours
    table = np.i0(beta * np.sqrt(1 - (u / 2) ** 2)) / np.i0(beta)
    spectrum = _pulse_spectrum(case, 2)
    s = np.sqrt(beta**2 - (4 * np.pi * sf.fftfreq(spectrum.size)) ** 2 + 0j)
    spectrum /= (4 * np.sinh(s) / s).real / np.i0(beta)

    def run(x, y, z, amplitude):
        to_grid = 2 * case.per_metre
        grid = _spread(x, y, z, amplitude, case.element_m, case.wavenumber, to_grid, table, spectrum.size)
        grid = sf.fft(grid, axis=1, overwrite_x=True, workers=1)
        grid *= spectrum
        return sf.ifft(grid, axis=1, overwrite_x=True, workers=1)[:, : 2 * case.n_sample : 2]

    return run


def back_project_straightforward(case: Case, factor: int = 4) -> Callable[..., NDArray[np.complex128]]:
    """(data, along_m, slant_m) -> (pixel,) sum over channels: distances made afresh, gather, linear interpolation.

    ``data`` (channel, factor x sample) complex64 was oversampled beforehand.
    """

    def run(data, along_m, slant_m):
        image = np.zeros(along_m.size, complex)
        for channel, x, weight in zip(data, case.element_m, case.shading, strict=True):
            path = slant_m + np.sqrt(slant_m**2 - 2 * x * along_m + x**2)
            position = path * (factor * case.per_metre)
            index = position.astype(np.intp)
            value = channel[index]
            value += (position - index) * (channel[index + 1] - value)
            image += weight * value * np.exp(1j * case.wavenumber * path)
        return image

    return run


@njit(fastmath=True, cache=True)
def _project(data, element, shading, wavenumber, per_metre, along_m, slant_m):
    image = np.empty(along_m.size, np.complex128)
    for p in range(along_m.size):
        total = 0j
        for m in range(element.size):
            path = slant_m[p] + np.sqrt(slant_m[p] ** 2 - 2 * element[m] * along_m[p] + element[m] ** 2)
            position = path * per_metre
            index = int(position)
            value = data[m, index] + (position - index) * (data[m, index + 1] - data[m, index])
            total += shading[m] * value * complex(np.cos(wavenumber * path), np.sin(wavenumber * path))
        image[p] = total
    return image


def back_project_plain_numba(case: Case, factor: int = 4) -> Callable[..., NDArray[np.complex128]]:
    """The same sums as one plain loop."""
    fixed = case.element_m, case.shading, case.wavenumber, factor * case.per_metre
    return lambda data, along_m, slant_m: _project(data, *fixed, along_m, slant_m)


def _seconds(call: Callable[[], object]) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start
