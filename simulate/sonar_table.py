"""The table of a scenario that describes arrays, pulse and sampling."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from pingloom.imaging.conventions import SIDES

from ._checks import above_zero as _above_zero
from ._checks import refuse as _refuse
from ._checks import within as _within

__all__ = ["SonarTable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SonarTable:
    """Arrays, pulse and sampling. Positions are of the starboard side; the port side is its mirror image."""

    sides: Literal["port", "starboard", "both"] = "starboard"
    n_row: int = 1
    n_channel: int = 32
    channel_pitch_m: float = 0.01875
    row_pitch_m: float = 0.02
    """Between rows, across the array's face."""
    receive_along_m: float | None = None
    """Length of one receiver; absent: the pitch, a filled array."""
    receive_vertical_m: float = 0.003
    transmit_along_m: float = 0.028
    transmit_vertical_m: float = 0.003
    array_forward_m: float = 0.0
    """Centre of the receivers, from the origin that the navigation speaks of."""
    array_starboard_m: float = 0.0
    array_down_m: float = 0.0
    transmit_forward_m: float = 0.0
    """Centre of the transmitter, from the centre of the receivers."""
    transmit_starboard_m: float = 0.0
    transmit_down_m: float = 0.0
    depression_deg: float = 25.0
    """Of the array normal below the horizontal."""
    centre_frequency_hz: float = 450e3
    sweep_hz: float = 30e3
    """Width of the linear sweep; negative: from high to low."""
    pulse_duration_s: float = 2e-3
    pulse_taper: float = 0.0
    """Part of the pulse that is tapered by a cosine at each end, from 0 to 0.5."""
    sample_rate_hz: float = 40e3
    """Complex baseband samples a second."""
    range_start_m: float = 0.0
    """Slant range of the first sample."""
    range_stop_m: float = 60.0
    """Slant range of the last sample."""
    source_level_db: float = 200.0
    """dB re 1 uPa rms at 1 m."""

    def __post_init__(self) -> None:
        for name in ("n_row", "n_channel"):
            least = 1 if name == "n_row" else 2
            if getattr(self, name) < least:
                _refuse(f"sonar.{name}", getattr(self, name), f"at least {least}")
        _above_zero("sonar", self, "channel_pitch_m", "row_pitch_m", "receive_along_m", "receive_vertical_m")
        _above_zero("sonar", self, "transmit_along_m", "transmit_vertical_m", "pulse_duration_s")
        _above_zero("sonar", self, "centre_frequency_hz", "sample_rate_hz", "range_stop_m")
        _within("sonar", self, -90, 90, "depression_deg")
        _within("sonar", self, 0, 0.5, "pulse_taper")
        _within("sonar", self, 0, math.inf, "range_start_m")
        if not 0 < abs(self.sweep_hz) < 2 * self.centre_frequency_hz:
            _refuse(
                "sonar.sweep_hz", f"{self.sweep_hz:g}", "a sweep, narrower than twice the centre frequency"
            )
        if abs(self.sweep_hz) > self.sample_rate_hz:
            remedy = "Raise the sample rate or narrow the sweep."
            allowed = f"at least {abs(self.sweep_hz):g}, or the sweep aliases"
            _refuse("sonar.sample_rate_hz", f"{self.sample_rate_hz:g}", allowed, remedy)
        if self.range_start_m >= self.range_stop_m:
            _refuse(
                "sonar.range_start_m",
                f"{self.range_start_m:g}",
                f"below range_stop_m = {self.range_stop_m:g}",
            )
        if self.element_along_m > self.channel_pitch_m * (1 + 1e-9):
            allowed = f"at most the pitch, {self.channel_pitch_m:g}"
            _refuse("sonar.receive_along_m", f"{self.element_along_m:g}", allowed, "Receivers can't overlap.")

    @property
    def side_names(self) -> tuple[str, ...]:
        """Sides that carry an array, port before starboard."""
        return SIDES if self.sides == "both" else (self.sides,)

    @property
    def element_along_m(self) -> float:
        """Length of one receiver along track."""
        return self.channel_pitch_m if self.receive_along_m is None else self.receive_along_m

    @property
    def array_length_m(self) -> float:
        """From the outer edge of the first receiver to that of the last."""
        return self.channel_pitch_m * (self.n_channel - 1) + self.element_along_m
