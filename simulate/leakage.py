"""What one side hears of the other: sound by the back of its pattern, and currents from the other side's channels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Sonar

from .scenario import Scenario

__all__ = ["crosstalk", "mixed", "strayed"]


def strayed(scenario: Scenario, sonar: Sonar) -> tuple[Sonar, float] | None:
    """Return what stands for a side's hearing of the other: an array and a factor on its amplitudes.

    The array has this side's receivers with the other side's face, so its pattern is the mirror image of its own. Where
    both sides ping, it hears the other's transmitter; where one does, its own pulse has gone there by the back of its
    transmitter too. An own echo's small addition by the other side's pulse that strays to this side is left out: it
    comes in the same time as the echo, weaker by the response to the other side.

    Returns
    -------
    (Sonar, float) or None
        None where the scenario has no leakage of sound.
    """
    if scenario.leakage is None or scenario.leakage.acoustic_db is None:
        return None
    other = "port" if sonar.side == "starboard" else "starboard"
    factor = 10 ** (scenario.leakage.acoustic_db / 20)
    if scenario.sonar.sides != "both":
        return replace(sonar, side=other), factor**2
    sent = sonar.transmit_position_m * np.array([1.0, -1.0, 1.0])  # the sides are mirror images
    return replace(sonar, side=other, transmit_position_m=sent), factor


def crosstalk(scenario: Scenario) -> complex | None:
    """Return the factor with which each side's signals enter the other's; None where there is none."""
    table = scenario.leakage
    if table is None or table.electrical_db is None:
        return None
    return 10 ** (table.electrical_db / 20) * np.exp(1j * np.deg2rad(table.electrical_phase_deg))


def mixed(pressure: list[NDArray[np.complex64]], factor: complex) -> list[NDArray[np.complex64]]:
    """Add to both sides' signals, (row, channel, sample), the other's times ``factor``, channel by channel."""
    one, two = pressure
    weight = np.complex64(factor)
    return [one + weight * two, two + weight * one]
