"""What theory expects of an image of the scenes: widths, levels, numbers of looks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .echo_sum import Pose, Sonar, axes, place, replica
from .seabed import Box, Patch, hidden

__all__ = [
    "along_width",
    "coherent_width",
    "effective_looks",
    "half_sector",
    "pings_that_see",
    "predicted_looks",
    "range_equivalent_width",
    "shadow_contrast",
    "slant_width",
    "speckle_level",
]

HALF_POWER = 0.8859  # full -3 dB width of sinc^2 in units of its first zero: 2 x 0.44295


def slant_width(sonar: Sonar, sound_speed_m_s: float) -> float:
    """-3 dB width in slant range without window: 0.886 c / 2B."""
    return HALF_POWER * sound_speed_m_s / (2 * sonar.bandwidth_hz)


def along_width(sonar: Sonar, slant_range_m: NDArray, sound_speed_m_s: float) -> NDArray:
    """-3 dB width along track of one focused look, uniform receivers: 0.886 lambda R / L."""
    return HALF_POWER * sound_speed_m_s / sonar.middle_hz * np.asarray(slant_range_m) / sonar.array_length_m


def half_sector(sonar: Sonar, sound_speed_m_s: float) -> float:
    """Half of the transmitter's -3 dB width. [rad]"""
    return 0.443 * sound_speed_m_s / sonar.middle_hz / sonar.transmit_size_m[0]


def coherent_width(sonar: Sonar, sound_speed_m_s: float, half_sector_rad: float) -> float:
    """-3 dB width along track of the coherent sum: the sector's band of wavenumbers, evenly filled."""
    return HALF_POWER * sound_speed_m_s / sonar.middle_hz / (4 * np.sin(half_sector_rad))


def range_equivalent_width(sonar: Sonar, sound_speed_m_s: float) -> float:
    """Integral of the squared compressed pulse over slant range, peak 1; near c / 2B. [m]"""
    pulse = replica(sonar)
    power = np.abs(np.fft.fft(pulse, 16 * pulse.size)) ** 2
    n_equivalent = power.size * np.sum(power**2) / np.sum(power) ** 2  # in samples
    return n_equivalent * sonar.sample_interval_s * sound_speed_m_s / 2


def speckle_level(
    sonar: Sonar, slant_range_m: NDArray, height_m: float, backscatter: float, sound_speed_m_s: float
) -> NDArray:
    """Mean intensity of a uniform seabed where a unit scatterer reads 1: backscatter x cell area.

    The cell is (range width / cosine of grazing) x (lambda R / L), both as integrals of the response.
    """
    r = np.asarray(slant_range_m)
    cosine = np.sqrt(1 - (height_m / r) ** 2)
    along = sound_speed_m_s / sonar.middle_hz * r / sonar.array_length_m
    return backscatter * range_equivalent_width(sonar, sound_speed_m_s) / cosine * along


def effective_looks(position_m: NDArray, array_length_m: float) -> float:
    """N^2 / sum rho^2 for looks from positions along track, rho = max(0, 1 - 2 |d| / L).

    Uniform receivers and a small transmitter moving with them.
    """
    d = np.abs(position_m[:, None] - position_m[None, :])
    rho = np.maximum(0.0, 1 - 2 * d / array_length_m)
    return float(position_m.size**2 / np.sum(rho**2))


def pings_that_see(
    sonar: Sonar, pose: Pose, ping_time_s: NDArray, point_m: NDArray, half_sector_rad: float
) -> NDArray[np.intp]:
    """Indices of pings with the point inside the sector of the transmitter and on the sonar's side."""
    seen = []
    for i, t in enumerate(ping_time_s):
        now = np.array(t + sonar.duration_s / 2)
        forward, starboard, _ = axes(*pose(now)[3:])
        ray = point_m - place(pose, now, sonar.transmit_position_m)
        ray /= np.linalg.norm(ray)
        abeam = ray @ starboard * (1 if sonar.side == "starboard" else -1)
        if abs(np.arcsin(ray @ forward)) <= half_sector_rad and abeam > 0:
            seen.append(i)
    return np.array(seen, np.intp)


def predicted_looks(
    sonar: Sonar,
    pose: Pose,
    ping_time_s: NDArray,
    point_m: NDArray,
    half_sector_rad: float,
    course_rad: float,
) -> float:
    """Effective number of looks at a point, from where the pings that see it were sent."""
    seen = pings_that_see(sonar, pose, ping_time_s, point_m, half_sector_rad)
    if seen.size == 0:
        return 0.0
    where = pose(ping_time_s[seen])
    return effective_looks(
        where[0] * np.cos(course_rad) + where[1] * np.sin(course_rad), sonar.array_length_m
    )


def shadow_contrast(
    sonar: Sonar,
    pose: Pose,
    ping_time_s: NDArray,
    points_m: NDArray,
    half_sector_rad: float,
    box: Box,
    patch: Patch,
    sound_speed_m_s: float,
) -> float:
    """Mean intensity of points (n, 3) over that without the box, all looks averaged.

    Each look weighs the seabed along the line square to its ray by the array's response,
    sinc^2(x L / (lambda R)); what the box hides from that ping's transmitter gives nothing.
    Leakage along range is left out.
    """
    x = np.linspace(-1.1, 1.1, 441)
    ratio = []
    for point in points_m:
        for i in pings_that_see(sonar, pose, ping_time_s, point, half_sector_rad):
            eye = place(pose, np.array(ping_time_s[i] + sonar.duration_s / 2), sonar.transmit_position_m)
            ray = point - eye
            square = np.array([-ray[1], ray[0], 0.0]) / np.hypot(ray[0], ray[1])
            scale = sonar.array_length_m * sonar.middle_hz / (sound_speed_m_s * np.linalg.norm(ray))
            response = np.sinc(x * scale) ** 2
            seen = ~hidden(eye, point + x[:, None] * square, box, patch)
            ratio.append(np.sum(response * seen) / np.sum(response))
    return float(np.mean(ratio))
