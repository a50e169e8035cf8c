"""Echoes of point scatterers as an exact sum in the frequency domain, in float64.

Conventions restated here:

- Body axes forward, starboard, down; world axes north, east, down. Heading clockwise from north, then
  pitch (bow up positive), then roll (starboard side down positive), each about the axis just turned.
- Passband exp(+2j pi f t), oscillator at ``centre_hz`` with phase zero at the start of transmission: an
  echo of delay tau carries exp(-2j pi centre_hz tau).
- The geometry of a delay is that of the pulse's centre: transmitter at t0 + T/2, receiver at
  t0 + T/2 + tau. Sample n lies ``first_sample_delay_s`` + n ``sample_interval_s`` after t0.
- A point of amplitude 1 returns amplitude 1/(r_tx r_rx) on the axis of every aperture: the source has
  amplitude 1 at 1 m. Amplitudes are peak values of the analytic signal.
- Apertures are uniform: amplitude sinc(size x direction cosine / wavelength) along and across the
  aperture, with the wavelength at the middle of the sweep where the aperture is, in the direction of the ray there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .gridding import gridded_spectrum

__all__ = [
    "Pose",
    "Sonar",
    "Water",
    "axes",
    "delays",
    "departure",
    "echoes",
    "gains",
    "place",
    "replica",
    "speed_at",
    "transform_length",
    "travel_time",
]

# Pose: time [s] of any shape -> (6, *shape): north, east, depth [m], heading, pitch, roll [rad].
Pose = Callable[[NDArray[np.float64]], NDArray[np.float64]]

DELAY_TOLERANCE_S = 1e-12


@dataclass(frozen=True, kw_only=True)
class Sonar:
    """One side of the sonar; names and meanings follow the recording, SI and radians."""

    side: str  # "port" or "starboard"
    f_start_hz: float
    f_stop_hz: float  # below f_start_hz: a down-sweep
    duration_s: float
    centre_hz: float
    sample_interval_s: float
    first_sample_delay_s: float
    n_sample: int
    transmit_position_m: NDArray[np.float64]  # (3,)
    transmit_size_m: tuple[float, float]  # along, vertical
    receive_size_m: tuple[float, float]
    depression_rad: float
    element_position_m: NDArray[np.float64]  # (row, channel, 3)
    element_delay_s: NDArray[np.float64] | None = None  # (row, channel), added to every echo's delay
    # "transmit_along", "receive_vertical", ... -> (2, n) angle [rad], one-way gain [dB]; else the sinc
    pattern: dict[str, NDArray[np.float64]] = field(default_factory=dict)

    @property
    def bandwidth_hz(self) -> float:
        return abs(self.f_stop_hz - self.f_start_hz)

    @property
    def middle_hz(self) -> float:
        return 0.5 * (self.f_start_hz + self.f_stop_hz)

    @property
    def array_length_m(self) -> float:
        """Length of the filled receive array, outer edge to outer edge."""
        forward = self.element_position_m[..., 0]
        return float(np.ptp(forward) + self.receive_size_m[0])

    @property
    def normal(self) -> NDArray[np.float64]:
        """Unit normal of the apertures in the body frame: abeam, tilted down."""
        abeam = {"starboard": 1.0, "port": -1.0}[self.side]
        return np.array([0.0, abeam * np.cos(self.depression_rad), np.sin(self.depression_rad)])

    @property
    def vertical(self) -> NDArray[np.float64]:
        """Unit vector across the aperture, square to normal and forward, pointing downwards."""
        abeam = {"starboard": 1.0, "port": -1.0}[self.side]
        return np.array([0.0, -abeam * np.sin(self.depression_rad), np.cos(self.depression_rad)])


@dataclass(frozen=True, kw_only=True)
class Water:
    """Sound speed c(depth) = ``sound_speed_m_s`` + ``gradient_per_s`` x depth, and absorption."""

    sound_speed_m_s: float = 1500.0  # at depth 0
    gradient_per_s: float = 0.0
    absorption_db_m: float = 0.0  # one way


def replica(sonar: Sonar) -> NDArray[np.complex128]:
    """Return the transmitted sweep at baseband, sampled on 0 <= t <= duration, shape (n,)."""
    # The small addend keeps the last sample when duration / interval is whole but for rounding.
    n = int(np.floor(sonar.duration_s / sonar.sample_interval_s + 1e-9)) + 1
    t = np.arange(n) * sonar.sample_interval_s
    slope = (sonar.f_stop_hz - sonar.f_start_hz) / sonar.duration_s
    return np.exp(2j * np.pi * ((sonar.f_start_hz - sonar.centre_hz) * t + 0.5 * slope * t**2))


def axes(heading: NDArray, pitch: NDArray, roll: NDArray) -> NDArray[np.float64]:
    """Return the body's forward, starboard and down axes in north, east, down; shape (3, 3, ...).

    First index: which body axis; second: world component.
    """
    ch, sh, cp, sp, cr, sr = (f(a) for a in (heading, pitch, roll) for f in (np.cos, np.sin))
    forward = np.stack([ch * cp, sh * cp, -sp])  # bow up: the forward axis points to smaller depth
    starboard = np.stack([ch * sp * sr - sh * cr, sh * sp * sr + ch * cr, cp * sr])
    down = np.stack([ch * sp * cr + sh * sr, sh * sp * cr - ch * sr, cp * cr])
    return np.stack([forward, starboard, down])


def place(pose: Pose, t: NDArray, body_m: NDArray) -> NDArray[np.float64]:
    """World position of a body-fixed point at times ``t``, shape (3, *t.shape)."""
    p = pose(np.asarray(t, float))
    return p[:3] + np.einsum("i,ij...->j...", np.asarray(body_m, float), axes(*p[3:]))


def travel_time(a: NDArray, b: NDArray, water: Water) -> NDArray[np.float64]:
    """One-way travel time between points ``a`` and ``b``, each (3, ...).

    With a constant gradient g of sound speed rays are circular arcs and the time is exactly
    arccosh(1 + g^2 d^2 / (2 c_a c_b)) / g (textbook result; e.g. Slotnick 1959, Lessons in Seismic
    Computing, cited from memory).
    """
    distance2 = np.sum((a - b) ** 2, axis=0)
    g = water.gradient_per_s
    if g == 0.0:
        return np.sqrt(distance2) / water.sound_speed_m_s
    c_a, c_b = (water.sound_speed_m_s + g * p[2] for p in (a, b))
    x = g**2 * distance2 / (2 * c_a * c_b)
    return np.log1p(x + np.sqrt(x * (x + 2))) / abs(g)  # arccosh(1 + x) without cancellation


def speed_at(depth_m: NDArray, water: Water) -> NDArray[np.float64]:
    """Sound speed at a depth. [m/s]"""
    return water.sound_speed_m_s + water.gradient_per_s * depth_m


def departure(a: NDArray, b: NDArray, water: Water) -> NDArray[np.float64]:
    """Unit vector along the ray from ``a`` to ``b``, at ``a``; each (3, ...).

    With a constant gradient g the ray is a circle's arc whose centre lies at the depth where c = 0, a height c_a/g
    above ``a``. Equal distance of both ends from it gives its offset w: 2 X w = X^2 + ((c_b/g)^2 - (c_a/g)^2) for the
    horizontal distance X. The ray stands square to the radius: down / ahead = w / (c_a/g).
    """
    chord = b - a
    if water.gradient_per_s == 0.0:
        return chord / np.sqrt(np.sum(chord**2, axis=0))
    ahead = np.hypot(chord[0], chord[1])
    reach = speed_at(a[2], water) / water.gradient_per_s
    beyond = speed_at(b[2], water) / water.gradient_per_s
    down = (ahead**2 + (beyond - reach) * (beyond + reach)) / (2 * ahead) / reach
    bent = np.stack([*np.broadcast_arrays(chord[0] / ahead, chord[1] / ahead, down)])
    return bent / np.sqrt(np.sum(bent**2, axis=0))


def delays(
    transmitter_m: NDArray,
    receiver: Callable[[NDArray], NDArray],
    points_m: NDArray,
    reception_origin_s: float,
    water: Water,
    first_guess_s: NDArray | None = None,
    back_m: NDArray | None = None,
) -> NDArray[np.float64]:
    """Solve tau = time(tx, P) + time(P, rx(origin + tau)) by iteration; ``points_m`` (3, n) -> (n,).

    ``back_m`` (3, n): where the receivers see the points, if not where the transmitter does.
    """
    outward = travel_time(points_m, transmitter_m[:, None], water)
    points_m = points_m if back_m is None else back_m
    tau = 2 * outward if first_guess_s is None else first_guess_s
    for _ in range(12):  # each pass gains a factor of speed over sound speed, 1e-3
        previous, tau = tau, outward + travel_time(points_m, receiver(reception_origin_s + tau), water)
        if np.max(np.abs(tau - previous), initial=0.0) < DELAY_TOLERANCE_S:
            return tau
    raise RuntimeError("delay did not converge: is the motion faster than sound?")


def _aperture_gain(sonar: Sonar, which: str, cosine: NDArray, size_m: float, c: NDArray) -> NDArray:
    """One-way amplitude of one direction of one aperture, by table or by the sinc of its size."""
    if which in sonar.pattern:
        angle, gain_db = sonar.pattern[which]
        return 10 ** (np.interp(np.arcsin(np.clip(cosine, -1, 1)), angle, gain_db) / 20)
    return np.sinc(size_m * cosine * sonar.middle_hz / c)


def gains(
    sonar: Sonar,
    end: str,
    position_m: NDArray,
    forward: NDArray,
    vertical: NDArray,
    points_m: NDArray,
    water: Water,
) -> NDArray[np.float64]:
    """One way's amplitude: pattern x absorption / distance; ``end`` is "transmit" or "receive"."""
    ray = points_m - position_m
    distance = np.sqrt(np.sum(ray**2, axis=0))
    size = sonar.transmit_size_m if end == "transmit" else sonar.receive_size_m
    gain = 10 ** (-water.absorption_db_m * distance / 20) / distance
    leaving = departure(np.broadcast_to(position_m, points_m.shape), points_m, water)
    c = speed_at(position_m[2], water)
    for name, axis, size_m in (("along", forward, size[0]), ("vertical", vertical, size[1])):
        cosine = np.sum(leaving * axis, axis=0)
        gain = gain * _aperture_gain(sonar, f"{end}_{name}", cosine, size_m, c)
    return gain


