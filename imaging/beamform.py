"""Near-field beams of a line array: compressed channels to a field on (direction cosine, two-way delay).

Focusing has two steps. Each channel is first moved by the curvature of the wave front at a group's middle
direction (delay and phase, tabled per sample), then beams of the group are steered by a delay and phase that
grow linearly along the array. Groups are made as narrow as the phase error bound needs. Beams are dense enough
(2.4 for each that the aperture resolves) that the complex field between them can be read with four taps.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from . import _beamform_kernels as kernels
from .compress import Compressor
from .errors import ParameterError
from .frames import ArrayFrame, array_frame
from .interpolation import Spectrum, delay_taps, delay_taps_error, half_sample_taps, tap_offsets
from .records import Sonar
from .theory.windows import taylor_line

__all__ = ["BeamformSettings", "Beamformer", "channel_shading", "sector_half_angle"]

_PHASE_ERROR_RAD = 0.025
"""Bound on the phase error of splitting the focus: costs 0.003 dB of gain."""

_DELAY_ERROR = 0.024
"""Bound on a delay filter's error at half a sample; the mean over an array's channels is far smaller."""

_BEAM_DENSITY = 2.4
"""Beams for each that the aperture resolves: four taps then read between them within -45 dB."""

_HALF_TAPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamformSettings:
    """How beams are formed."""

    shading: Literal["uniform", "taylor"] = "taylor"
    """Weights of the receivers: uniform (-13 dB sidelobes) or Taylor with -25 dB."""
    sector_deg: float | None = None
    """Full width of the sector that a ping is imaged over, at the transmitter; default its -3 dB width. [deg]"""
    yaw_rate_bound_deg_s: float = 6.0
    """The fastest yaw that beams must still cover the sector for. [deg/s]"""
    speed_bound_m_s: float = 4.0
    """The fastest way along the array that beams must still cover the sector for. [m/s]"""

    def __post_init__(self) -> None:
        if self.shading not in ("uniform", "taylor"):
            raise ParameterError(f"beamform.shading is {self.shading!r}; allowed: uniform, taylor.")
        if self.sector_deg is not None and not 0 < self.sector_deg <= 60:
            raise ParameterError(f"beamform.sector_deg is {self.sector_deg:g}; allowed: above 0 to 60.")
        if not 0 <= self.yaw_rate_bound_deg_s <= 60:
            raise ParameterError(
                f"beamform.yaw_rate_bound_deg_s is {self.yaw_rate_bound_deg_s:g}; allowed: 0 to 60."
            )
        if not 0 <= self.speed_bound_m_s <= 20:
            raise ParameterError(f"beamform.speed_bound_m_s is {self.speed_bound_m_s:g}; allowed: 0 to 20.")


def sector_half_angle(sonar: Sonar, settings: BeamformSettings, wavelength_m: float) -> float:
    """Half the imaged sector, at the transmitter. [rad]"""
    if settings.sector_deg is not None:
        return float(np.deg2rad(settings.sector_deg) / 2)
    return float(min(0.443 * wavelength_m / sonar.transmit_size_m[0], np.deg2rad(30.0)))


def channel_shading(frame: ArrayFrame, live: NDArray[np.bool_], shading: str) -> NDArray[np.float64]:
    """Weights of the channels with sum 1; channels with no live receiver get none. Shape (channel,)."""
    if shading == "uniform":
        weight = np.ones(frame.along_m.size)
    else:
        weight = taylor_line(frame.along_m / frame.length_m, 25.0, 4)
    weight = weight * live.any(axis=0)
    return weight / weight.sum()


@dataclass(frozen=True, slots=True, eq=False)
class FocusPatch:
    """Tables that flatten the wave front of one direction for some beams and samples."""

    beams: tuple[int, int]
    samples: tuple[int, int]
    first: int
    """Sample at which the tables begin: before ``samples`` by what steering reaches back."""
    run_start: NDArray[np.int64]
    """(channel, run + 1) from ``first``; a run of samples shares its whole shift."""
    run_shift: NDArray[np.int64]
    """(channel, run) first tap's sample less the sample itself."""
    taps: NDArray[np.float32]
    """(tap, channel, sample)"""
    cosine: NDArray[np.float32]
    sine: NDArray[np.float32]
    """(channel, sample) of the phase."""


