"""A real recording of a line array in water, focused frame by frame: speckle, and what averaging does to it.

The recordings are MATLAB files of real passband samples of an array that sent unsteered plane waves, with the
struct ``param`` beside them. Such scanners sample far below twice the carrier, so the band is folded; see
:func:`demodulate`. The physics is that of a pulse-echo sonar a hundred times larger.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.bench.measure.correlation import correlation_cell
from pingloom.bench.measure.speckle import GammaAgreement, enl, gamma_agreement
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.focus import Focuser, transmit_delay_plane_wave

__all__ = [
    "TREND_DEGREE",
    "ArrayRecording",
    "AveragedSpeckle",
    "Disc",
    "averaged_speckle",
    "demodulate",
    "frame_agreement",
    "image_frames",
    "read_array_recording",
]

TREND_DEGREE = (2, 2)
"""Of the level divided out along the array and in depth: echoes weaken with depth, and the disc isn't even."""

_MOST_SAMPLES = 100_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArrayRecording:
    """Baseband echoes of a line array that sent plane waves along its normal."""

    channels: NDArray[np.complex64]
    """(frame, channel, sample), phase exp(-2j pi carrier tau) at delay tau."""
    element_position_m: NDArray[np.float64]
    """(channel, 3): along the array from its centre, 0, 0. The third axis is depth. [m]"""
    first_delay_s: float
    sample_rate_hz: float
    carrier_hz: float
    sound_speed_m_s: float
    band: float
    """Full width of what was kept around the carrier, over the sampling rate."""
    frame_interval_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """A round region of the plane that is imaged."""

    along_m: float = 0.0
    depth_m: float = 22.5e-3
    radius_m: float = 7e-3

    def __post_init__(self) -> None:
        if not (0 < self.radius_m < self.depth_m < np.inf and np.isfinite(self.along_m)):
            raise ParameterError(
                f"the disc has along {self.along_m:g} m, depth {self.depth_m:g} m, radius {self.radius_m:g} m; "
                "allowed: a radius above 0 and below the depth."
            )

    def inside(self, along_m: ArrayLike, depth_m: ArrayLike) -> NDArray[np.bool_]:
        """Whether pixels of a grid (along, depth) lie in the disc."""
        x, z = np.asarray(along_m)[:, None], np.asarray(depth_m)[None, :]
        return np.hypot(x - self.along_m, z - self.depth_m) <= self.radius_m


@dataclass(frozen=True, slots=True, kw_only=True)
class AveragedSpeckle:
    """Looks of averages of so many successive frames."""

    n_frame: int
    n_group: int
    """Averages that share no frame."""
    enl: float
    """Mean over the groups."""
    low: float
    high: float
    """Smallest and largest of the groups."""
    first: float
    """Of the first group."""


def read_array_recording(path: str | Path) -> ArrayRecording:
    """Read ``RF`` (sample, channel, frame) and the struct ``param`` from a MATLAB file up to version 7.

    Parameters
    ----------
    path : str or Path
        ``param`` holds ``fs``, ``fc``, ``PRF`` [Hz], ``c`` [m/s], ``t0`` [s], ``pitch`` [m] and ``TXdelay`` [s].

    Returns
    -------
    ArrayRecording

    Raises
    ------
    DataError
        If the file isn't of that kind, or the transmission was steered.
    OSError
        If it can't be read at all.
    """
    samples, param = _load(Path(path))
    value = {name: _parameter(path, param, name).item() for name in ("fs", "fc", "c", "t0", "pitch", "PRF")}
    low = [name for name, number in value.items() if not (np.isfinite(number) and number > 0)]
    if low:
        raise DataError(f"{path}: param.{low[0]} is {value[low[0]]:g}; allowed: finite and above 0.")
    steering = _parameter(path, param, "TXdelay", single=False)
    if np.ptp(steering) > 0:
        raise DataError(
            f"{path}: param.TXdelay spans {np.ptp(steering):g} s; allowed: all equal, a wave along the normal."
        )
    channels, band = demodulate(
        np.ascontiguousarray(samples.transpose(2, 1, 0)),
        sample_rate_hz=value["fs"],
        carrier_hz=value["fc"],
        first_delay_s=value["t0"],
    )
    element = np.zeros((samples.shape[1], 3))
    element[:, 0] = (np.arange(samples.shape[1]) - (samples.shape[1] - 1) / 2) * value["pitch"]
    return ArrayRecording(
        channels=channels,
        element_position_m=element,
        first_delay_s=value["t0"],
        sample_rate_hz=value["fs"],
        carrier_hz=value["fc"],
        sound_speed_m_s=value["c"],
        band=band,
        frame_interval_s=1 / value["PRF"],
    )


