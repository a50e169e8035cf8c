"""The one ping that everything is timed on, its echoes, and float64 references for what each stage makes of them.

Angles in radians, lengths in metres, time along the last axis. An echo of two-way delay tau carries the baseband phase
exp(-2j pi f0 tau); sample 0 is the start of the pulse; the transmitter stands in the middle of the array and neither
moves while the echoes come in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DIM_DB",
    "Case",
    "beams_reference",
    "delay_and_sum_reference",
    "echo_direct",
    "errors",
    "intensity",
    "make_echo",
    "matched_filter_reference",
    "pulse",
    "replica",
    "sector_pixels",
]

DIM_DB = 20.0
"""Cells this far below the mean are judged apart: an rms error over all cells is that of the bright ones."""


@dataclass(frozen=True)
class Case:
    """One ping of one side; beams lie equally spaced in the sine of their angle from broadside."""

    n_channel: int = 32
    n_sample: int = 3200
    n_beam: int = 16
    sampling_hz: float = 40e3
    bandwidth_hz: float = 30e3
    carrier_hz: float = 450e3
    pulse_s: float = 2e-3
    pitch_m: float = 0.01875
    sector_rad: float = np.deg2rad(6.0)
    altitude_m: float = 6.0
    max_range_m: float = 60.0
    sound_speed_m_s: float = 1500.0
    pixel_across_m: float = 0.05
    pixel_along_m: float = 0.10

    def __post_init__(self) -> None:
        """Derive, once: element_m, shading (channel,); sin_beam (beam,); slant_m (sample,); cells; across_m (across,)."""
        ground_m = np.sqrt(self.max_range_m**2 - self.altitude_m**2)
        hann = np.hanning(self.n_channel + 2)[1:-1]
        sin_beam = np.linspace(-1, 1, self.n_beam) * np.sin(self.sector_rad / 2)
        slant_m = np.arange(self.n_sample) * self.sound_speed_m_s / (2 * self.sampling_hz)
        vars(self).update(
            element_m=(np.arange(self.n_channel) - (self.n_channel - 1) / 2) * self.pitch_m,
            shading=hann / hann.sum(),
            sin_beam=sin_beam,
            slant_m=slant_m,
            # Along-track offset and slant range of every cell, (beam, sample) each.
            cells=(sin_beam[:, None] * slant_m, np.tile(slant_m, (self.n_beam, 1))),
            across_m=(np.arange(int(ground_m / self.pixel_across_m)) + 0.5) * self.pixel_across_m,
            wavenumber=2 * np.pi * self.carrier_hz / self.sound_speed_m_s,  # radians per metre of path
            per_metre=self.sampling_hz / self.sound_speed_m_s,  # samples per metre of path
        )

    def path_m(self, along_m: NDArray[np.float64], slant_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Two-way paths (channel, ...) to points given by along-track offset and slant range from the array's middle."""
        x = self.element_m.reshape((-1,) + (1,) * np.ndim(slant_m))
        return slant_m + np.sqrt(slant_m**2 - 2 * x * along_m + x**2)


def pulse(case: Case, t_s) -> NDArray[np.complex128]:
    """Transmitted pulse at baseband at times from its start: a linear sweep, the first and last tenth tapered."""
    u = np.asarray(t_s) / case.pulse_s
    edge = np.clip(np.minimum(u, 1 - u) / 0.1, 0, 1)
    return np.sin(np.pi / 2 * edge) ** 2 * np.exp(
        1j * np.pi * case.bandwidth_hz * case.pulse_s * (u - 0.5) ** 2
    )


def replica(case: Case) -> NDArray[np.complex128]:
    """The sampled pulse under a Hamming window, (n,); a unit echo correlates with it to 1."""
    sent = pulse(case, np.arange(round(case.pulse_s * case.sampling_hz) + 1) / case.sampling_hz)
    return sent * np.hamming(sent.size) / np.vdot(sent * np.hamming(sent.size), sent).real


def echo_direct(case: Case, along_m, slant_m, amplitude) -> NDArray[np.complex128]:
    """Echoes (channel, sample) of point scatterers (point,), summed one by one: the reference for simulators."""
    echo = np.zeros((case.n_channel, case.n_sample), complex)
    for row, path in zip(echo, case.path_m(along_m, slant_m), strict=True):
        arrival = (path * case.per_metre)[:, None]
        n = np.ceil(arrival).astype(int) + np.arange(round(case.pulse_s * case.sampling_hz) + 1)
        value = pulse(case, (n - arrival) / case.sampling_hz)
        value *= (amplitude * np.exp(-1j * case.wavenumber * path))[:, None]
        inside = n < case.n_sample
        for part, unit in ((value.real, 1), (value.imag, 1j)):
            row += unit * np.bincount(n[inside], part[inside], case.n_sample)
    return echo


