"""Near-field beams of a line array: compressed channels to a field on (direction cosine, two-way delay).

Each channel is moved by the curvature of the wave front, sample by sample, and turned; then beams are steered by small
delays and phases that grow along the array (:mod:`wavefront` says how little work that takes). Beams are steered 1.35
times as densely as the aperture resolves them; half way between them lie beams that a filter across directions makes
for a tenth of the work. The field is then dense enough to be read with four taps between beams and eight between samples
(four where the pulse fills half its band or less). Where eight would err by more than -48 dB, it gets twice the samples.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ._field_kernels import LEAD, double, weave
from ._lanes import LANES
from ._steering_kernels import BLOCK, detect, steer, steer_and_weave
from ._tile import TILE_ROWS
from ._wavefront_kernels import focus
from ._wide import EIGHT
from .aligned import aligned_zeros
from .compress import Compressor
from .errors import ParameterError
from .frames import ArrayFrame, array_frame
from .interpolation import Spectrum, delay_taps_error, half_sample_taps
from .records import Sonar
from .theory.windows import taylor_line
from .wavefront import Aperture, Patch, plan_patches

__all__ = ["BeamformSettings", "Beamformer", "FieldBuffer", "channel_shading", "sector_half_angle"]

_BEAM_DENSITY = 1.35
"""Beams steered for each that the aperture resolves; the field has twice as many."""

_HALFWAY_ERROR = 4e-3
"""Bound on the error of what is read half way between beams or samples: -48 dB."""

_MOST_HALFWAY = 14
"""Taps of such a filter at most."""

_MOST_NODES = 1024
"""Delays at which a level may be tabled."""

_NO_LEVEL = np.zeros((0, 0), np.float32)

_PAD = 16
"""Zeros before each row of samples: what filters reach back over."""


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
class Beamformer:
    """One side's beams, planned once."""

    frame: ArrayFrame
    direction: NDArray[np.float64]
    """(beam,) direction cosines of the field, equally spaced, increasing."""
    steered: NDArray[np.float64]
    """(steered beam,) those that are summed from the channels; the field has the same, or more between them."""
    first_steered: int
    """Steered beam that is the field's first."""
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
    patches: tuple[Patch, ...]
    """Beams and samples that share a wave front; together they tile all steered beams and samples."""
    between_beams: NDArray[np.float32]
    """(tap,) one side of the filter that makes beams half way between steered ones; empty where there are none."""
    between_samples: NDArray[np.float32]
    """(tap,) one side of the filter that makes samples half way between steered ones; empty where there are none."""

    @classmethod
    def prepare(
        cls,
        sonar: Sonar,
        compressor: Compressor,
        settings: BeamformSettings,
        *,
        sound_speed_m_s: float,
        nearest_range_m: float,
        direction: ArrayLike | None = None,
        shading: ArrayLike | None = None,
    ) -> Beamformer:
        """Plan beams that cover the sector for points from ``nearest_range_m`` outward.

        Parameters
        ----------
        direction : array_like of float64, shape (beam,), optional
            Direction cosines wanted, equally spaced and increasing; default what covers the sector.
        shading : array_like of float64, shape (channel,), optional
            Weights of the receivers; default what the settings say. They are scaled to a sum of 1.

        Raises
        ------
        ParameterError
            If directions or weights are not as said.
        """
        frame = array_frame(sonar)
        wavelength = sound_speed_m_s / compressor.carrier_hz
        half = sector_half_angle(sonar, settings, wavelength)
        weight = _weights(shading, frame, sonar, settings)
        apart = sonar.transmit_position_m - frame.centre_m
        parallax = float(apart @ frame.axes[0]) / nearest_range_m
        between_beams = np.zeros(0)
        if direction is not None:
            steered = wanted = _given(direction)
            first = 0
        else:
            spacing = _spacing(frame, compressor, wavelength)
            low, high = _reach(compressor, settings, half, sound_speed_m_s, parallax)
            between_beams = _between_beams(frame, weight, compressor, wavelength, spacing)
            # A beam half way needs as many steered ones on either side as its filter has taps there.
            low, high = np.floor(low / spacing) - 1, np.ceil(high / spacing) + 1
            first = between_beams.size - 1
            steered = np.arange(low - first, high + first + 1) * spacing
            wanted = np.arange(2 * low, 2 * high + 1) * (spacing / 2)
        delay_s = compressor.first_delay_s + np.arange(compressor.n_out) / compressor.sample_rate_hz
        # Where the transmitter stands apart from the array, the range to the array is not half the path.
        range_m = (sound_speed_m_s * delay_s + apart @ frame.axes[1]) / 2
        # What single receivers stand off the line towards the normal is nearer to the seabed by as much.
        off = frame.offset_m[..., 0].mean(axis=0)
        aperture = Aperture(
            along_m=frame.along_m,
            nearer_m=off - off.mean(),
            shading=weight,
            radians_per_m=2 * np.pi / wavelength,
            samples_per_m=compressor.sample_rate_hz / sound_speed_m_s,
            band=compressor.band,
            spectrum=compressor.spectrum,
        )
        # Nearer than what is imaged the focus need not follow: it would bend without end.
        range_m = np.maximum(range_m, nearest_range_m / 2)
        # Eight taps along delay read what lies between recorded samples, unless the pulse fills its band too evenly.
        readable = compressor.band <= 0.5 or (
            delay_taps_error(compressor.band, EIGHT, compressor.spectrum) <= _HALFWAY_ERROR
        )
        upsampling = 1 if readable or direction is not None else 2
        between_samples = np.zeros(0)
        if upsampling == 2:
            between_samples = _halfway_taps(compressor.band, compressor.spectrum)
        beam = np.abs(
            np.exp(2j * np.pi * np.linspace(-0.5, 0.5, 20001)[:, None] * frame.along_m / wavelength) @ weight
        )
        return cls(
            frame=frame,
            direction=wanted,
            steered=steered,
            first_steered=first,
            shading=weight,
            wavelength_m=wavelength,
            sector_half_rad=half,
            n_sample=compressor.n_out,
            upsampling=upsampling,
            sample_rate_hz=compressor.sample_rate_hz * upsampling,
            first_delay_s=compressor.first_delay_s,
            band=compressor.band / upsampling,
            equivalent_width=_equivalent_width(frame.along_m, weight, wavelength, beam),
            noise_gain=float(np.sum(weight**2)),
            patches=plan_patches(aperture, steered, range_m, nearest_range_m),
            between_beams=between_beams.astype(np.float32),
            between_samples=between_samples.astype(np.float32),
        )

    @property
    def required_bytes(self) -> int:
        """Tables of the plan. [bytes]"""
        return sum(p.n_table_bytes for p in self.patches)

    def allocate(self) -> FieldBuffer:
        """Buffers that :meth:`run` and :meth:`detect` write into, reused from ping to ping."""
        n_channel, n_steered = self.frame.along_m.size, self.steered.size
        span = -(-self.n_sample // LANES) * LANES
        n_row = max(p.factors.shape[2] for p in self.patches)
        n_half = TILE_ROWS * max(p.factors.shape[1] for p in self.patches)
        reach = max(int(np.abs(p.run_shift).max()) + p.taps.shape[1] for p in self.patches)
        # An odd number of cache lines, so that what beams hold at one delay does not crowd into few places of a cache.
        woven = aligned_zeros(self.direction.size, LEAD + span * self.upsampling + _PAD, 2)
        return FieldBuffer(
            channel=aligned_zeros(4, span + (2 * reach // LANES + 6) * LANES),
            focused=aligned_zeros(n_channel + 1, 2, _PAD + span + 2 * LANES),
            rows=aligned_zeros(n_row + 1, 2, BLOCK),
            sums=aligned_zeros(2, n_half, 2, BLOCK),
            block=aligned_zeros(2 * n_steered * BLOCK),
            steered=aligned_zeros(2, n_steered, _PAD + span + 2 * LANES),
            node=np.zeros(span // LANES + 1, np.int64),
            work=aligned_zeros(5 * (_PAD + span + 2 * LANES) + _MOST_NODES + 2),
            woven=woven,
            field=woven[:, LEAD : LEAD + self.n_sample * self.upsampling],
        )

    def run(
        self,
        channels: NDArray[np.float32],
        out: FieldBuffer,
        level: NDArray[np.float32] | None = None,
        node_s: float = 0.0,
    ) -> None:
        """Form all beams of one ping into ``out.field``.

        Parameters
        ----------
        channels : ndarray of float32, shape (2, channel, n_sample)
            Compressed; real and imaginary parts. Rows that begin on a cache line are read fastest.
        out : FieldBuffer
            ``out.field`` (beam, sample, 2) float32: real and imaginary part of the field; a focused unit echo
            reads 1 (times the receivers' mean pattern towards it).
        level : ndarray of float32, shape (node, beam), optional
            Factor on the field at delays ``first_delay_s + k node_s`` and the field's beams, linear between nodes.
        node_s : float
            Delay from node to node. [s]

        Raises
        ------
        ParameterError
            If the level's shape is not as said.
        """
        if level is None:
            level, per_sample = _NO_LEVEL, 0.0
        else:
            per_sample = self.upsampling / (node_s * self.sample_rate_hz)
            if not 2 <= level.shape[0] <= _MOST_NODES or level.shape[1:] != self.direction.shape:
                raise ParameterError(
                    f"level has shape (node, beam) = {level.shape}; allowed: 2 to {_MOST_NODES} nodes of "
                    f"{self.direction.size} beams."
                )
        given = (self.first_steered, self.between_beams)
        laid = (level, per_sample)
        target = (self.direction.size, out.woven.reshape(-1), out.woven.shape[1])
        steered = (out.steered.reshape(-1), *out.steered.shape[1:], _PAD)
        if self.between_samples.size:
            self._steer(steer, channels, out)
            samples = (self.n_sample, *given, self.between_samples)
            double(*steered, *samples, *laid, out.node, out.work, *target)
            return
        x = np.ascontiguousarray(channels)
        for (first, past), patches in itertools.groupby(self.patches, _samples):
            together = tuple(patches)
            if len(together) == 1:
                self._focus(together[0], x, out)
                block = (out.block, self.steered.size)
                steer_and_weave(*_sums_of(together[0], out), *block, *given, *laid, out.work, *target)
                continue
            for patch in together:
                self._focus(patch, x, out)
                steer(*_sums_of(patch, out), steered[0], steered[2])
            weave(*steered[:3], _PAD + first, first, past, *given, *laid, out.work, *target)

    def detect(self, channels: NDArray[np.float32], out: FieldBuffer) -> NDArray[np.float32]:
        """Intensities of the steered beams of one ping at the channels' own sampling rate.

        Parameters
        ----------
        channels : ndarray of float32, shape (2, channel, n_sample)
            Compressed; real and imaginary parts.
        out : FieldBuffer
            Working memory; ``out.field`` stays as it is.

        Returns
        -------
        ndarray of float32, shape (steered beam, n_sample)
            A view of ``out``, overwritten by the next ping.
        """
        self._steer(detect, channels, out)
        return out.steered[0, :, _PAD : _PAD + self.n_sample]

    def _steer(self, kernel, channels: NDArray[np.float32], out: FieldBuffer) -> None:
        x = np.ascontiguousarray(channels)
        for patch in self.patches:
            self._focus(patch, x, out)
            kernel(*_sums_of(patch, out), out.steered.reshape(-1), out.steered.shape[2])

    def _focus(self, patch: Patch, channels: NDArray[np.float32], out: FieldBuffer) -> None:
        focus(
            channels.reshape(-1),
            *channels.shape[1:],
            patch.first,
            patch.past,
            patch.plus,
            patch.minus,
            patch.folded,
            patch.shading,
            patch.table_of,
            patch.run_start,
            patch.run_shift,
            patch.table.reshape(-1),
            patch.taps,
            _PAD,
            out.focused.shape[2],
            out.channel.reshape(-1),
            out.focused.reshape(-1),
        )


def _samples(patch: Patch) -> tuple[int, int]:
    return patch.samples


def _sums_of(patch: Patch, out: FieldBuffer) -> tuple:
    """What the kernels of steering must know of a patch, and where they work."""
    return (
        out.focused.reshape(-1),
        out.focused.shape[2],
        _PAD,
        *patch.samples,
        patch.folded,
        patch.half_beams,
        patch.used,
        patch.factors,
        patch.symmetric,
        patch.antisymmetric,
        out.rows.reshape(-1),
        out.sums.reshape(-1),
    )


@dataclass(slots=True, eq=False)
class FieldBuffer:
    """Working memory of the beams of one side; rows of samples begin after 16 zeros and end in room for a vector."""

    channel: NDArray[np.float32]
    focused: NDArray[np.float32]
    rows: NDArray[np.float32]
    sums: NDArray[np.float32]
    block: NDArray[np.float32]
    """Flat: a block of steered samples."""
    steered: NDArray[np.float32]
    """(2, steered beam, row)"""
    node: NDArray[np.int64]
    work: NDArray[np.float32]
    woven: NDArray[np.float32]
    """(beam, row, 2) the field, with zeros before and after each beam's samples."""
    field: NDArray[np.float32]
    """(beam, sample, 2), a view of the same."""


def _weights(
    shading: ArrayLike | None, frame: ArrayFrame, sonar: Sonar, settings: BeamformSettings
) -> NDArray[np.float64]:
    if shading is None:
        return channel_shading(frame, sonar.live, settings.shading)
    weight = np.asarray(shading, np.float64)
    if weight.shape != frame.along_m.shape or not np.isfinite(weight).all() or not weight.sum() > 0:
        raise ParameterError(
            f"shading has shape {weight.shape} and sum {weight.sum():g}; allowed: shape {frame.along_m.shape}, "
            "finite, sum above 0."
        )
    return weight / weight.sum()


def _given(direction: ArrayLike) -> NDArray[np.float64]:
    wanted = np.asarray(direction, np.float64)
    step = np.diff(wanted)
    if wanted.ndim != 1 or wanted.size < 1 or not (np.abs(wanted) < 1).all():
        raise ParameterError("direction: allowed: a row of direction cosines between -1 and 1.")
    if step.size and not (step[0] > 0 and np.allclose(step, step[0], rtol=1e-6, atol=0)):
        raise ParameterError("direction: allowed: equally spaced and increasing.")
    return wanted


def _halfway_taps(band: float, spectrum: Spectrum) -> NDArray[np.float64]:
    """One side of the shortest filter that reads half way between samples within the error bound."""
    n_tap = next(
        (n for n in range(4, _MOST_HALFWAY, 2) if delay_taps_error(band, n, spectrum) <= _HALFWAY_ERROR),
        _MOST_HALFWAY,
    )
    return half_sample_taps(band, n_tap, spectrum)[n_tap // 2 :]


def _spacing(frame: ArrayFrame, compressor: Compressor, wavelength_m: float) -> float:
    """Between steered beams, in direction cosine; the highest frequency resolves most."""
    return wavelength_m / frame.length_m / _BEAM_DENSITY / _top(compressor)


def _top(compressor: Compressor) -> float:
    """Highest frequency over the carrier."""
    return 1 + compressor.band * compressor.sample_rate_hz / compressor.carrier_hz / 2


def _between_beams(
    frame: ArrayFrame,
    weight: NDArray[np.float64],
    compressor: Compressor,
    wavelength_m: float,
    spacing: float,
) -> NDArray[np.float64]:
    """Filter for beams half way: across directions the band is the aperture, its spectrum the shading."""
    half = frame.length_m / 2

    def spectrum(unit: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(np.interp(unit * half, frame.along_m, weight / weight.max()), 0.1)

    return _halfway_taps(spacing * frame.length_m / wavelength_m * _top(compressor), spectrum)


def _reach(
    compressor: Compressor,
    settings: BeamformSettings,
    half_rad: float,
    sound_speed_m_s: float,
    parallax: float,
) -> tuple[float, float]:
    """Direction cosines that the beams must reach: the sector, with room for motion during the echo.

    ``parallax`` is the transmitter's distance ahead of the array over the nearest range: so much further forward
    the array sees what the transmitter has in its sector.
    """
    # A receiver that moves by v tau sees a point at 2 v / c from where the transmitter saw it.
    drift = 2 * settings.speed_bound_m_s / sound_speed_m_s
    turn = np.deg2rad(settings.yaw_rate_bound_deg_s) * compressor.last_delay_s
    reach = np.sin(half_rad) + drift + turn
    return -reach + min(parallax, 0.0), reach + max(parallax, 0.0)


def _equivalent_width(
    along_m: NDArray[np.float64], shading: NDArray[np.float64], wavelength_m: float, beam: NDArray[np.float64]
) -> float:
    """Integral of the beam's power around its main lobe, out to half way to the grating lobe."""
    u = np.linspace(-0.5, 0.5, beam.size)
    pitch = np.diff(along_m).mean()
    inside = np.abs(u) <= min(0.5, wavelength_m / pitch / 2)
    return float(np.sum(beam[inside] ** 2) * (u[1] - u[0]))