def _load(path: Path) -> tuple[NDArray[Any], NDArray[Any]]:
    """The samples as real numbers and the struct, from a file of bounded size."""
    import scipy.io

    with path.open("rb"):
        pass  # what can't be opened is the system's to explain
    try:
        shapes = {name: shape for name, shape, _ in scipy.io.whosmat(path)}
        if int(np.prod(shapes.get("RF", (0,)), dtype=float)) > _MOST_SAMPLES:
            raise DataError(f"{path}: RF has shape {shapes['RF']}; allowed: {_MOST_SAMPLES:.0e} samples.")
        content = scipy.io.loadmat(path, variable_names=["RF", "param"])
    except DataError:
        raise
    except Exception as error:  # the reader has a zoo of exceptions for damaged files
        reason = " ".join(str(error).split()) or type(error).__name__
        raise DataError(f"{path} can't be read as a MATLAB file up to version 7: {reason[:200]}.") from error
    missing = [name for name in ("RF", "param") if name not in content]
    if missing:
        raise DataError(f"{path}: {missing[0]} is missing; allowed: RF (sample, channel, frame) and param.")
    samples, param = content["RF"], content["param"]
    if samples.ndim == 2:
        samples = samples[..., None]
    if samples.dtype.kind not in "iuf" or samples.ndim != 3 or samples.shape[0] < 32 or samples.shape[1] < 2:
        raise DataError(
            f"{path}: RF is {samples.dtype} of shape {samples.shape}; allowed: real (sample, channel, frame) with "
            "32 samples, 2 channels or more."
        )
    if not np.isfinite(samples).all():
        raise DataError(f"{path}: RF holds values that aren't finite; allowed: finite ones.")
    return samples, param


def _parameter(
    path: str | Path, param: NDArray[Any], name: str, *, single: bool = True
) -> NDArray[np.float64]:
    """One numeric field of the struct, flattened."""
    if param.dtype.names is None or name not in param.dtype.names or param.size != 1:
        raise DataError(f"{path}: param.{name} is missing; allowed: a struct with this field.")
    try:
        value = np.asarray(param[name].item(), dtype=np.float64).ravel()
    except (TypeError, ValueError) as error:
        raise DataError(f"{path}: param.{name} isn't numeric; allowed: real numbers.") from error
    if value.size == 0 or (single and value.size != 1):
        raise DataError(
            f"{path}: param.{name} holds {value.size} numbers; allowed: {1 if single else 'some'}."
        )
    return value


def demodulate(
    samples: ArrayLike, *, sample_rate_hz: float, carrier_hz: float, first_delay_s: float
) -> tuple[NDArray[np.complex64], float]:
    """Turn real passband samples, folded or not, into complex baseband.

    Sampling moves the positive frequency f to f less the nearest multiple of the sampling rate. That image may be
    negative: then the *negative* half of the spectrum is the analytic signal and the positive half its mirrored
    twin. (At four thirds of the carrier it lies at minus a quarter of the rate.) Taking the wrong half gives an
    image that is plausible speckle and wrong. The half around the carrier's image is kept, as wide as the nearer
    fold allows, and the carrier's phase, counted from the start of transmission, is taken off.

    Parameters
    ----------
    samples : array_like of float, shape (..., sample)
    sample_rate_hz, carrier_hz : float
        [Hz]
    first_delay_s : float
        Time of sample 0 from the start of transmission. [s]

    Returns
    -------
    baseband : ndarray of complex64, shape (..., sample)
        Peak values of the analytic signal.
    band : float
        Full width kept, over the sampling rate.

    Raises
    ------
    ParameterError
        If the carrier falls on or beside a fold, so that no band is left: less than a tenth of the rate.
    """
    real = np.asarray(samples)
    image = carrier_hz / sample_rate_hz - round(carrier_hz / sample_rate_hz)
    half = min(abs(image), 0.5 - abs(image))
    if half < 0.05:
        raise ParameterError(
            f"carrier_hz is {carrier_hz:g} at sample_rate_hz {sample_rate_hz:g}: only {2 * half:.3f} of the rate lies "
            "between folds; allowed: 0.1. Sample at another rate."
        )
    from scipy import fft

    n = real.shape[-1]
    # Zeros behind the record keep its end from leaking into its start.
    n_fft = fft.next_fast_len(2 * n)
    away = (fft.fftfreq(n_fft) - image + 0.5) % 1 - 0.5
    # A bin on the fold belongs to signal and twin alike.
    keep = np.where(np.abs(away) < half, 2.0, 0.0) + np.where(np.isclose(np.abs(away), half), 1.0, 0.0)
    analytic = fft.ifft(fft.fft(real.astype(np.float64), n_fft) * np.minimum(keep, 2.0))[..., :n]
    turns = carrier_hz * (first_delay_s + np.arange(n) / sample_rate_hz)
    return (analytic * np.exp(-2j * np.pi * turns)).astype(np.complex64), 2 * half