@dataclass(frozen=True, slots=True, eq=False)
class Beamformer:
    """One side's beams, planned once."""

    frame: ArrayFrame
    direction: NDArray[np.float64]
    """(beam,) direction cosines, equally spaced, increasing."""
    shading: NDArray[np.float64]
    """(channel,) sum 1."""
    wavelength_m: float
    sector_half_rad: float
    n_sample: int
    """Samples of a compressed channel."""
    upsampling: int
    """The field has this many samples for one of a channel."""
    sample_rate_hz: float
    """Of the field. [Hz]"""
    first_delay_s: float
    band: float
    """Bandwidth over the field's sampling rate."""
    equivalent_width: float
    """Integral of a beam's power over direction cosine, peak 1."""
    noise_gain: float
    """Noise power of a beam over that of a channel."""
    patches: tuple[FocusPatch, ...]
    """Beams and samples that share a wave front's curvature; together they tile all beams and samples."""
    steer_offset: NDArray[np.int64]
    """(beam, channel) first tap's shift."""
    steer_re: NDArray[np.float32]
    steer_im: NDArray[np.float32]
    """(beam, channel, tap) filter, phase and shading in one, real and imaginary part."""
    half_taps: NDArray[np.float32]
    pad: int

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        compressor: Compressor,
        settings: BeamformSettings,
        *,
        sound_speed_m_s: float,
        nearest_range_m: float,
    ) -> Beamformer:
        """Plan beams that cover the sector for points from ``nearest_range_m`` outward."""
        frame = array_frame(sonar)
        wavelength = sound_speed_m_s / compressor.carrier_hz
        half = sector_half_angle(sonar, settings, wavelength)
        shading = channel_shading(frame, sonar.live, settings.shading)
        apart = sonar.transmit_position_m - frame.centre_m
        parallax = float(apart @ frame.axes[0]) / nearest_range_m
        direction = _directions(frame, compressor, settings, half, sound_speed_m_s, wavelength, parallax)
        n_tap = _tap_count(compressor.band, compressor.spectrum)
        delay_s = compressor.first_delay_s + np.arange(compressor.n_out) / compressor.sample_rate_hz
        # Where the transmitter stands apart from the array, the range to the array is not half the path.
        range_m = (sound_speed_m_s * delay_s + apart @ frame.axes[1]) / 2
        range_m = np.maximum(range_m, min(nearest_range_m, 0.5) / 2)
        offset, steer, reach = _steer_table(frame, direction, shading, compressor, sound_speed_m_s, n_tap)
        patches = tuple(
            _focus_patch(frame, direction, beams, samples, range_m, compressor, sound_speed_m_s, n_tap, reach)
            for beams, samples in _tiling(direction, frame.along_m, range_m, nearest_range_m, wavelength)
        )
        upsampling = 1 if compressor.band <= 0.5 else 2
        beam = np.abs(
            np.exp(2j * np.pi * np.linspace(-0.5, 0.5, 20001)[:, None] * frame.along_m / wavelength) @ shading
        )
        return cls(
            frame=frame,
            direction=direction,
            shading=shading,
            wavelength_m=wavelength,
            sector_half_rad=half,
            n_sample=compressor.n_out,
            upsampling=upsampling,
            sample_rate_hz=compressor.sample_rate_hz * upsampling,
            first_delay_s=compressor.first_delay_s,
            band=compressor.band / upsampling,
            equivalent_width=_equivalent_width(frame.along_m, shading, wavelength, beam),
            noise_gain=float(np.sum(shading**2)),
            patches=patches,
            steer_offset=offset,
            steer_re=np.ascontiguousarray(steer.real),
            steer_im=np.ascontiguousarray(steer.imag),
            half_taps=half_sample_taps(compressor.band, _HALF_TAPS, compressor.spectrum).astype(np.float32),
            pad=int(reach),
        )

    @property
    def required_bytes(self) -> int:
        """Tables of the plan. [bytes]"""
        tables = sum(p.taps.nbytes + p.cosine.nbytes + p.sine.nbytes for p in self.patches)
        return tables + self.steer_offset.nbytes + self.steer_re.nbytes + self.steer_im.nbytes

    def allocate(self) -> FieldBuffer:
        """Buffers that :meth:`run` writes into, reused from ping to ping."""
        n_channel, n_beam = self.frame.along_m.size, self.direction.size
        wide = self.n_sample + 2 * self.pad
        return FieldBuffer(
            focused=np.zeros((2, n_channel, wide), np.float32),
            coarse=np.zeros((2, n_beam, self.n_sample), np.float32),
            field=np.zeros((n_beam, self.n_sample * self.upsampling, 2), np.float32),
        )

    def run(self, channels: NDArray[np.float32], out: FieldBuffer) -> None:
        """Form all beams of one ping into ``out.field``.

        Parameters
        ----------
        channels : ndarray of float32, shape (2, channel, n_sample)
            Compressed; real and imaginary parts.
        out : FieldBuffer
            ``out.field`` (beam, sample, 2) float32: real and imaginary part of the field; a focused unit echo
            reads 1 (times the receivers' mean pattern towards it).
        """
        for patch in self.patches:
            kernels.focus(
                channels,
                patch.run_start,
                patch.run_shift,
                patch.taps,
                patch.cosine,
                patch.sine,
                patch.first,
                self.pad,
                out.focused,
            )
            kernels.steer(
                out.focused,
                self.steer_offset,
                self.steer_re,
                self.steer_im,
                self.pad,
                *patch.beams,
                *patch.samples,
                out.coarse,
            )
        if self.upsampling == 1:
            kernels.interleave(out.coarse, out.field)
        else:
            kernels.double(out.coarse, self.half_taps, out.field)


