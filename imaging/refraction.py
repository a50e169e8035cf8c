"""From travel time to place in water whose sound speed changes with depth: one ping's table of rays.

The seabed point at horizontal distance X and the drop h below the array is heard after a one-way time t(X). By
Snell's law the echo's horizontal slowness p = dt/dX is the same at the seabed and at the array, and the array
measures the phase that this slowness makes along its line. So for a believed sound speed at the array the vertical slowness
q = +-sqrt(1/c_array^2 - p^2) follows, and a wrong one turns rows, roll and pitch, but not a level line's beams.

Times are kept as *travel* T = c_ref t with one reference speed, so that straight rays at that speed have T equal to
the slant range. What a strip's column needs then stays what it is along straight rays: T^2 is a quadratic in the way along
the column and the numerator of the direction cosine is linear in it, with four factors tabled against X:

    stretch = T^2/(X^2 + h^2)          curve = dT^2/dX^2 = c_ref T p/X
    level   = curve c_beams/c_ref      down  = c_beams T q/h

    u = (level (a_along d_along + a_across d_across) + down a_down d_down)/T

for the array's unit vector a and the straight way d from the array to the point. ``c_beams`` is the speed that the beam
former was planned with. With one sound speed everywhere all four are 1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from . import _refraction_kernels as kernels
from .errors import ParameterError
from .records import Water

__all__ = ["RayMode", "RayTable", "WaterColumn"]

RayMode = Literal["auto", "straight", "exact"]

_NODES = 129
_UNSEEN = 1e6
"""Stretch of a distance that no ray reaches: beyond every recorded delay."""
_LEAST_ERROR = 0.1
"""Error of straight rays, in cells, from which rays are bent."""


class RayTable(NamedTuple):
    """One ping's rays against horizontal distance."""

    step_m: float
    """Of the distances, from 0. [m]"""
    factor: NDArray[np.float64]
    """(4, node) stretch, curve, level, down."""
    slant_m: NDArray[np.float64]
    """(node,) straight distance. [m]"""
    travel_m: NDArray[np.float64]
    """(node,) one-way time times the reference speed, increasing; ends where the first ray is missing. [m]"""
    array_speed_ratio: float
    """Sound speed at the array over the beam former's."""

    def at_travel(self, travel_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Straight distance [m] and the four factors (4, n) at some travels (n,)."""
        n = self.travel_m.size
        ratio = np.interp(travel_m, self.travel_m, self.slant_m[:n] / self.travel_m)
        factor = np.stack([np.interp(travel_m, self.travel_m, row[:n]) for row in self.factor])
        return travel_m * ratio, factor


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaterColumn:
    """What the chain believes of sound speeds, and how it turns times into distances."""

    reference_m_s: float
    """Turns two-way delays into distances; the mean along the ray where a profile is known."""
    beams_m_s: float
    """That the beam former was planned with."""
    at_array_m_s: float | None
    """Set for all pings; None: the recording's, else the profile's, else the one along the ray."""
    profile_depth_m: NDArray[np.float64] | None
    profile_speed_m_s: NDArray[np.float64] | None
    exact: bool
    """Rays bent through the profile; else straight ones at the mean between array and seabed."""
    reason: str = ""
    error_cells: float = 0.0
    """Largest error of straight rays over the swath, in cells."""
    horizontal_m: NDArray[np.float64]
    """(node,) equally spaced from 0."""

    @classmethod
    def prepare(
        cls,
        water: Water,
        *,
        along_ray_m_s: float | None,
        at_array_m_s: float | None,
        measured_m_s: float | None,
        array_depth_m: float,
        altitude_m: float,
        range_m: float = 1.0,
    ) -> WaterColumn:
        """Settle the speeds, for straight rays at first; :meth:`decided` then judges whether they will do.

        Parameters
        ----------
        along_ray_m_s, at_array_m_s : float or None
            Beliefs that take the recording's place. The first also takes the place of its profile. [m/s]
        measured_m_s : float or None
            Mean of what the navigation measured at the array. [m/s]
        array_depth_m, altitude_m : float
            Usual ones, for the mean over the profile. [m]
        range_m : float
            Farthest distance that will be asked for. [m]
        """
        depth, speed = water.profile_depth_m, water.profile_sound_speed_m_s
        if along_ray_m_s is not None:
            depth = speed = None
        column = cls(
            reference_m_s=along_ray_m_s or water.sound_speed_m_s,
            beams_m_s=0.0,
            at_array_m_s=at_array_m_s,
            profile_depth_m=depth,
            profile_speed_m_s=speed,
            exact=False,
            horizontal_m=np.linspace(0.0, max(range_m, 1.0), _NODES),
        )
        mean = column.mean_speed_m_s(array_depth_m, array_depth_m + altitude_m)
        column = replace(column, reference_m_s=mean)
        return replace(column, beams_m_s=column.speed_at_array_m_s(array_depth_m, measured_m_s))

    def mean_speed_m_s(self, from_m: float, to_m: float) -> float:
        """Distance over time straight down between two depths. [m/s]"""
        if self.profile_depth_m is None:
            return self.reference_m_s
        time = np.empty(1)
        target = np.array([max(to_m, from_m + 0.01)])
        kernels.find_rays(
            self.profile_depth_m, self.profile_speed_m_s, from_m, np.array([1e-9]), target, np.empty(1), time
        )
        return float((target[0] - from_m) / time[0])

    def speed_at_array_m_s(self, depth_m: float, measured_m_s: float | None) -> float:
        """Sound speed at the array: set, else measured, else the profile's, else the one along the ray. [m/s]"""
        if self.at_array_m_s is not None:
            return self.at_array_m_s
        if measured_m_s is not None:
            return measured_m_s
        if self.profile_depth_m is None:
            return self.reference_m_s
        return float(kernels.profile_speed(self.profile_depth_m, self.profile_speed_m_s, depth_m))

    def table(
        self, array_depth_m: float, seabed_m: NDArray[np.float64], measured_m_s: float | None = None
    ) -> RayTable:
        """Table one ping's rays.

        Parameters
        ----------
        array_depth_m : float
            Mean of transmitter and receivers. [m]
        seabed_m : ndarray of float64, shape (node,)
            Depth of the seabed at :attr:`horizontal_m`. [m]
        measured_m_s : float or None
            At the array. [m/s]
        """
        x = np.maximum(self.horizontal_m, 1e-4)
        drop = np.maximum(seabed_m - array_depth_m, 1e-3)
        c_array = self.speed_at_array_m_s(array_depth_m, measured_m_s)
        launch = time = np.empty(0)
        c = c_profile = self.reference_m_s
        if self.exact:
            launch, time = np.empty(x.size), np.empty(x.size)
            kernels.find_rays(
                self.profile_depth_m,
                self.profile_speed_m_s,
                array_depth_m,
                x,
                array_depth_m + drop,
                launch,
                time,
            )
            c_profile = kernels.profile_speed(self.profile_depth_m, self.profile_speed_m_s, array_depth_m)
        else:
            c = self.mean_speed_m_s(array_depth_m, array_depth_m + float(drop[0]))
        slant, travel, factor = np.empty(x.size), np.empty(x.size), np.empty((4, x.size))
        n = kernels.tabulate_factors(
            x,
            drop,
            launch,
            time,
            c_profile,
            c,
            self.reference_m_s,
            self.beams_m_s,
            c_array,
            _UNSEEN,
            slant,
            travel,
            factor,
        )
        return RayTable(
            float(self.horizontal_m[1]), factor, slant, travel[: max(n, 1)], c_array / self.beams_m_s
        )

    def table_over(
        self,
        plane: NDArray[np.float64],
        transmitter_m: NDArray[np.float64],
        array_depth_m: float,
        side_sign: int,
        measured_m_s: float | None = None,
    ) -> RayTable:
        """Table one ping's rays abeam over a plane seabed; parameters as in :meth:`table` and :class:`PingGeometry`."""
        if self.exact:
            across_m = transmitter_m[1] + side_sign * self.horizontal_m
            seabed_m = plane[0] + plane[1] * transmitter_m[0] + plane[2] * across_m
            return self.table(array_depth_m, seabed_m, measured_m_s)
        below_m = float(plane[0] + plane[1] * transmitter_m[0] + plane[2] * transmitter_m[1])
        c = self.mean_speed_m_s(array_depth_m, max(below_m, array_depth_m + 1e-3))
        c_array = self.speed_at_array_m_s(array_depth_m, measured_m_s)
        n = self.horizontal_m.size
        slant, travel, factor = np.empty(n), np.empty(n), np.empty((4, n))
        kernels.tabulate_straight(
            self.horizontal_m,
            below_m - array_depth_m,
            side_sign * float(plane[2]),
            c,
            self.reference_m_s,
            self.beams_m_s,
            c_array,
            _UNSEEN,
            slant,
            travel,
            factor,
        )
        return RayTable(float(self.horizontal_m[1]), factor, slant, travel, c_array / self.beams_m_s)

    def decided(
        self,
        mode: RayMode,
        poses: NDArray[np.float64],
        *,
        range_m: float,
        cell_m: float,
        beam: float,
        steepest_rad: float,
        pitch_rad: float,
        half_sector_rad: float,
    ) -> WaterColumn:
        """Choose straight rays where they err by less than a tenth of a cell, else exact ones.

        Parameters
        ----------
        poses : ndarray of float64, shape (k, 2)
            Depth of the array and altitude over the seabed, as they occur. [m]
        range_m : float
            End of the swath. [m]
        cell_m : float
            -3 dB width in slant range. [m]
        beam : float
            -3 dB width in direction cosine.
        pitch_rad, half_sector_rad : float
            Largest pitch, and the sector, in which beams may be misplaced along track.

        Raises
        ------
        ParameterError
            If exact rays are asked for without a profile.
        """
        if self.profile_depth_m is None:
            if mode == "exact":
                raise ParameterError(
                    "water.rays is exact, but there is no profile to bend rays through; allowed: exact with a profile "
                    "in the recording and no water.sound_speed_m_s set."
                )
            return replace(self, reason="straight: one sound speed")
        bent = replace(self, exact=True)
        error = max(
            self._error_cells(
                bent, depth, altitude, range_m, cell_m, beam, steepest_rad, pitch_rad, half_sector_rad
            )
            for depth, altitude in poses
        )
        said = (
            f"straight rays are off by up to {error:.3g} cells"
            if np.isfinite(error)
            else "shade in the swath"
        )
        if mode == "straight" or (mode == "auto" and error < _LEAST_ERROR):
            why = "asked for" if mode == "straight" else "below a tenth"
            return replace(self, reason=f"straight: {said}, {why}", error_cells=error)
        why = "asked for" if mode == "exact" else "a tenth is allowed"
        return replace(bent, reason=f"exact: {said}, {why}", error_cells=error)

    def _error_cells(
        self, bent, depth, altitude, range_m, cell_m, beam, steepest_rad, pitch_rad, half_sector_rad
    ) -> float:
        seabed = np.full(self.horizontal_m.size, depth + altitude)
        ours, true = self.table(depth, seabed), bent.table(depth, seabed)
        n = true.travel_m.size
        used = (altitude / ours.slant_m < np.sin(steepest_rad)) & (self.horizontal_m <= range_m)
        if used[n:].any():
            return float("inf")
        used = used[:n]
        slant = ours.slant_m[:n]
        # Ranges are compared on the slant, where error and cell are both shorter than on the ground by the same cosine.
        in_range = np.abs(ours.travel_m[:n] - true.travel_m) / cell_m
        level, down = (
            np.abs(ours.factor[k, :n] / ours.travel_m[:n] - true.factor[k, :n] / true.travel_m)
            for k in (2, 3)
        )
        in_direction = (
            np.sin(half_sector_rad) * slant * level + abs(np.sin(pitch_rad)) * altitude * down
        ) / beam
        return float(np.max(np.where(used, np.maximum(in_range, in_direction), 0.0)))
