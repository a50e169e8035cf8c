"""On how many delays geometry and level are tabled: on more where a tall aperture's lobes follow each other quickly.

The level is read linearly between the nodes. Near the vehicle the seabed's direction sweeps fast through the vertical
patterns, and beside a null the level climbs and falls within decimetres of range, where nodes half a metre apart would raise it
by up to 10 dB.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .radiometry import LEAST_GAIN, pattern_gain
from .records import Sonar

__all__ = ["level_delays"]

_STEP_M = 0.75
_FEWEST, _USUAL, _MOST = 48, 256, 1024
_TIMES = (1, 2, 4, 8, 16)
_FINE = 64
"""Places in a usual step on which the reading is tried."""
_WITHIN_DB, _BUT_FOR = 0.2, 0.04
"""The level is read within so much, but for this part of the swath: within a null itself no step is fine enough."""


def level_delays(
    sonar: Sonar,
    first_s: float,
    last_s: float,
    *,
    sound_speed_m_s: float,
    wavelength_m: float,
    altitude_m: float,
    steepest_rad: float,
) -> tuple[NDArray[np.float64], int]:
    """Delays at which geometry and level are tabled, and how many of their steps make a usual one.

    Parameters
    ----------
    altitude_m : float
        Least height over the seabed: there directions change fastest.
    steepest_rad : float
        Grazing angle up to which the seabed is imaged.

    Returns
    -------
    (ndarray of float64, shape (node,), int)
    """
    n_node = int(np.clip((last_s - first_s) * sound_speed_m_s / 2 / _STEP_M, _FEWEST, _USUAL))
    range_m = np.linspace(first_s, last_s, (n_node - 1) * _FINE + 1) * sound_speed_m_s / 2
    seen = range_m * np.sin(steepest_rad) >= altitude_m
    sine = np.sin(sonar.depression_rad - np.arcsin(np.minimum(altitude_m / np.maximum(range_m, 1e-3), 1.0)))
    gain = pattern_gain(sonar.pattern_transmit_vertical, float(sonar.transmit_size_m[1]), wavelength_m, sine)
    gain *= pattern_gain(sonar.pattern_receive_vertical, float(sonar.receive_size_m[1]), wavelength_m, sine)
    lift = range_m**1.5 / np.sqrt(np.maximum(gain, LEAST_GAIN))
    fits = [times for times in _TIMES if (n_node - 1) * times < _MOST]
    for times in fits:
        step = _FINE // times
        read = np.interp(range_m, range_m[::step], lift[::step])
        off = 20 * np.abs(np.log10(read[seen] / lift[seen]))
        if not off.size or np.mean(off > _WITHIN_DB) <= _BUT_FOR:
            break
    return np.linspace(first_s, last_s, (n_node - 1) * times + 1), times
