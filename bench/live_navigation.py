"""The navigation of a recording that grows: how far it reaches, and what of it one ping rests on."""

from __future__ import annotations

import hashlib

import numpy as np

from pingloom.imaging.errors import DataError
from pingloom.imaging.frames import Trajectory
from pingloom.imaging.records import Platform, Sonar

__all__ = ["LiveNavigation"]


class LiveNavigation:
    """The rows that there are, and whether those around a ping are final.

    Between two rows the pose is a polynomial of both rows' values and derivatives. Where the rows bring their derivatives, a
    time is settled once one row after it is there; where they come from differences, once two are.
    """

    def __init__(self, platform: Platform, water_depth_m: float | None) -> None:
        self.platform = platform
        self.trajectory = Trajectory.from_platform(platform)
        self._water_depth_m = water_depth_m
        told = platform.speed_forward_m_s is not None and platform.heading_rate_rad_s is not None
        self._after = 1 if told else 2

    def reaches(self, time_ns: int, sonar: Sonar) -> bool:
        """Whether all that a ping needs is there and will not change by rows yet to come."""
        t = self.trajectory
        begin, end = self._span(time_ns, sonar)
        if t.time_s.size < self._after or t.time_s[-self._after] <= end:
            return False
        middle = begin + sonar.pulse_duration_s / 2
        known = [times for times in (t.altitude_time_s, t.array_speed_time_s) if times.size]
        return all(times[-1] >= middle for times in known)

    def evidence(self, time_ns: int, sonar: Sonar) -> bytes:
        """Eight bytes that are the same where a ping sees the same navigation."""
        t = self.trajectory
        begin, end = self._span(time_ns, sonar)
        low = max(int(np.searchsorted(t.time_s, begin)) - 2, 0)
        high = int(np.searchsorted(t.time_s, end, side="right")) + 1
        seen = hashlib.blake2b(digest_size=8)
        for part in (t.time_s[low:high], t.value[low:high], t.rate[low:high]):
            seen.update(np.ascontiguousarray(part).tobytes())
        # A column of zeros in a file with room for all may be left out when it is closed.
        if self.platform.status is not None and self.platform.status[low:high].any():
            seen.update(np.asarray(self.platform.status[low:high], np.int64).tobytes())
        try:
            altitude = t.altitude(begin + sonar.pulse_duration_s / 2, self._water_depth_m)
        except DataError:
            altitude = np.nan
        speed = t.speed_at_array(begin)
        told = np.array([altitude, np.nan if speed is None else speed, t.covers(begin, end)], np.float64)
        seen.update(told.tobytes())
        return seen.digest()

    def _span(self, time_ns: int, sonar: Sonar) -> tuple[float, float]:
        """From the start of transmission to the last echo. [s]"""
        begin = self.trajectory.seconds(time_ns)
        listened = sonar.first_sample_delay_s + sonar.n_sample * sonar.sample_interval_s
        return begin, begin + listened + sonar.pulse_duration_s
