"""Conventions of axes, signs and units, stated once. Tests in ``tests/unit/test_conventions.py`` pin them.

Units
    SI and radians inside. Degrees, knots and decibels appear only in names that say so.
Body frame
    Forward, starboard, down; the origin is the point whose north, east and depth the navigation gives.
World frame
    Local level north, east, down, tied to the globe by a geodetic origin.
Angles
    Heading is clockwise from true north; yaw, pitch, roll are intrinsic, in that order; pitch is positive
    bow up, roll is positive to starboard.
Altitude
    Of the body origin, straight down to the seabed.
Strip frame
    One per straight leg: along track forward, across track positive to starboard. Images are (along, across).
Raw arrays
    (ping, row, channel, sample); channels from aft to fore, rows from bottom to top.
Phase
    Passband signals go as exp(+2j pi f t); the demodulating oscillator runs at the centre frequency f0 and
    has phase zero at the start of each transmission, so an echo of two-way delay tau has the baseband phase
    exp(-2j pi f0 tau).
Delay
    From the start of the pulse to the start of its echo. Geometry is taken at the pulse's centre: the
    transmitter at ping_time + T/2, a receiver at ping_time + T/2 + tau.
Amplitude
    Peak values of the analytic signal; intensity is |amplitude|^2, and a mean square pressure is half of it.
Look coordinates
    (two-way delay at the array's centre, direction cosine to the array's axis, positive forward).
Pattern angles
    Along: from the array normal, positive forward. Vertical: from the array normal, positive upward.
"""

from __future__ import annotations

from typing import Literal

__all__ = ["NANOSECONDS_PER_SECOND", "SIDES", "SIDE_SIGN", "Side"]

Side = Literal["port", "starboard"]

SIDES: tuple[Side, Side] = ("port", "starboard")

SIDE_SIGN: dict[str, int] = {"port": -1, "starboard": 1}
"""Sign of the across-track coordinate on each side."""

NANOSECONDS_PER_SECOND = 1_000_000_000
