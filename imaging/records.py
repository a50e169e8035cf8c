"""Plain validated data that every room may know: sonar, navigation, water, ping, correction, tile.

All records are frozen, keyword-only and valid from birth; their arrays are read-only private copies. A changed
record is a new one (:func:`dataclasses.replace`). Nothing here computes physics.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .conventions import SIDES
from .errors import DataError, ParameterError

__all__ = [
    "Correction",
    "Look",
    "Pattern",
    "Ping",
    "Platform",
    "Quality",
    "Sonar",
    "Tile",
    "Water",
]


def _fail(owner: object, name: str, got: object, allowed: str, remedy: str = "") -> None:
    where = type(owner).__name__.lower()
    raise ParameterError(f"{where}.{name} is {got}; allowed: {allowed}." + (f" {remedy}" if remedy else ""))


def _array(owner: Any, name: str, dtype: Any, *, shape: tuple[int | str | None, ...]) -> NDArray[Any]:
    """Replace field ``name`` by a read-only copy of the wanted type and check its axes.

    A number in ``shape`` is a required length, a string names an axis of free length.
    """
    value = getattr(owner, name)
    try:
        array = np.array(value, dtype=dtype, order="C", copy=True)
    except (TypeError, ValueError) as error:
        raise ParameterError(
            f"{type(owner).__name__.lower()}.{name} can't be read as numbers of type {np.dtype(dtype)}: {error}."
        ) from error
    wanted = "(" + ", ".join("?" if n is None else str(n) for n in shape) + ")"
    if array.ndim != len(shape) or any(
        isinstance(n, int) and got != n for n, got in zip(shape, array.shape, strict=True)
    ):
        _fail(owner, name, f"of shape {array.shape}", f"shape {wanted}")
    array.flags.writeable = False
    object.__setattr__(owner, name, array)
    return array


def _finite(owner: Any, name: str, array: NDArray[Any]) -> None:
    good = np.isfinite(array)
    if not good.all():
        where = tuple(int(i) for i in np.argwhere(~good)[0])
        _fail(owner, name, f"{array[where]} at index {where}", "finite numbers")


def _number(
    owner: Any,
    name: str,
    *,
    low: float = -np.inf,
    high: float = np.inf,
    open_low: bool = False,
    remedy: str = "",
) -> float:
    value = getattr(owner, name)
    try:
        number = float(value)
    except (TypeError, ValueError) as error:
        raise ParameterError(
            f"{type(owner).__name__.lower()}.{name} is {value!r}; allowed: a number."
        ) from error
    inside = low < number <= high if open_low else low <= number <= high
    if not inside or not np.isfinite(number):
        if np.isfinite(high):
            allowed = f"{'above' if open_low else 'from'} {low:g} to {high:g}"
        elif np.isfinite(low):
            allowed = f"{'above' if open_low else 'at least'} {low:g}"
        else:
            allowed = "a finite number"
        _fail(owner, name, f"{number:g}", allowed, remedy)
    object.__setattr__(owner, name, number)
    return number


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pattern:
    """A one-way beam pattern as a table, interpolated linearly in dB; beyond its ends the end values hold.

    Parameters
    ----------
    angle_rad : array_like of float64, shape (n,)
        Angle from the array normal, increasing; along: positive forward; vertical: positive upward. [rad]
    gain_db : array_like of float64, shape (n,)
        Intensity gain, normally 0 at the axis. [dB]
    """

    angle_rad: NDArray[np.float64]
    gain_db: NDArray[np.float64]

    def __post_init__(self) -> None:
        angle = _array(self, "angle_rad", np.float64, shape=("n",))
        gain = _array(self, "gain_db", np.float64, shape=(angle.size,))
        _finite(self, "angle_rad", angle)
        _finite(self, "gain_db", gain)
        if angle.size < 2 or np.any(np.diff(angle) <= 0):
            _fail(self, "angle_rad", f"{angle.size} values", "two or more, strictly increasing")
        if np.abs(angle).max() > np.pi + 1e-6:
            got = f"from {angle[0]:.4g} to {angle[-1]:.4g}"
            _fail(self, "angle_rad", got, "radians, from -3.1416 to 3.1416", "Turn degrees into radians.")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sonar:
    """One array of a side-looking sonar and the pulse that it sends: what stays fixed for a recording.

    Positions are in the body frame (forward, starboard, down) from the point that the navigation speaks of.
    Sizes are full lengths of uniform apertures.
    """

    side: str
    """``"port"`` or ``"starboard"``: where the array normal points."""
    frequency_start_hz: float
    """Instantaneous frequency at the start of the pulse; above ``frequency_stop_hz`` for a down-sweep. [Hz]"""
    frequency_stop_hz: float
    pulse_duration_s: float
    centre_frequency_hz: float
    """Of the demodulating oscillator. [Hz]"""
    sample_interval_s: float
    """Of the complex baseband samples. [s]"""
    first_sample_delay_s: float
    """Delay of sample 0 after the start of transmission. [s]"""
    n_sample: int
    transmit_position_m: NDArray[np.float64]
    """(3,) [m, body]"""
    transmit_size_m: NDArray[np.float64]
    """(2,) along and vertical length. [m]"""
    receive_size_m: NDArray[np.float64]
    """(2,) along and vertical length of one receiver. [m]"""
    depression_rad: float
    """Of the array normal below the horizontal. [rad]"""
    element_position_m: NDArray[np.float64]
    """(row, channel, 3) phase centres of the receivers, channels from aft to fore, rows from bottom to top. [m]"""
    element_delay_s: NDArray[np.float64] | None = None
    """(row, channel) delay that each receiver adds to its echo; to be undone. [s]"""
    element_ok: NDArray[np.bool_] | None = None
    """(row, channel) False where a receiver is known dead."""
    replica: NDArray[np.complex64] | None = None
    """(n,) transmitted pulse at baseband from the start of transmission; None: the ideal sweep."""
    pattern_transmit_along: Pattern | None = None
    pattern_transmit_vertical: Pattern | None = None
    pattern_receive_along: Pattern | None = None
    pattern_receive_vertical: Pattern | None = None
    echo_scale: float = 1.0
    """Stored sample times this is in ``echo_unit``."""
    echo_unit: str = "count"
    source_level_db: float | None = None
    """[dB re 1 uPa at 1 m]"""
    receiver_sensitivity_db: float | None = None
    """[dB re 1 V/uPa]"""
    saturation_level: float | None = None
    """Magnitude of the real or imaginary part of a stored sample at which the receiver clips."""
    time_varied_gain_db: NDArray[np.float64] | None = None
    """(sample,) already applied to the echo. [dB]"""
    serial_number: str = ""

    def __post_init__(self) -> None:
        if self.side not in SIDES:
            _fail(self, "side", repr(self.side), "port, starboard")
        for name in ("frequency_start_hz", "frequency_stop_hz", "pulse_duration_s", "centre_frequency_hz"):
            _number(self, name, low=0, open_low=True)
        _number(self, "sample_interval_s", low=0, open_low=True)
        _number(self, "first_sample_delay_s", low=0)
        _number(self, "echo_scale", low=0, open_low=True)
        if self.frequency_start_hz == self.frequency_stop_hz:
            _fail(self, "frequency_stop_hz", f"{self.frequency_stop_hz:g}, as frequency_start_hz", "a sweep")
        if int(self.n_sample) != self.n_sample or self.n_sample < 2:
            _fail(self, "n_sample", self.n_sample, "a whole number of at least 2")
        object.__setattr__(self, "n_sample", int(self.n_sample))
        rate_hz = 1 / self.sample_interval_s
        reach_hz = max(
            abs(f - self.centre_frequency_hz) for f in (self.frequency_start_hz, self.frequency_stop_hz)
        )
        if 2 * reach_hz > rate_hz * (1 + 1e-9):
            _fail(
                self,
                "sample_interval_s",
                f"{self.sample_interval_s:g} ({rate_hz:g} complex samples a second)",
                f"at most {1 / (2 * reach_hz):g}, or the sweep, which reaches {reach_hz:g} Hz from "
                "centre_frequency_hz, aliases",
            )
        _number(self, "depression_rad", low=-np.pi / 2, high=np.pi / 2)
        _finite(self, "transmit_position_m", _array(self, "transmit_position_m", np.float64, shape=(3,)))
        for name in ("transmit_size_m", "receive_size_m"):
            size = _array(self, name, np.float64, shape=(2,))
            if not (size > 0).all() or not np.isfinite(size).all():
                _fail(self, name, size.tolist(), "two lengths above 0 (along, vertical)")
        position = _array(self, "element_position_m", np.float64, shape=("row", "channel", 3))
        _finite(self, "element_position_m", position)
        n_row, n_channel = position.shape[:2]
        if n_row < 1 or n_channel < 2:
            _fail(
                self,
                "element_position_m",
                f"of {n_row} rows, {n_channel} channels",
                "1 row, 2 channels or more",
            )
        if not (np.diff(position[..., 0], axis=1) > 0).all():
            _fail(
                self,
                "element_position_m",
                "not increasing forward along its channels",
                "channels from aft to fore",
                "Reverse the channel axis of positions and echoes.",
            )
        if self.element_delay_s is not None:
            _finite(
                self, "element_delay_s", _array(self, "element_delay_s", np.float64, shape=(n_row, n_channel))
            )
        if self.element_ok is not None:
            good = _array(self, "element_ok", np.bool_, shape=(n_row, n_channel))
            if good.sum() < 2:
                _fail(self, "element_ok", f"true for {int(good.sum())} receivers", "2 or more live receivers")
        if self.replica is not None:
            replica = _array(self, "replica", np.complex64, shape=("n",))
            _finite(self, "replica", replica)
            if replica.size < 2 or not np.abs(replica).max() > 0:
                _fail(self, "replica", "empty or all zero", "2 or more samples with a pulse in them")
        if self.time_varied_gain_db is not None:
            gain = _array(self, "time_varied_gain_db", np.float64, shape=(self.n_sample,))
            _finite(self, "time_varied_gain_db", gain)
        if self.echo_unit not in ("Pa", "V", "count"):
            _fail(self, "echo_unit", repr(self.echo_unit), "Pa, V, count")
        for name in ("source_level_db", "receiver_sensitivity_db"):
            if getattr(self, name) is not None:
                _number(self, name)
        if self.saturation_level is not None:
            _number(self, "saturation_level", low=0, open_low=True)

    @property
    def n_row(self) -> int:
        """Number of vertical rows."""
        return self.element_position_m.shape[0]

    @property
    def n_channel(self) -> int:
        """Number of receivers along track."""
        return self.element_position_m.shape[1]

    @property
    def bandwidth_hz(self) -> float:
        """Full width of the sweep. [Hz]"""
        return abs(self.frequency_stop_hz - self.frequency_start_hz)

    @property
    def live(self) -> NDArray[np.bool_]:
        """(row, channel) receivers not known dead."""
        if self.element_ok is None:
            return np.ones(self.element_position_m.shape[:2], bool)
        return self.element_ok

    @property
    def is_calibrated(self) -> bool:
        """Whether echoes can be turned into absolute backscatter."""
        in_pascal = self.echo_unit == "Pa" or (
            self.echo_unit == "V" and self.receiver_sensitivity_db is not None
        )
        return in_pascal and self.source_level_db is not None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Platform:
    """The navigation's belief: pose samples at its own rate, with what else it knows.

    Columns are (k,) arrays; optional columns are None where the navigation does not give them. Speeds are in
    the levelled frame along the heading; rates are time derivatives of the angles.
    """

    time_ns: NDArray[np.uint64]
    """Strictly increasing nanoseconds since 1970-01-01 00:00:00Z."""
    north_m: NDArray[np.float64]
    east_m: NDArray[np.float64]
    depth_m: NDArray[np.float64]
    heading_rad: NDArray[np.float64]
    pitch_rad: NDArray[np.float64]
    roll_rad: NDArray[np.float64]
    altitude_m: NDArray[np.float64] | None = None
    """NaN where unknown."""
    speed_forward_m_s: NDArray[np.float64] | None = None
    speed_starboard_m_s: NDArray[np.float64] | None = None
    speed_down_m_s: NDArray[np.float64] | None = None
    heading_rate_rad_s: NDArray[np.float64] | None = None
    pitch_rate_rad_s: NDArray[np.float64] | None = None
    roll_rate_rad_s: NDArray[np.float64] | None = None
    sound_speed_at_array_m_s: NDArray[np.float64] | None = None
    status: NDArray[np.int64] | None = None
    """0 where good."""
    heading_uncertainty_rad: float | None = None
    velocity_uncertainty_m_s: float | None = None

    def __post_init__(self) -> None:
        time = _array(self, "time_ns", np.uint64, shape=("k",))
        if time.size < 1:
            _fail(self, "time_ns", "empty", "one pose or more")
        if np.any(time[1:] <= time[:-1]):
            row = int(np.argmax(time[1:] <= time[:-1])) + 1
            _fail(
                self,
                "time_ns",
                f"{time[row]} in row {row} after {time[row - 1]}",
                "strictly increasing times",
            )
        for item in fields(self):
            if (
                item.name == "time_ns"
                or item.name.endswith("uncertainty_rad")
                or item.name.endswith("ainty_m_s")
            ):
                continue
            if getattr(self, item.name) is None:
                continue
            dtype = np.int64 if item.name == "status" else np.float64
            column = _array(self, item.name, dtype, shape=(time.size,))
            if item.name not in ("altitude_m", "sound_speed_at_array_m_s", "status"):
                _finite(self, item.name, column)
        for group in (
            ("speed_forward_m_s", "speed_starboard_m_s", "speed_down_m_s"),
            ("heading_rate_rad_s", "pitch_rate_rad_s", "roll_rate_rad_s"),
        ):
            given = [name for name in group if getattr(self, name) is not None]
            if given and len(given) != 3:
                missing = sorted(set(group) - set(given))
                _fail(self, missing[0], "missing", f"all of {', '.join(group)} or none")
        for name in ("heading_uncertainty_rad", "velocity_uncertainty_m_s"):
            if getattr(self, name) is not None:
                _number(self, name, low=0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Water:
    """The water between array and seabed, as the recording believes it."""

    sound_speed_m_s: float
    absorption_db_m: float | None = None
    """One way; 0 for none, None where it is to be computed. [dB/m]"""
    depth_m: float | None = None
    """Of the seabed below the surface. [m]"""
    profile_depth_m: NDArray[np.float64] | None = None
    profile_sound_speed_m_s: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        _number(self, "sound_speed_m_s", low=1300, high=1800, remedy="Sea and fresh water lie in between.")
        if self.absorption_db_m is not None:
            _number(self, "absorption_db_m", low=0, high=10)
        if self.depth_m is not None:
            _number(self, "depth_m", low=0, open_low=True)
        if (self.profile_depth_m is None) != (self.profile_sound_speed_m_s is None):
            _fail(self, "profile_depth_m", "without its partner", "both profile columns or none")
        if self.profile_depth_m is not None:
            depth = _array(self, "profile_depth_m", np.float64, shape=("k",))
            speed = _array(self, "profile_sound_speed_m_s", np.float64, shape=(depth.size,))
            _finite(self, "profile_depth_m", depth)
            if depth.size < 1 or np.any(np.diff(depth) <= 0):
                _fail(self, "profile_depth_m", "not increasing", "strictly increasing depths")
            if not ((speed > 1300) & (speed < 1800)).all():
                _fail(self, "profile_sound_speed_m_s", "outside the range of water", "from 1300 to 1800")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ping:
    """One transmission's echoes on one side. The echo array is not copied: it may be 100 MB."""

    side: str
    number: int
    """Index of the ping in its recording, from 0."""
    time_ns: int
    """Start of transmission, nanoseconds since 1970-01-01 00:00:00Z."""
    echo: NDArray[np.complex64]
    """(row, channel, sample), as stored: gains and scale not undone."""
    receiver_gain_db: float = 0.0

    def __post_init__(self) -> None:
        if self.side not in SIDES:
            _fail(self, "side", repr(self.side), "port, starboard")
        echo = self.echo
        if not isinstance(echo, np.ndarray) or echo.dtype != np.complex64 or echo.ndim != 3:
            raise DataError(
                f"ping.echo is {getattr(echo, 'dtype', type(echo).__name__)} of shape "
                f"{getattr(echo, 'shape', '?')}; allowed: complex64 (row, channel, sample)."
            )
        object.__setattr__(self, "time_ns", int(self.time_ns))
        _number(self, "receiver_gain_db")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Correction:
    """What estimation says about one ping of one side; the default corrects nothing."""

    side: str
    number: int
    altitude_m: float = float("nan")
    """Replaces the recording's altitude of the body origin; NaN: no opinion. [m]"""
    channel_weight: NDArray[np.complex64] | None = None
    """(row, channel) factor for each receiver's echo; None: ones. 0 leaves one out; the others' factors keep the shaded sum
    over the array."""
    channel_delay_s: NDArray[np.float64] | None = None
    """(row, channel) delay of each receiver's envelope, positive where it is late, to be undone; the phase that comes
    with a delay is in ``channel_weight``. None: no delay. [s]"""
    shift_along_m: float = 0.0
    """Added to the believed position along the heading. [m]"""
    shift_starboard_m: float = 0.0
    """Added to the believed position, to starboard of the heading. [m]"""
    shift_heading_rad: float = 0.0
    """Added to the believed heading. [rad]"""
    look_weight: float = 1.0
    """0 leaves the ping out."""
    reasons: int = 0
    """Bits that say why, as :class:`pingloom.imaging.estimate.reasons.PingReason` names them."""

    def __post_init__(self) -> None:
        if self.side not in SIDES:
            _fail(self, "side", repr(self.side), "port, starboard")
        if self.channel_weight is not None:
            _array(self, "channel_weight", np.complex64, shape=("row", "channel"))
        if self.channel_delay_s is not None:
            _finite(
                self,
                "channel_delay_s",
                _array(self, "channel_delay_s", np.float64, shape=("row", "channel")),
            )
        for name in ("shift_along_m", "shift_starboard_m", "shift_heading_rad"):
            _number(self, name)
        _number(self, "look_weight", low=0, high=1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """One ping's look of the seabed, laid on the strip grid and equalised, before any averaging."""

    side: str
    number: int
    """Index of its ping."""
    first_along: int
    """Index of the first row, as in :class:`Tile`."""
    first_across: int
    """Index of the first column, as in :class:`Tile`."""
    intensity: NDArray[np.float32]
    """(along, across) linear backscatter per unit area, noise not subtracted; NaN outside the sector."""
    noise_equivalent: NDArray[np.float32]
    """(along, across) linear backscatter whose echo equals the noise; NaN outside the sector or where unknown."""

    def __post_init__(self) -> None:
        if self.side not in SIDES:
            _fail(self, "side", repr(self.side), "port, starboard")
        shape = self.intensity.shape
        if len(shape) != 2 or self.noise_equivalent.shape != shape:
            _fail(
                self,
                "noise_equivalent",
                f"of shape {self.noise_equivalent.shape}",
                f"that of intensity, {shape}",
            )


class Quality:
    """Bits of the product's quality flags, one meaning each."""

    NOT_SEEN = 1
    """No look reached the pixel."""
    FEW_LOOKS = 2
    """Fewer than half of the looks that pixels at this range usually get."""
    BELOW_NOISE = 4
    """Noise exceeds the echo: the level was set to the smallest that can be told."""
    NOISE_UNKNOWN = 8
    """No noise could be estimated, so none was subtracted."""
    GAP_FILLED = 16
    """The value was taken from the nearest ping because none crossed the pixel."""
    PING_LEFT_OUT = 32
    """A ping that would have looked here was left out: interference, clipping, bubbles, bad navigation, no echo."""

    NAMES = {  # noqa: RUF012 - a table of the bits above
        1: "not_seen",
        2: "few_looks",
        4: "below_noise",
        8: "noise_unknown",
        16: "gap_filled",
        32: "ping_left_out",
    }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tile:
    """Finished rows of one side's strip, all (along, across) in the grid of the leg."""

    side: str
    first_along: int
    """Index of the first row: its centre lies at ``(first_along + 0.5) * along_m``. May be negative."""
    first_across: int
    """Index of the first column: its centre lies at ``(first_across + 0.5) * across_m``. Negative to port."""
    intensity: NDArray[np.float32]
    """Linear backscatter per unit area, noise subtracted; NaN where not seen."""
    looks: NDArray[np.float32]
    """Effective number of independent looks, predicted."""
    coverage: NDArray[np.uint16]
    """Number of pings averaged."""
    noise_equivalent: NDArray[np.float32]
    """Linear backscatter whose echo equals the noise; NaN where not seen or unknown."""
    quality: NDArray[np.uint8]
    """Bits of :class:`Quality`."""
    extra: dict[str, ArrayLike] = field(default_factory=dict)
    """Further (along, across) layers by name."""
    sums: dict[str, ArrayLike] = field(default_factory=dict)
    """The sums that the layers were made of, (along, across) by name, for whoever adds tiles of the same pixels."""

    def __post_init__(self) -> None:
        shape = self.intensity.shape
        for name in ("looks", "coverage", "noise_equivalent", "quality"):
            if getattr(self, name).shape != shape:
                _fail(self, name, f"of shape {getattr(self, name).shape}", f"the shape of intensity, {shape}")