def _attitude(sonar: Sonar, pose: Pose, t: NDArray) -> tuple[NDArray, NDArray]:
    """Forward and vertical axis of the apertures in the world at times ``t``, each (3, *t.shape)."""
    body = axes(*pose(np.asarray(t, float))[3:])
    return body[0], np.einsum("i,ij...->j...", sonar.vertical, body)


def _polynomial(function: Callable[[NDArray], NDArray], start: float, stop: float, degree: int) -> Callable:
    """Chebyshev interpolant of a vector function of time, evaluated by Horner's rule."""
    x = np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
    middle, half = 0.5 * (start + stop), 0.5 * (stop - start)
    values = function(middle + half * x).reshape(-1, degree + 1)
    coefficient = np.linalg.solve(np.vander(x), values.T)  # highest power first

    def evaluate(t: NDArray) -> NDArray:
        s = (t - middle) / half
        result = np.empty((values.shape[0], *s.shape))
        for component, c in zip(result, coefficient.T, strict=True):
            component[:] = c[0]
            for next_c in c[1:]:
                component *= s
                component += next_c
        return result

    return evaluate


def transform_length(least: int) -> int:
    """Smallest odd product of 3, 5 and 7 that is at least ``least``: odd, so no bin is its own mirror."""
    powers = (3**i * 5**j * 7**k for i in range(16) for j in range(11) for k in range(9))
    return min(n for n in powers if n >= least)


