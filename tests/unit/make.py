"""Small sonars for unit tests; all invented."""

from __future__ import annotations

from typing import Any

import numpy as np

from pingloom.imaging.records import Sonar

__all__ = ["make_sonar"]


def make_sonar(**changes: Any) -> Sonar:
    """A 450 kHz array of 32 receivers, starboard; any field can be changed, rows are set with ``n_row``."""
    n_row = changes.pop("n_row", 1)
    n_channel = changes.pop("n_channel", 32)
    pitch = changes.pop("pitch_m", 0.01875)
    x = (np.arange(n_channel) - (n_channel - 1) / 2) * pitch
    position = np.zeros((n_row, n_channel, 3))
    position[..., 0] = x
    side = changes.get("side", "starboard")
    tilt = changes.get("depression_rad", 0.0)
    up = np.array([0.0, (1 if side == "starboard" else -1) * np.sin(tilt), -np.cos(tilt)])
    position += (np.arange(n_row) - (n_row - 1) / 2)[:, None, None] * 0.02 * up
    fields: dict[str, Any] = dict(
        side=side,
        frequency_start_hz=435e3,
        frequency_stop_hz=465e3,
        pulse_duration_s=2e-3,
        centre_frequency_hz=450e3,
        sample_interval_s=1 / 40e3,
        first_sample_delay_s=0.0,
        n_sample=1600,
        transmit_position_m=np.zeros(3),
        transmit_size_m=np.array([0.028, 0.003]),
        receive_size_m=np.array([0.01875, 0.003]),
        depression_rad=tilt,
        element_position_m=position,
    )
    return Sonar(**{**fields, **changes})


def parts(value: np.ndarray) -> np.ndarray:
    """Real and imaginary parts (2, ...) of complex numbers, single precision."""
    return np.stack([value.real, value.imag]).astype(np.float32)


def whole(planes: np.ndarray) -> np.ndarray:
    """Complex numbers of their parts (2, ...), single precision."""
    return (planes[0] + 1j * planes[1]).astype(np.complex64)
