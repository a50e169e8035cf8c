"""A plain float64 imager: every ping focused exactly on every wanted point of the ground.

Reads the recording itself. Shares no code with the simulator: rotations are matrix products here,
delays are solved by Newton's rule from the array's centre outwards, the nominal sweep is formed by summing its frequency.

Amplitudes are divided by what a unit scatterer at the point would give, so a unit scatterer reads 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

__all__ = ["Image", "Platform", "Recording", "Side", "compress", "form_image", "read_recording"]

FINER = 16  # matched filter's output is refined so often, then read by cubics: error below 1e-4
CHUNK = 4096  # pixels at a time


@dataclass(frozen=True)
class Side:
    """One side as read: attributes, datasets, and echoes with all gains and units taken out."""

    name: str
    attrs: dict
    data: dict
    echo: NDArray[np.complex128]  # (ping, row, channel, sample)
    ping_time_s: NDArray[np.float64]


@dataclass(frozen=True)
class Platform:
    """Navigation rows; columns are (row,), times in seconds after the first row."""

    time_s: NDArray[np.float64]
    column: dict

    def _slopes(self, name: str) -> NDArray:
        c = self.column
        if name in ("heading", "pitch", "roll") and f"{name}_rate" in c:
            return c[f"{name}_rate"]
        if "speed_forward" in c and name in ("north", "east", "depth"):
            cos, sin = np.cos(c["heading"]), np.sin(c["heading"])
            return {
                "north": cos * c["speed_forward"] - sin * c["speed_starboard"],
                "east": sin * c["speed_forward"] + cos * c["speed_starboard"],
                "depth": c["speed_down"],
            }[name]
        if self.time_s.size < 2:
            return np.zeros(1)
        return np.gradient(self._values(name), self.time_s, edge_order=min(2, self.time_s.size - 1))

    def _values(self, name: str) -> NDArray:
        return np.unwrap(self.column[name]) if name == "heading" else self.column[name]

    def at(self, t: NDArray) -> tuple[NDArray, NDArray]:
        """Position (..., 3) of the origin and rotation (..., 3, 3), world from body, at times ``t``."""
        t = np.asarray(t, float)
        north, east, depth, heading, pitch, roll = (
            _hermite(self.time_s, self._values(n), self._slopes(n), t)
            for n in ("north", "east", "depth", "heading", "pitch", "roll")
        )
        rotation = _about(2, heading) @ _about(1, pitch) @ _about(0, roll)
        return np.stack([north, east, depth], axis=-1), rotation


@dataclass(frozen=True)
class Recording:
    sides: dict[str, Side]
    platform: Platform
    sound_speed_m_s: float
    gradient_per_s: float
    absorption_db_m: float


@dataclass(frozen=True)
class Image:
    """What a unit scatterer makes 1; pixels as given, NaN where no ping sees them."""

    intensity: NDArray[np.float64]  # mean over pings of |look|^2
    looks: NDArray[np.complex128]  # (ping, pixel...), NaN where unseen
    coherent: NDArray[np.complex128]  # mean over pings of the looks themselves
    count: NDArray[np.int64]
    expected_gain: NDArray[np.float64]  # (ping, pixel...): what each look was divided by


def _about(axis: int, angle: NDArray) -> NDArray:
    """Rotation matrices by ``angle`` about one coordinate axis, right-handed, (..., 3, 3)."""
    j, k = (axis + 1) % 3, (axis + 2) % 3
    m = np.zeros((*np.shape(angle), 3, 3))
    m[..., axis, axis] = 1
    m[..., j, j] = m[..., k, k] = np.cos(angle)
    m[..., k, j] = np.sin(angle)
    m[..., j, k] = -np.sin(angle)
    return m


def _hermite(x: NDArray, y: NDArray, slope: NDArray, t: NDArray) -> NDArray:
    """Cubic Hermite between rows, straight on with the end slopes beyond them."""
    if x.size == 1:
        return y[0] + slope[0] * (t - x[0])
    i = np.clip(np.searchsorted(x, t) - 1, 0, x.size - 2)
    h = x[i + 1] - x[i]
    s = np.clip((t - x[i]) / h, 0, 1)
    inside = (
        y[i] * (1 + 2 * s) * (1 - s) ** 2
        + y[i + 1] * s**2 * (3 - 2 * s)
        + h * s * (1 - s) * (slope[i] * (1 - s) - slope[i + 1] * s)
    )
    return inside + slope[-1] * np.maximum(t - x[-1], 0) + slope[0] * np.minimum(t - x[0], 0)


# ---- reading


def read_recording(path: Path) -> Recording:
    """Read a recording, or a folder of segments in order of name."""
    path = Path(path)
    files = sorted(path.iterdir()) if path.is_dir() else [path]
    parts = [_read_file(f) for f in files]
    start_ns = min(int(p["platform"]["time"][0]) for p in parts)
    column = {k: np.concatenate([p["platform"][k] for p in parts]) for k in parts[0]["platform"]}
    time_s = (column.pop("time").astype(np.int64) - start_ns) * 1e-9
    sides = {}
    for name in (n for n in ("port", "starboard") if n in parts[0]):
        sides[name] = _join_sides(name, [p[name] for p in parts], start_ns)
    water = parts[0]["water"]
    speed, gradient = _linear_profile(water)
    return Recording(sides, Platform(time_s, column), speed, gradient, float(water["absorption_indicative"]))


def _read_file(path: Path) -> dict:
    """All groups of a file as {group: {name: array}}; a side keeps its attributes under "attrs"."""
    with h5py.File(path, "r") as file:
        out = {g: {k: d[()] for k, d in file[g].items()} for g in file if g != "truth"}
        for side in {"port", "starboard"} & set(out):
            out[side]["attrs"] = dict(file[side].attrs)
        out["water"].update(file["water"].attrs)
    return out


def _linear_profile(water: dict) -> tuple[float, float]:
    """Sound speed at depth 0 and its gradient; this imager knows straight profiles only."""
    if "profile_depth" not in water:
        return float(water["sound_speed_indicative"]), 0.0
    depth, speed = water["profile_depth"], water["profile_sound_speed"]
    gradient, surface = np.polyfit(depth, speed, 1)
    if np.max(np.abs(speed - surface - gradient * depth)) > 1e-6:
        raise ValueError("the reference imager handles profiles of constant gradient only")
    return float(surface), 0.0 if abs(gradient) < 1e-9 else float(gradient)


def _join_sides(name: str, parts: list[dict], start_ns: int) -> Side:
    attrs, first = parts[0]["attrs"], parts[0]
    echo = np.concatenate([_physical_echo(p) for p in parts])
    stamp = np.concatenate([p["ping_time"] for p in parts]).astype(np.int64)
    return Side(name, attrs, first, echo, (stamp - start_ns) * 1e-9)


def _physical_echo(part: dict) -> NDArray[np.complex128]:
    attrs, echo = part["attrs"], part["echo"]
    if echo.dtype == np.int16:
        echo = echo[..., 0] + 1j * echo[..., 1].astype(float)
    echo = echo.astype(complex) * attrs.get("echo_scale", 1.0)
    if "receiver_gain" in part:
        echo /= 10 ** (part["receiver_gain"][:, None, None, None] / 20)
    if "time_varied_gain" in part:
        echo /= 10 ** (part["time_varied_gain"] / 20)
    if attrs.get("echo_unit", b"count") == b"V":
        echo /= np.sqrt(2) * 10 ** ((attrs["source_level"] + attrs["receiver_sensitivity"]) / 20)
    return echo


# ---- imaging


def _replica(side: Side) -> NDArray[np.complex128]:
    if "replica" in side.data:
        return side.data["replica"].astype(complex)
    a = side.attrs
    dt, length = a["sample_interval"], a["transmit_duration_nominal"]
    n = int(np.floor(length / dt + 1e-9)) + 1
    rate = (a["transmit_frequency_stop"] - a["transmit_frequency_start"]) / length
    # The phase of a linear sweep is the sum of its frequencies at the middles of the steps.
    middle = (np.arange(n - 1) + 0.5) * dt
    step = (a["transmit_frequency_start"] - a["centre_frequency"] + rate * middle) * dt
    return np.exp(2j * np.pi * np.concatenate([[0.0], np.cumsum(step)]))


def compress(side: Side, i_ping: int) -> NDArray[np.complex128]:
    """Matched-filter one ping, refined: (row, channel, n), step sample_interval / FINER.

    A unit echo of delay tau peaks at tau with the value exp(-2j pi centre tau).
    """
    pulse = _replica(side)
    echo = side.echo[i_ping]
    n_sample = echo.shape[-1]
    n = n_sample + pulse.size + 64
    n += 1 - n % 2
    spectrum = np.fft.fft(echo, n) * np.conj(np.fft.fft(pulse, n)) / np.sum(np.abs(pulse) ** 2)
    fine = np.zeros((*echo.shape[:-1], FINER * n), complex)
    half = n // 2
    fine[..., : half + 1] = spectrum[..., : half + 1]
    fine[..., -half:] = spectrum[..., half + 1 :]
    return np.fft.ifft(fine)[..., : n_sample * FINER] * FINER


def _cubic(values: NDArray, position: NDArray) -> NDArray[np.complex128]:
    """Four-point Lagrange interpolation of ``values`` at ``position``; zero outside."""
    i = np.floor(position).astype(np.int64)
    s = position - i
    inside = (i >= 1) & (i < values.size - 2)
    i = np.clip(i, 1, values.size - 3)
    result = (
        -s * (s - 1) * (s - 2) / 6 * values[i - 1]
        + (s + 1) * (s - 1) * (s - 2) / 2 * values[i]
        - (s + 1) * s * (s - 2) / 2 * values[i + 1]
        + (s + 1) * s * (s - 1) / 6 * values[i + 2]
    )
    return np.where(inside, result, 0)


def _time_between(a: NDArray, b: NDArray, recording: Recording) -> NDArray:
    """One-way travel time; circular rays where the sound speed has a gradient."""
    d = np.linalg.norm(a - b, axis=-1)
    g = recording.gradient_per_s
    if g == 0.0:
        return d / recording.sound_speed_m_s
    c_a, c_b = (recording.sound_speed_m_s + g * p[..., 2] for p in (a, b))
    return 2 / abs(g) * np.arcsinh(0.5 * abs(g) * d / np.sqrt(c_a * c_b))


def _leaving(start: NDArray, end: NDArray, recording: Recording) -> NDArray:
    """Vector (..., 3) of the chord's length along the ray as it leaves ``start``.

    Snell's law keeps cos(dip)/c. Over an arc the dip changes evenly with the travelled angle, so the chord's dip is the
    mean of both ends' and the half difference obeys sin(half) = g chord/(2 c) cos(chord's dip)/cos(half): solved by iteration.
    """
    chord = end - start
    g = recording.gradient_per_s
    if g == 0.0:
        return chord
    length = np.linalg.norm(chord, axis=-1)
    level = np.hypot(chord[..., 0], chord[..., 1])
    mean_dip = np.arctan2(chord[..., 2], level)
    c = recording.sound_speed_m_s + g * start[..., 2]
    radius_over_cosine = c / g  # the arc's radius is this over the cosine of the dip where it starts
    half = np.zeros_like(mean_dip)
    for _ in range(30):
        half = np.arcsin(0.5 * length * np.cos(mean_dip + half) / radius_over_cosine)
    dip = mean_dip + half
    flat = np.cos(dip) / level
    bent = np.stack([chord[..., 0] * flat, chord[..., 1] * flat, np.sin(dip)], axis=-1)
    return bent * length[..., None]


def _wavelength(side: Side, depth_m: NDArray, recording: Recording) -> NDArray:
    middle_hz = 0.5 * (side.attrs["transmit_frequency_start"] + side.attrs["transmit_frequency_stop"])
    return (recording.sound_speed_m_s + recording.gradient_per_s * depth_m) / middle_hz


@dataclass(frozen=True)
class _Aperture:
    """Pattern of transmitter or receiver towards points, in the body frame."""

    side: Side
    end: str
    wavelength_m: NDArray

    def amplitude(self, ray_body: NDArray, absorption_db_m: float) -> NDArray:
        r = np.linalg.norm(ray_body, axis=-1)
        tilt = self.side.attrs["depression"]
        outward = -1.0 if self.side.name == "port" else 1.0
        across = np.array([0.0, -outward * np.sin(tilt), np.cos(tilt)])
        size = self.side.attrs[f"{self.end}_size"]
        gain = 10 ** (-absorption_db_m * r / 20) / r
        for name, cosine, length in (
            ("along", ray_body[..., 0] / r, size[0]),
            ("vertical", ray_body @ across / r, size[1]),
        ):
            table = self.side.data.get(f"pattern_{self.end}_{name}")
            if table is None:
                gain = gain * np.sinc(length * cosine / self.wavelength_m)
            else:
                gain = gain * 10 ** (np.interp(np.arcsin(cosine), table[0], table[1]) / 20)
        return gain


def _to_body(rotation: NDArray, vector: NDArray) -> NDArray:
    return np.einsum("...ji,...j->...i", rotation, vector)


def _centre_delay(
    outward_s: NDArray, points: NDArray, track, emission_s: float, recording: Recording
) -> NDArray:
    """Delay to the array's moving centre, by Newton's rule on tau - outward - return(tau)."""
    tau, step = 2 * outward_s, 1e-4
    for _ in range(3):
        here = _time_between(points, track(emission_s + tau), recording)
        ahead = _time_between(points, track(emission_s + tau + step), recording)
        tau = tau - (tau - outward_s - here) / (1 - (ahead - here) / step)
    return tau


def _one_ping(
    recording: Recording, side: Side, i_ping: int, points: NDArray, half_sector_rad: float, shading: NDArray
) -> tuple[NDArray, NDArray]:
    """Look (pixel,), NaN outside the sector, and the gain it was divided by."""
    a = side.attrs
    emission = side.ping_time_s[i_ping] + a["transmit_duration_nominal"] / 2
    origin, rotation = recording.platform.at(np.array(emission))
    transmitter = origin + rotation @ a["transmit_position"]
    ray = _to_body(rotation, points - transmitter)
    bent = _to_body(rotation, _leaving(transmitter, points, recording))
    distance = np.linalg.norm(ray, axis=-1)
    seen = np.abs(np.arcsin(ray[:, 0] / distance)) <= half_sector_rad
    seen &= ray[:, 1] * (-1 if side.name == "port" else 1) > 0
    look = np.full(points.shape[0], complex(np.nan, np.nan))
    gain = np.full(points.shape[0], np.nan)
    fine = compress(side, i_ping) if seen.any() else None
    for chosen in np.array_split(np.flatnonzero(seen), max(1, -(-seen.sum() // CHUNK))):
        if chosen.size:
            look[chosen], gain[chosen] = _focus(
                recording, side, fine, emission, transmitter, bent[chosen], points[chosen], shading
            )
    return look, gain


def _focus(
    recording: Recording,
    side: Side,
    fine: NDArray,
    emission_s: float,
    transmitter: NDArray,
    ray_tx_body: NDArray,
    points: NDArray,
    shading: NDArray,
) -> tuple[NDArray, NDArray]:
    """Sum the receivers on the points; return value over expected gain, and that gain."""
    a = side.attrs
    wavelength = _wavelength(side, transmitter[2], recording)
    outgoing = _Aperture(side, "transmit", wavelength).amplitude(ray_tx_body, recording.absorption_db_m)
    receive = _Aperture(side, "receive", wavelength)
    outward = _time_between(points, transmitter, recording)
    total, expected = np.zeros(points.shape[0], complex), np.zeros(points.shape[0])
    element = side.data["element_position"]
    centre = element.reshape(-1, 3).mean(axis=0)

    def track(t: NDArray) -> NDArray:
        origin, rotation = recording.platform.at(t)
        return origin + rotation @ centre

    # Receivers hear a point within some 10 us of the array's centre: over that, motion is straight.
    centre_tau = _centre_delay(outward, points, track, emission_s, recording)
    step = 1e-4
    origin, rotation = recording.platform.at(emission_s + centre_tau)
    later_origin, later_rotation = recording.platform.at(emission_s + centre_tau + step)
    for index in np.ndindex(fine.shape[:2]):
        if shading[index] == 0:
            continue
        start = origin + rotation @ element[index]
        velocity = (later_origin + later_rotation @ element[index] - start) / step
        tau = centre_tau
        for _ in range(3):
            receiver = start + velocity * (tau - centre_tau)[:, None]
            tau = outward + _time_between(points, receiver, recording)
        ray = _to_body(rotation, _leaving(receiver, points, recording))
        if "element_delay" in side.data:
            tau = tau + side.data["element_delay"][index]
        value = _cubic(fine[index], (tau - a["first_sample_delay"]) / a["sample_interval"] * FINER)
        total += shading[index] * value * np.exp(2j * np.pi * a["centre_frequency"] * tau)
        expected += shading[index] * outgoing * receive.amplitude(ray, recording.absorption_db_m)
    return total / expected, expected


def form_image(
    recording: Recording | Path,
    side_name: str,
    points_m: NDArray,
    *,
    half_sector_rad: float | None = None,
    shading: NDArray | None = None,
    pings: NDArray | None = None,
) -> Image:
    """Image the points of the ground from the pings that see them.

    Parameters
    ----------
    points_m : (..., 3)
        North, east, depth of each pixel. [m]
    half_sector_rad : float, optional
        Pixels within this angle of broadside, asin(along / slant range) at the transmitter, are seen;
        by default the transmitter's -3 dB half width, 0.443 wavelength / length.
    shading : (row, channel), optional
        Receiver weights; uniform by default. Receivers marked as not working get none.
    pings : optional
        Indices of the pings to use.
    """
    if not isinstance(recording, Recording):
        recording = read_recording(recording)
    side = recording.sides[side_name]
    points_m = np.asarray(points_m, float)
    points = points_m.reshape(-1, 3)
    a = side.attrs
    if half_sector_rad is None:
        middle_hz = 0.5 * (a["transmit_frequency_start"] + a["transmit_frequency_stop"])
        half_sector_rad = 0.443 * recording.sound_speed_m_s / middle_hz / a["transmit_size"][0]
    shading = np.ones(side.echo.shape[1:3]) if shading is None else np.asarray(shading, float)
    if "element_ok" in side.data:
        shading = shading * (side.data["element_ok"] != 0)
    chosen = range(side.echo.shape[0]) if pings is None else pings
    pairs = [_one_ping(recording, side, i, points, half_sector_rad, shading) for i in chosen]
    looks = np.array([p[0] for p in pairs])
    gain = np.array([p[1] for p in pairs])
    seen = np.isfinite(looks.real)
    count = seen.sum(axis=0)
    divisor = np.maximum(count, 1)
    unseen = np.where(count > 0, 0.0, np.nan)
    shape = points_m.shape[:-1]
    clean = np.where(seen, looks, 0)
    return Image(
        intensity=(np.sum(np.abs(clean) ** 2, axis=0) / divisor + unseen).reshape(shape),
        looks=looks.reshape(-1, *shape),
        coherent=(np.sum(clean, axis=0) / divisor + unseen).reshape(shape),
        count=count.reshape(shape),
        expected_gain=gain.reshape(-1, *shape),
    )