def _exact_spectrum(position: NDArray, weight: NDArray, frequency: NDArray) -> NDArray[np.complex128]:
    """Sum weight exp(-2j pi frequency position), one block of points at a time to spare memory."""
    total = np.zeros(frequency.size, complex)
    for i in range(0, position.size, 256):
        part = slice(i, i + 256)
        total += np.einsum("p,pf->f", weight[part], np.exp(-2j * np.pi * np.outer(position[part], frequency)))
    return total


def _ping(
    sonar: Sonar,
    pose: Pose,
    t0: float,
    points_m: NDArray,
    amplitude: NDArray,
    water: Water,
    fast: bool,
    unit: bool,
    back_m: NDArray | None = None,
) -> tuple[NDArray, NDArray]:
    """Delays and complex weights of all points at all receivers of a ping, each (row, channel, point)."""
    back_m = points_m if back_m is None else back_m
    emission = t0 + sonar.duration_s / 2
    at = np.array(emission)
    transmitter = place(pose, at, sonar.transmit_position_m)
    outgoing = np.ones(points_m.shape[1])
    if not unit:
        forward, vertical = (v[:, None] for v in _attitude(sonar, pose, at))
        outgoing = gains(sonar, "transmit", transmitter[:, None], forward, vertical, points_m, water)
    slowest = max(np.max(travel_time(p, transmitter[:, None], water)) for p in (points_m, back_m))
    latest = emission + 2.1 * slowest + 1e-3

    def attitude(t: NDArray) -> NDArray:
        return np.concatenate(_attitude(sonar, pose, t))

    if fast:  # amplitudes need 1e-7, positions 1e-12 m
        attitude = _polynomial(attitude, emission, latest, 4)
    shape = (*sonar.element_position_m.shape[:2], points_m.shape[1])
    tau, weight = np.empty(shape), np.empty(shape, complex)
    guess = None
    for index in np.ndindex(shape[:2]):
        body = sonar.element_position_m[index]

        def receiver(t: NDArray, body: NDArray = body) -> NDArray:
            return place(pose, t, body)

        if fast:
            receiver = _polynomial(receiver, emission, latest, 7)
        guess = delays(transmitter, receiver, points_m, emission, water, guess, back_m)
        gain = outgoing
        if not unit:
            a = attitude(emission + guess)
            gain = outgoing * gains(sonar, "receive", receiver(emission + guess), a[:3], a[3:], back_m, water)
        tau[index] = guess
        if sonar.element_delay_s is not None:
            tau[index] += sonar.element_delay_s[index]
        weight[index] = amplitude * gain * np.exp(-2j * np.pi * sonar.centre_hz * tau[index])
    return tau, weight