def make_echo(case: Case, seed: int = 1) -> NDArray[np.complex64]:
    """Raw echoes (channel, sample) of a speckled scene.

    10 000 points at random places from 6.5 to 57 m with complex Gaussian amplitudes of unit mean intensity, a strong
    echo (20 dB) every four metres, a shadow from 30.5 to 34 m over the inner 2.4 degrees, and per channel noise that
    lies 27 dB below the speckle once compressed.
    """
    rng = np.random.default_rng(seed)
    edge = np.sin(case.sector_rad / 2)
    slant = np.append(rng.uniform(6.5, 57, 10_000), np.setdiff1d(np.arange(8.0, 57, 4), 32.0))
    sine = np.append(rng.uniform(-1.1, 1.1, 10_000), rng.uniform(-0.9, 0.9, slant.size - 10_000)) * edge
    amplitude = (rng.standard_normal(slant.size) + 1j * rng.standard_normal(slant.size)) / np.sqrt(2)
    amplitude[10_000:] *= 10 / abs(amplitude[10_000:])
    amplitude[(abs(slant - 32.25) < 1.75) & (abs(sine) < 0.4 * edge)] = 0
    noise = rng.standard_normal((2, case.n_channel, case.n_sample)) * 0.03 / np.linalg.norm(replica(case))
    return (echo_direct(case, slant * sine, slant, amplitude) + noise[0] + 1j * noise[1]).astype(np.complex64)


def matched_filter_reference(case: Case, echo: NDArray[np.complex64]) -> NDArray[np.complex128]:
    """Compressed channels (channel, sample) by the correlation sum itself."""
    sent = replica(case)
    return np.array([np.correlate(np.pad(row, (0, sent.size - 1)), sent) for row in echo.astype(complex)])


def delay_and_sum_reference(
    case: Case,
    compressed: NDArray[np.complex128],
    along_m,
    slant_m,
    shading: NDArray[np.float64] | None = None,
) -> NDArray[np.complex128]:
    """Sum over channels at any points (...) with exact delays, from compressed (channel, sample).

    Sixteenfold oversampling by FFT, then a quintic spline: within 4e-7 of the trigonometric sum in intensity and 1e-5
    in dim cells. ``shading`` (channel,) replaces the case's own weights.
    """
    from scipy.ndimage import map_coordinates
    from scipy.signal import resample

    total, padding = 0, 4096 - case.n_sample
    weights = case.shading if shading is None else shading
    for channel, weight, path in zip(compressed, weights, case.path_m(along_m, slant_m), strict=True):
        fine = resample(np.pad(channel, (0, padding)), 16 * 4096)
        value = map_coordinates(fine, 16 * case.per_metre * path[None], order=5, mode="constant")
        total = total + weight * value * np.exp(1j * case.wavenumber * path)
    return total


def beams_reference(case: Case, compressed: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Intensity (beam, sample) of the case's beams: what all beamformers approximate."""
    return intensity(delay_and_sum_reference(case, compressed, *case.cells))


def intensity(field):
    """Squared magnitude without a square root."""
    return field.real**2 + field.imag**2


def sector_pixels(case: Case) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Along-track offset and slant range (pixel,) of the ground pixels in the sector, array along the strip."""
    half = int(case.max_range_m * case.sin_beam[-1] / case.pixel_along_m) + 1
    along, across = np.meshgrid(
        (np.arange(-half, half) + 0.5) * case.pixel_along_m, case.across_m, indexing="ij"
    )
    slant = np.sqrt(along**2 + across**2 + case.altitude_m**2)
    keep = (abs(along / slant) <= case.sin_beam[-1]) & (slant < case.slant_m[-3])
    return along[keep], slant[keep]


def errors(got, reference) -> tuple[float, float]:
    """Relative rms error; of intensities also that of the amplitude over dim cells, else NaN."""
    if np.iscomplexobj(reference):
        return _rms(got, reference), float("nan")
    dim = (reference < reference[reference > 0].mean() / 10 ** (DIM_DB / 10)) & (reference > 0)
    return _rms(got, reference), _rms(np.sqrt(got[dim]), np.sqrt(reference[dim]))


def _rms(a, b) -> float:
    return float(np.sqrt(np.mean(abs(a - b) ** 2) / np.mean(abs(b) ** 2)))
