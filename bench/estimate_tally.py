"""Counts and figures of what the estimators said of one side, gathered ping by ping."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pingloom.imaging.estimate.channels import ChannelFix
from pingloom.imaging.estimate.motion import MotionFix
from pingloom.imaging.estimate.reasons import PingReason
from pingloom.imaging.estimate.side import Told

__all__ = ["Tally"]

_NOTHING_WRONG = ("no look before it",)
"""What an estimator says without having declined anything."""


@dataclass(slots=True, eq=False)
class Tally:
    """Sums over the pings so far; memory does not grow with them."""

    n_ping: int = 0
    n_left_out: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    refusals: Counter[str] = field(default_factory=Counter)
    n_altitude: int = 0
    apart: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    """Number, sum and sum of squares of echo less given altitude."""
    channels: ChannelFix | None = None
    motion: MotionFix | None = None
    n_motion: int = 0
    n_match: int = 0
    correlation: float = 0.0
    square: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    """Of shifts along and to starboard, and of turns."""

    def add(self, told: Told) -> None:
        """Count one ping."""
        self.n_ping += 1
        self.n_left_out += told.correction.look_weight == 0
        self.reasons.update(PingReason.words(told.correction.reasons))
        if told.bottom is not None and np.isfinite(told.bottom.altitude_m):
            self.n_altitude += 1
            off = told.bottom.altitude_m - told.given_altitude_m
            if np.isfinite(off):
                self.apart = [a + b for a, b in zip(self.apart, (1, off, off**2), strict=True)]
        if told.channels is not None:
            self.channels = told.channels
        if told.motion is not None:
            self._add_motion(told.motion)

    def _add_motion(self, fix: MotionFix) -> None:
        self.motion = fix
        self.n_motion += 1
        shift = fix.along_m, fix.starboard_m, fix.heading_rad
        self.square = [a + b**2 for a, b in zip(self.square, shift, strict=True)]
        if fix.match is not None and not fix.match.reason:
            self.n_match += 1
            self.correlation += fix.match.correlation
        if fix.reason and fix.reason not in _NOTHING_WRONG:
            self.refusals[fix.reason] += 1

    def as_dict(self) -> dict[str, Any]:
        """For people and for ``--json``; None where nothing is known."""
        channel, motion = self.channels, self.motion
        n, total, square = self.apart
        told = channel is not None and channel.weight is not None
        rms = [float(np.sqrt(s / self.n_motion)) if self.n_motion else None for s in self.square]
        return {
            "pings": self.n_ping,
            "left_out": self.n_left_out,
            "reasons": dict(sorted(self.reasons.items())),
            "altitude_fixes": self.n_altitude,
            "echo_less_given_altitude_mean_m": total / n if n else None,
            "echo_less_given_altitude_rms_m": float(np.sqrt(square / n)) if n else None,
            "receivers_left_out": [] if channel is None else np.argwhere(~channel.live).tolist(),
            "receiver_gain_rms_db": None if channel is None else float(np.nanstd(channel.gain_db)),
            "receiver_phase_rms_deg": _rms(channel, "phase_rad", np.rad2deg) if told else None,
            "receiver_phase_std_deg": _rms(channel, "phase_std_rad", np.rad2deg) if told else None,
            "receiver_delay_rms_us": _rms(channel, "delay_s", lambda s: 1e6 * s) if told else None,
            "receiver_pieces": None if channel is None else channel.n_piece,
            "receiver_pieces_untied": None if channel is None else channel.n_untied,
            "looks_matched": self.n_match,
            "look_correlation": self.correlation / self.n_match if self.n_match else None,
            "shift_rms_m": rms[:2],
            "turn_rms_rad": rms[2],
            "latency_s": None if motion is None else motion.latency_s,
            "latency_std_s": None
            if motion is None or not np.isfinite(motion.latency_std_s)
            else motion.latency_std_s,
            "refusals": dict(self.refusals),
        }


def _rms(fix: ChannelFix, name: str, unit) -> float:
    return float(unit(np.sqrt(np.mean(getattr(fix, name)[fix.live] ** 2))))
