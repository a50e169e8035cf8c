"""Focusing onto arbitrary points by delay and sum: the exact, general and slower sibling of the beams.

The transmit delay of every point is given apart from the receive geometry, so the transmission may be a point, a
plane wave or anything else whose arrival can be told. Delays, carrier phases and sums are float64; nothing is
tabled per point and channel, so points and elements may change with every ping at no cost but the sum itself.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import _focus_kernels as kernels
from .errors import DataError, ParameterError
from .interpolation import delay_taps, delay_taps_error

__all__ = ["Focuser", "transmit_delay_from_point", "transmit_delay_plane_wave"]

_FRACTIONS = 1024
"""Tabled positions between two samples: half a step is a phase of at most 1.5e-3 rad at the edge of any band."""

_TAPS = (8, 16, 24)
"""Whole vectors of eight floats: other lengths are slower, not faster."""


def transmit_delay_from_point(
    position_m: ArrayLike, point_m: ArrayLike, sound_speed_m_s: float
) -> NDArray[np.float64]:
    """When a pulse from a point transmitter arrives at each point.

    Parameters
    ----------
    position_m : array_like of float64, shape (3,)
        Of the transmitter. [m]
    point_m : array_like of float64, shape (point, 3)
        [m]
    sound_speed_m_s : float
        Above 0. [m/s]

    Returns
    -------
    ndarray of float64, shape (point,)
        From the start of transmission. [s]

    Raises
    ------
    ParameterError
        If a shape is wrong, or a number isn't finite or out of range.
    """
    position = _numbers("position_m", position_m, (3,))
    point = _numbers("point_m", point_m, ("point", 3))
    speed = _positive("sound_speed_m_s", sound_speed_m_s)
    return np.linalg.norm(point - position, axis=1) / speed


def transmit_delay_plane_wave(
    direction: ArrayLike,
    point_m: ArrayLike,
    sound_speed_m_s: float,
    *,
    origin_m: ArrayLike = (0.0, 0.0, 0.0),
) -> NDArray[np.float64]:
    """When a plane wave arrives at each point.

    Parameters
    ----------
    direction : array_like of float64, shape (3,)
        Where the wave goes; of any length but 0.
    point_m : array_like of float64, shape (point, 3)
        [m]
    sound_speed_m_s : float
        Above 0. [m/s]
    origin_m : array_like of float64, shape (3,)
        Where the wave front stands at the start of transmission. [m]

    Returns
    -------
    ndarray of float64, shape (point,)
        From the start of transmission; negative behind the origin. [s]

    Raises
    ------
    ParameterError
        If a shape is wrong, or a number isn't finite or out of range.
    """
    unit = _unit("direction", direction)
    point = _numbers("point_m", point_m, ("point", 3))
    speed = _positive("sound_speed_m_s", sound_speed_m_s)
    return (point - _numbers("origin_m", origin_m, (3,))) @ unit / speed


@dataclass(frozen=True, slots=True, eq=False)
class Focuser:
    """Delay and sum of one transmission onto points, planned by :meth:`prepare`."""

    element_position_m: NDArray[np.float64]
    """(channel, 3) at the start of transmission. [m]"""
    element_velocity_m_s: NDArray[np.float64]
    """(3,) of all elements alike. [m/s]"""
    shading: NDArray[np.float64]
    """(channel,)"""
    axis: NDArray[np.float64]
    """(3,) unit vector along the array."""
    f_number: float
    point_m: NDArray[np.float64]
    """(point, 3) [m]"""
    transmit_delay_s: NDArray[np.float64]
    """(point,) [s]"""
    first_delay_s: float
    sample_rate_hz: float
    carrier_hz: float
    sound_speed_m_s: float
    n_sample: int
    normalise: bool
    taps: NDArray[np.float32]
    """(fraction, tap) filters that read a channel between its samples."""
    tap_error: float
    """Bound on the relative rms error of reading a channel that fills the band evenly: that of the filters, at half a
    sample, and that of tabling their positions."""

    @classmethod
    def prepare(
        cls,
        element_position_m: ArrayLike,
        point_m: ArrayLike,
        transmit_delay_s: ArrayLike,
        *,
        first_delay_s: float,
        sample_rate_hz: float,
        carrier_hz: float,
        sound_speed_m_s: float,
        n_sample: int,
        band: float,
        shading: ArrayLike | None = None,
        f_number: float = 0.0,
        axis: ArrayLike | None = None,
        element_velocity_m_s: ArrayLike = (0.0, 0.0, 0.0),
        normalise: bool = True,
        interpolation_error: float = 1e-3,
    ) -> Focuser:
        """Check and copy the geometry; filters are kept from call to call, so this costs little.

        Parameters
        ----------
        element_position_m : array_like of float64, shape (channel, 3)
            Receivers in any Cartesian frame, at the instant from which delays count. [m]
        point_m : array_like of float64, shape (point, 3)
            Where to focus, in the same frame. [m]
        transmit_delay_s : array_like of float64, shape (point,)
            When the transmission reaches each point, see :func:`transmit_delay_from_point` and
            :func:`transmit_delay_plane_wave`. [s]
        first_delay_s : float
            Two-way delay of sample 0. [s]
        sample_rate_hz : float
            Of the complex baseband. [Hz]
        carrier_hz : float
            Of the demodulating oscillator: an echo of two-way delay tau has the phase exp(-2j pi carrier tau). [Hz]
        sound_speed_m_s : float
            [m/s]
        n_sample : int
            Samples of a channel.
        band : float
            Full bandwidth of the echoes, centred on the carrier, over ``sample_rate_hz``; above 0 and below 1.
        shading : array_like of float64, shape (channel,), optional
            Weight of each channel, 0 for a dead one; default 1.
        f_number : float
            An element serves a point only where the point's distance from the array's line is at least twice this
            times its distance along the line: the angle off the normal stays constant, so the resolution does too.
            0: all elements serve all points.
        axis : array_like of float64, shape (3,), optional
            Direction of the array's line; default: from the first element to the last. Used by ``f_number`` only.
        element_velocity_m_s : array_like of float64, shape (3,)
            Of the elements while the echo travels, solved exactly for even motion. [m/s]
        normalise : bool
            Divide by the sum of the weights that a point was given, so that a unit echo reads 1 whatever its
            aperture. For sums over pings: False.
        interpolation_error : float
            Relative rms error allowed to the filters, see :func:`pingloom.imaging.interpolation.delay_taps_error`.

        Returns
        -------
        Focuser

        Raises
        ------
        ParameterError
            If a shape is wrong, a number isn't finite or out of range, or no filter of 24 taps is good enough.
        """
        element = _numbers("element_position_m", element_position_m, ("channel", 3))
        point = _numbers("point_m", point_m, ("point", 3))
        n_channel, n_point = element.shape[0], point.shape[0]
        weight = np.ones(n_channel) if shading is None else shading
        speed = _positive("sound_speed_m_s", sound_speed_m_s)
        velocity = _numbers("element_velocity_m_s", element_velocity_m_s, (3,))
        if np.linalg.norm(velocity) > 0.1 * speed:
            raise ParameterError(
                f"element_velocity_m_s is {velocity.tolist()}; allowed: up to a tenth of the sound speed."
            )
        n_tap = _tap_count(
            _between("band", band, 0, 1), _positive("interpolation_error", interpolation_error)
        )
        if int(n_sample) != n_sample or n_sample < n_tap:
            raise ParameterError(
                f"n_sample is {n_sample}; allowed: whole numbers from the filter's {n_tap} taps up."
            )
        taps, error = _filters(float(band), n_tap)
        return cls(
            element_position_m=element,
            element_velocity_m_s=velocity,
            shading=_numbers("shading", weight, (n_channel,)),
            axis=_axis(element, axis, _at_least_0("f_number", f_number)),
            f_number=float(f_number),
            point_m=point,
            transmit_delay_s=_numbers("transmit_delay_s", transmit_delay_s, (n_point,)),
            first_delay_s=float(_numbers("first_delay_s", first_delay_s, ())),
            sample_rate_hz=_positive("sample_rate_hz", sample_rate_hz),
            carrier_hz=_at_least_0("carrier_hz", carrier_hz),
            sound_speed_m_s=speed,
            n_sample=int(n_sample),
            normalise=bool(normalise),
            taps=taps,
            tap_error=error,
        )

    @property
    def required_bytes(self) -> int:
        """What the plan holds; a run needs a copy of the channels on top, and 20 kB however many points. [bytes]"""
        arrays = (self.element_position_m, self.shading, self.point_m, self.transmit_delay_s, self.taps)
        return sum(a.nbytes for a in arrays)

    def part(self, first: int, last: int) -> Focuser:
        """The same plan for points ``first`` to ``last - 1``, say one part a thread; the values are the same bits."""
        return dataclasses.replace(
            self, point_m=self.point_m[first:last], transmit_delay_s=self.transmit_delay_s[first:last]
        )

    def run(self, channels: NDArray[np.complex64], out: NDArray[np.complex64]) -> None:
        """Focus one transmission's echoes onto the points.

        Parameters
        ----------
        channels : ndarray of complex64, shape (channel, n_sample)
            Baseband echoes.
        out : ndarray of complex64, shape (point,)
            The sum of the channels, each read at its two-way delay and turned back by the carrier's phase there.
            A channel that did not record the whole filter around the delay is left out; 0 where none is left.

        Raises
        ------
        DataError
            If shape or type of ``channels`` or ``out`` isn't the plan's.
        """
        _check("channels", channels, (self.element_position_m.shape[0], self.n_sample), "(channel, sample)")
        _check("out", out, (self.point_m.shape[0],), "(point,)")
        kernels.delay_and_sum(
            np.stack((channels.real, channels.imag), axis=1),
            self.element_position_m,
            self.element_velocity_m_s,
            self.shading,
            self.axis,
            1 + 4 * self.f_number**2 if self.f_number > 0 else 0.0,
            self.point_m,
            self.transmit_delay_s,
            self.first_delay_s,
            self.sample_rate_hz,
            self.carrier_hz,
            self.sound_speed_m_s,
            self.taps,
            self.normalise,
            out,
        )


@lru_cache(maxsize=32)
def _tap_count(band: float, error: float) -> int:
    for n_tap in _TAPS:
        if delay_taps_error(band, n_tap) <= error:
            return n_tap
    raise ParameterError(
        f"band is {band:g}, which {_TAPS[-1]} taps read with an error of {delay_taps_error(band, _TAPS[-1]):.2g}; "
        f"allowed: interpolation_error, {error:g}. Sample faster or allow a larger error."
    )


@lru_cache(maxsize=32)
def _filters(band: float, n_tap: int) -> tuple[NDArray[np.float32], float]:
    """Tabled filters, and the error of using the nearest one at half a sample."""
    taps = delay_taps(np.arange(_FRACTIONS + 1) / _FRACTIONS, band, n_tap).astype(np.float32)
    taps.flags.writeable = False
    # The rms over the band of 2 pi f times half a step: the positions between steps are no worse.
    step = np.pi * band / np.sqrt(3) / (2 * _FRACTIONS)
    return taps, float(np.hypot(delay_taps_error(band, n_tap), step))


def _axis(element: NDArray[np.float64], axis: ArrayLike | None, f_number: float) -> NDArray[np.float64]:
    if f_number == 0:
        return np.zeros(3)
    return _unit("axis", element[-1] - element[0] if axis is None else axis)


def _numbers(name: str, value: ArrayLike, shape: tuple[int | str, ...]) -> NDArray[Any]:
    """A read-only private copy in float64 of finite numbers in the wanted shape."""
    try:
        array = np.array(value, dtype=np.float64, order="C")
    except (TypeError, ValueError) as error:
        raise ParameterError(f"{name} can't be read as numbers: {error}.") from error
    if array.ndim != len(shape) or any(
        got != n for n, got in zip(shape, array.shape, strict=True) if isinstance(n, int)
    ):
        raise ParameterError(f"{name} has shape {array.shape}; allowed: ({', '.join(map(str, shape))}).")
    if not np.isfinite(array).all():
        raise ParameterError(
            f"{name} holds {int((~np.isfinite(array)).sum())} values that aren't finite; allowed: 0."
        )
    array.flags.writeable = False
    return array


def _positive(name: str, value: float) -> float:
    return _between(name, value, 0, np.inf)


def _between(name: str, value: float, low: float, high: float) -> float:
    number = float(_numbers(name, value, ()))
    if not low < number < high:
        raise ParameterError(
            f"{name} is {number:g}; allowed: above {low:g}"
            + (f" and below {high:g}." if high < np.inf else ".")
        )
    return number


def _at_least_0(name: str, value: float) -> float:
    number = float(_numbers(name, value, ()))
    if number < 0:
        raise ParameterError(f"{name} is {number:g}; allowed: 0 or more.")
    return number


def _unit(name: str, value: ArrayLike) -> NDArray[np.float64]:
    vector = _numbers(name, value, (3,))
    length = float(np.linalg.norm(vector))
    if length == 0:
        raise ParameterError(f"{name} has length 0; allowed: any other, only the direction counts.")
    return vector / length


def _check(name: str, array: object, shape: tuple[int, ...], axes: str) -> None:
    if not isinstance(array, np.ndarray) or array.dtype != np.complex64 or array.shape != shape:
        raise DataError(
            f"{name} is {getattr(array, 'dtype', type(array).__name__)} of shape {getattr(array, 'shape', '?')}; "
            f"allowed: complex64 {axes} of {shape}, as planned."
        )
