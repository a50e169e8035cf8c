"""How far the vehicle's motion within the pulse moves echoes, were it left in."""

from __future__ import annotations

import numpy as np

from .beamform import Beamformer
from .compress import Compressor, doppler_coupling_s
from .frames import Trajectory
from .lay import pulse_width
from .records import Sonar

__all__ = ["pulse_motion_cells"]


def pulse_motion_cells(
    sonar: Sonar, compressor: Compressor, beamformer: Beamformer, trajectory: Trajectory, steepest_rad: float
) -> float:
    """Largest shift in range by the Doppler of a look, in -3 dB cells: closing speed x f T/B, at the edges of the image.

    Parameters
    ----------
    steepest_rad : float
        Grazing angle down to which there is an image: what heave is felt under.
    """
    heading, rate = trajectory.value[:, 3], trajectory.rate
    down = np.abs(rate[:, 2])
    ahead = np.abs(np.cos(heading) * rate[:, 0] + np.sin(heading) * rate[:, 1])
    abeam = np.abs(np.cos(heading) * rate[:, 1] - np.sin(heading) * rate[:, 0])
    closing = ahead * np.sin(beamformer.sector_half_rad) + np.maximum(abeam, down * np.sin(steepest_rad))
    speed = beamformer.wavelength_m * compressor.carrier_hz
    # A closing speed v shifts the delay by 2 v/c f T/B.
    return float(2 * closing.max() / speed * abs(doppler_coupling_s(sonar)) / pulse_width(compressor))