def echoes(
    sonar: Sonar,
    pose: Pose,
    ping_time_s: NDArray,
    points_m: NDArray,
    amplitude: NDArray,
    water: Water,
    *,
    visible: NDArray[np.bool_] | None = None,
    unit_amplitude: bool = False,
    fast: bool = False,
    noise_rms: float = 0.0,
    rng: np.random.Generator | None = None,
    padding: float = 3.0,
    back_m: NDArray | None = None,
) -> NDArray[np.complex128]:
    """Return the baseband echoes of point scatterers, shape (ping, row, channel, sample).

    Parameters
    ----------
    ping_time_s : (ping,)
        Start of each transmission on the clock of ``pose``. [s]
    points_m : (point, 3)
        North, east, depth. [m]
    amplitude : complex (point,)
        Scattering amplitudes: |amplitude|^2 is the target strength as a ratio, re 1 m^2.
    visible : (ping, point), optional
        Points hidden in a ping are False.
    unit_amplitude : bool
        Leave spreading, absorption and patterns out: every echo has the scatterer's own amplitude.
    fast : bool
        Sum on an oversampled grid (relative error below 1e-6) instead of term by term.
    noise_rms : float
        White complex noise of this rms magnitude per sample, drawn from ``rng``.
    padding : float
        Extra zeros, in recorded lengths, against wrap-around of the band-limited tails. What is left
        falls as its square: 9e-5 of the rms at 3, 2e-5 at 8 (40 kHz sampling of a 30 kHz sweep).
    back_m : (point, 3), optional
        Where the receivers see the points, if not where the transmitter does: mirror images.
    """
    points = np.ascontiguousarray(np.asarray(points_m, float).reshape(-1, 3).T)
    back = points if back_m is None else np.ascontiguousarray(np.asarray(back_m, float).reshape(-1, 3).T)
    pulse = replica(sonar)
    shape = (len(ping_time_s), *sonar.element_position_m.shape[:2], sonar.n_sample)
    out = np.zeros(shape, complex)
    for i, t0 in enumerate(ping_time_s):
        seen = slice(None) if visible is None else visible[i]
        chosen = points[:, seen]
        if chosen.shape[1]:
            tau, weight = _ping(
                sonar, pose, t0, chosen, amplitude[seen], water, fast, unit_amplitude, back[:, seen]
            )
            position = (tau - sonar.first_sample_delay_s) / sonar.sample_interval_s
            out[i] = _synthesise(position, weight, pulse, sonar.n_sample, fast, padding)
    if noise_rms:
        out += noise_rms / np.sqrt(2) * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
    return out


def _synthesise(
    position: NDArray, weight: NDArray, pulse: NDArray, n_sample: int, fast: bool, padding: float
) -> NDArray[np.complex128]:
    """Add one pulse per scatterer at fractional sample ``position`` (row, channel, point)."""
    before = max(0.0, -position.min())
    last = max(n_sample, position.max() + pulse.size)
    n = transform_length(int((1 + padding) * (last + before)) + 64)
    spectrum = np.fft.fft(pulse, n)
    frequency = np.fft.fftfreq(n)  # cycles per sample
    out = np.empty((*position.shape[:2], n_sample), complex)
    for index in np.ndindex(position.shape[:2]):
        if fast:
            total = gridded_spectrum(position[index], weight[index], n)
        else:
            total = _exact_spectrum(position[index], weight[index], frequency)
        out[index] = np.fft.ifft(total * spectrum)[:n_sample]
    return out