def image_frames(
    recording: ArrayRecording,
    along_m: ArrayLike,
    depth_m: ArrayLike,
    *,
    n_frame: int | None = None,
    f_number: float = 1.5,
    on_frame: Callable[[int], Any] | None = None,
) -> NDArray[np.float32]:
    """Focus frames onto a grid and detect.

    Parameters
    ----------
    recording : ArrayRecording
    along_m, depth_m : array_like of float64, shapes (along,) and (depth,)
        Pixel centres. [m]
    n_frame : int, optional
        How many frames from the first; default all.
    f_number : float
        As for :meth:`pingloom.imaging.focus.Focuser.prepare`.
    on_frame : callable, optional
        Told 1 after each frame.

    Returns
    -------
    ndarray of float32, shape (frame, along, depth)
        Intensity.

    Raises
    ------
    ParameterError
        If there aren't so many frames.
    """
    total = recording.channels.shape[0]
    count = total if n_frame is None else int(n_frame)
    if not 1 <= count <= total:
        raise ParameterError(f"n_frame is {count}; allowed: 1 to {total}, what was recorded.")
    x, z = np.asarray(along_m, np.float64), np.asarray(depth_m, np.float64)
    point = np.zeros((x.size, z.size, 3))
    point[..., 0], point[..., 2] = x[:, None], z
    point = point.reshape(-1, 3)
    focuser = Focuser.prepare(
        recording.element_position_m,
        point,
        transmit_delay_plane_wave([0, 0, 1], point, recording.sound_speed_m_s),
        first_delay_s=recording.first_delay_s,
        sample_rate_hz=recording.sample_rate_hz,
        carrier_hz=recording.carrier_hz,
        sound_speed_m_s=recording.sound_speed_m_s,
        n_sample=recording.channels.shape[-1],
        band=recording.band,
        f_number=f_number,
    )
    field = np.empty(point.shape[0], np.complex64)
    out = np.empty((count, x.size, z.size), np.float32)
    for k in range(count):
        focuser.run(recording.channels[k], field)
        out[k] = (field.real**2 + field.imag**2).reshape(x.size, z.size)
        if on_frame is not None:
            on_frame(1)
    return out


def frame_agreement(frame: ArrayLike, inside: NDArray[np.bool_]) -> GammaAgreement:
    """Compare one frame's intensity in a region with the exponential law of one look, trend removed."""
    return gamma_agreement(np.where(inside, frame, np.nan), 1.0, trend_degree=TREND_DEGREE)


def averaged_speckle(
    frames: ArrayLike, inside: NDArray[np.bool_], *, trend_degree: tuple[int, int] = TREND_DEGREE
) -> list[AveragedSpeckle]:
    """Looks of averages of 1, 2, 4 ... successive frames, the slow level divided out of each average.

    Parameters
    ----------
    frames : array_like of float, shape (frame, along, depth)
        Intensity.
    inside : ndarray of bool, shape (along, depth)
        The region of even speckle.
    trend_degree : tuple of int
        As for :func:`pingloom.bench.measure.speckle.enl`.

    Returns
    -------
    list of AveragedSpeckle
        Frames that fill no further group are left out.
    """
    stack = np.where(inside, np.asarray(frames), np.nan)
    # The cell of one frame: of an average of turning speckle, rings of texture would count as one cell.
    cell = correlation_cell(stack[0], trend_degree=trend_degree).area_pixels
    rows = []
    n = 1
    while n <= stack.shape[0]:
        n_group = stack.shape[0] // n
        looks = [
            enl(
                stack[k * n : (k + 1) * n].mean(axis=0, dtype=np.float64),
                cell_pixels=cell,
                trend_degree=trend_degree,
            ).enl
            for k in range(n_group)
        ]
        rows.append(
            AveragedSpeckle(
                n_frame=n,
                n_group=n_group,
                enl=float(np.mean(looks)),
                low=min(looks),
                high=max(looks),
                first=looks[0],
            )
        )
        n *= 2
    return rows