@dataclass(slots=True, eq=False)
class FieldBuffer:
    """Working memory of the beams of one side."""

    focused: NDArray[np.float32]
    coarse: NDArray[np.float32]
    field: NDArray[np.float32]


def _directions(
    frame: ArrayFrame,
    compressor: Compressor,
    settings: BeamformSettings,
    half_rad: float,
    sound_speed_m_s: float,
    wavelength_m: float,
    parallax: float,
) -> NDArray[np.float64]:
    """Beams denser than the aperture resolves over the sector, with room for motion during the echo.

    ``parallax`` is the transmitter's distance ahead of the array over the nearest range: so much further forward
    the array sees what the transmitter has in its sector.
    """
    # A receiver that moves by v tau sees a point at 2 v / c from where the transmitter saw it.
    drift = 2 * settings.speed_bound_m_s / sound_speed_m_s
    turn = np.deg2rad(settings.yaw_rate_bound_deg_s) * compressor.last_delay_s
    reach = np.sin(half_rad) + drift + turn
    top = 1 + compressor.band * compressor.sample_rate_hz / compressor.carrier_hz / 2
    spacing = wavelength_m / frame.length_m / _BEAM_DENSITY / top
    first = np.floor((-reach + min(parallax, 0.0)) / spacing) - 2
    last = np.ceil((reach + max(parallax, 0.0)) / spacing) + 2
    return np.arange(first, last + 1) * spacing


def _tiling(
    direction: NDArray[np.float64],
    along_m: NDArray[np.float64],
    range_m: NDArray[np.float64],
    nearest_range_m: float,
    wavelength_m: float,
) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Cut beams and samples into rectangles that one curvature serves within the phase error bound.

    Near ranges need more and narrower groups of beams; each doubling of range is looked at by itself.
    """
    edges = nearest_range_m * 2.0 ** np.arange(0, 12)
    first = np.concatenate([[0], np.searchsorted(range_m, edges[1:]), [range_m.size]])
    rectangles: list[tuple[tuple[int, int], tuple[int, int]]] = []
    pending = 0
    groups = _groups(direction, along_m, edges[0], wavelength_m)
    for k in range(1, first.size - 1):
        farther = _groups(direction, along_m, edges[min(k, edges.size - 1)], wavelength_m)
        if len(farther) != len(groups) or first[k] >= range_m.size:
            if first[k] > pending:
                rectangles += [(beams, (pending, int(first[k]))) for beams in groups]
            pending, groups = int(first[k]), farther
    if pending < range_m.size:
        rectangles += [(beams, (pending, range_m.size)) for beams in groups]
    return rectangles


def _groups(
    direction: NDArray[np.float64], along_m: NDArray[np.float64], range_m: float, wavelength_m: float
) -> list[tuple[int, int]]:
    """Cut the beams into runs that one curvature serves at a range."""
    group: list[tuple[int, int]] = []
    for n in range(1, direction.size + 1):
        edge = np.linspace(0, direction.size, n + 1).round().astype(int)
        group = [(int(a), int(b)) for a, b in itertools.pairwise(edge) if b > a]
        worst = 0.0
        for a, b in group:
            middle = _excess(along_m, direction[a:b].mean(), np.array([range_m]))
            for u in (direction[a], direction[b - 1]):
                off = np.abs(_excess(along_m, u, np.array([range_m])) - middle).max()
                worst = max(worst, off * 2 * np.pi / wavelength_m)
        if worst <= _PHASE_ERROR_RAD:
            return group
    return group


def _excess(
    along_m: NDArray[np.float64], direction: float, range_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Path from a point to each channel less that to the centre, less the linear part. (channel, range) [m]"""
    x, r = along_m[:, None], range_m[None, :]
    square = x**2 - 2 * r * direction * x
    # The difference of two nearly equal roots, without cancellation.
    return square / (np.sqrt(r**2 + square) + r) + direction * x


def _tap_count(band: float, spectrum: Spectrum) -> int:
    return next((n for n in (4, 6, 8) if delay_taps_error(band, n, spectrum) <= _DELAY_ERROR), 8)


def _focus_patch(
    frame: ArrayFrame,
    direction: NDArray[np.float64],
    beams: tuple[int, int],
    samples: tuple[int, int],
    range_m: NDArray[np.float64],
    compressor: Compressor,
    sound_speed_m_s: float,
    n_tap: int,
    reach: int,
) -> FocusPatch:
    """Table delay filters and phases for the middle direction of some beams."""
    first, last = max(0, samples[0] - reach), min(range_m.size, samples[1] + reach)
    # What single receivers stand off the line towards the normal is nearer to the seabed by as much.
    off = frame.offset_m[..., 0].mean(axis=0)
    middle = float(direction[slice(*beams)].mean())
    path_m = _excess(frame.along_m, middle, range_m[first:last]) - (off - off.mean())[:, None]
    shift = path_m / sound_speed_m_s * compressor.sample_rate_hz
    whole = np.floor(shift).astype(np.int64)
    table = delay_taps(np.arange(257) / 256, compressor.band, n_tap, compressor.spectrum)
    taps = table[np.rint((shift - whole) * 256).astype(int)]
    phase = 2 * np.pi * compressor.carrier_hz / sound_speed_m_s * path_m
    run_start, run_shift = _runs(whole + tap_offsets(n_tap)[0])
    return FocusPatch(
        beams=beams,
        samples=samples,
        first=first,
        run_start=run_start,
        run_shift=run_shift,
        taps=np.ascontiguousarray(np.moveaxis(taps, -1, 0), dtype=np.float32),
        cosine=np.cos(phase).astype(np.float32),
        sine=np.sin(phase).astype(np.float32),
    )


def _runs(shift: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Runs of equal shift along each row of (channel, sample); rows with fewer runs end in empty ones."""
    n_channel, n = shift.shape
    cuts = [np.flatnonzero(np.diff(row)) + 1 for row in shift]
    n_run = max(c.size for c in cuts) + 1
    start = np.full((n_channel, n_run + 1), n, np.int64)
    value = np.zeros((n_channel, n_run), np.int64)
    for m, cut in enumerate(cuts):
        start[m, 0] = 0
        start[m, 1 : cut.size + 1] = cut
        value[m, : cut.size + 1] = shift[m, start[m, : cut.size + 1]]
    return start, value


def _steer_table(
    frame: ArrayFrame,
    direction: NDArray[np.float64],
    shading: NDArray[np.float64],
    compressor: Compressor,
    sound_speed_m_s: float,
    n_tap: int,
) -> tuple[NDArray[np.int64], NDArray[np.complex64], int]:
    """First sample shift and complex filter of each beam and channel, and how far they reach."""
    path_m = -direction[:, None] * frame.along_m
    shift = path_m / sound_speed_m_s * compressor.sample_rate_hz
    whole = np.floor(shift)
    taps = delay_taps((shift - whole).ravel(), compressor.band, n_tap, compressor.spectrum)
    phase = shading * np.exp(2j * np.pi * compressor.carrier_hz / sound_speed_m_s * path_m)
    steer = taps.reshape(*path_m.shape, n_tap) * phase[..., None]
    offset = whole.astype(np.int64) + tap_offsets(n_tap)[0]
    reach = int(np.abs(offset).max()) + n_tap
    return offset, steer.astype(np.complex64), reach


def _equivalent_width(
    along_m: NDArray[np.float64], shading: NDArray[np.float64], wavelength_m: float, beam: NDArray[np.float64]
) -> float:
    """Integral of the beam's power around its main lobe, out to half way to the grating lobe."""
    u = np.linspace(-0.5, 0.5, beam.size)
    pitch = np.diff(along_m).mean()
    inside = np.abs(u) <= min(0.5, wavelength_m / pitch / 2)
    return float(np.sum(beam[inside] ** 2) * (u[1] - u[0]))
