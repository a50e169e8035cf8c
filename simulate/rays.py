"""Rays through water whose sound speed changes with depth: times, angles and losses of the direct path.

The water is a column of layers in each of which the sound speed is linear in depth, so rays are exact (arcs of circles,
:mod:`pingloom.simulate._ray_kernels`). Depths are positive down; angles are those of the travelling ray below the
horizontal, so a ray that rises has negative ones.

What counts as the direct path: the family of rays that begins with the one straight from end to end above each other and
widens without a break. It goes through rays that turn once, above the upper or below the lower end, as long as they stay
in the column, and ends where no ray comes back or at its first caustic. Beyond that the target lies in shadow: no direct
path, NaN here, no echo in the simulator. Other families (ducts, second arrivals behind a caustic) are not followed.

Paths that are reflected at surface or seabed are direct paths through a column that is unfolded there: the mirror image
of a source at depth z in the surface lies at -z, in a level seabed at depth H at 2 H - z, and the water of
:meth:`Column.unfolded` is mirrored with it. Time, length, spreading and absorption of the reflected path are those of the
direct one from the image; of the angles, one at an image's end has to be mirrored back (its sign changes for an odd
number of mirrors); the grazing angle at a mirror is ``Rays.angle_at`` its depth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import ParameterError

from ._ray_kernels import COLUMNS, eigenrays_each

__all__ = ["Column", "Rays", "eigenrays"]


class Rays(NamedTuple):
    """Direct paths; arrays of the broadcast shape of what was asked, NaN in the shadow."""

    time_s: NDArray[np.float64]
    launch_rad: NDArray[np.float64]
    """Of the ray below the horizontal at the source."""
    arrival_rad: NDArray[np.float64]
    """The same at the target, in the direction of travel: the grazing angle on a level seabed."""
    spreading_m: NDArray[np.float64]
    """Amplitude falls as its reciprocal; the straight distance in water of one sound speed. The same both ways."""
    absorption_neper: NDArray[np.float64]
    length_m: NDArray[np.float64]
    ray_parameter_s_m: NDArray[np.float64]
    """cos(angle) / sound speed, everywhere on the ray."""

    def angle_at(self, sound_speed_m_s: ArrayLike) -> NDArray[np.float64]:
        """Angle to the horizontal, unsigned, where the sound speed is ``sound_speed_m_s``; NaN where no ray comes. [rad]"""
        with np.errstate(invalid="ignore"):
            return np.arccos(self.ray_parameter_s_m * np.asarray(sound_speed_m_s, dtype=np.float64))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Column:
    """The water from surface to seabed, or an unfolded one that goes beyond them.

    Beyond its ends the end values hold for sources and targets there, but no ray may turn there.
    """

    depth_m: NDArray[np.float64]
    """(k,) strictly increasing, at least two. [m]"""
    sound_speed_m_s: NDArray[np.float64]
    """(k,) linear in between. [m/s]"""
    absorption_neper_m: NDArray[np.float64]
    """(k - 1,) of each layer, on one way. [Np/m]"""

    def __post_init__(self) -> None:
        for name in ("depth_m", "sound_speed_m_s", "absorption_neper_m"):
            array = np.array(getattr(self, name), dtype=np.float64)
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        k = self.depth_m.size
        shapes = self.depth_m.shape, self.sound_speed_m_s.shape, self.absorption_neper_m.shape
        if k < 2 or shapes != ((k,), (k,), (k - 1,)):
            raise ParameterError(
                f"column has shapes {shapes}; allowed: (k,), (k,), (k - 1,) with k at least 2."
            )
        if not (np.isfinite(self.depth_m).all() and (np.diff(self.depth_m) > 0).all()):
            raise ParameterError("column.depth_m doesn't increase; allowed: strictly increasing depths.")
        if not ((self.sound_speed_m_s > 0) & np.isfinite(self.sound_speed_m_s)).all():
            raise ParameterError("column.sound_speed_m_s isn't above 0 everywhere; allowed: above 0.")

    @classmethod
    def uniform(cls, sound_speed_m_s: float, bottom_m: float, absorption_neper_m: float = 0.0) -> Column:
        """Return water of one sound speed from the surface down to ``bottom_m``."""
        return cls(
            depth_m=np.array([0.0, bottom_m]),
            sound_speed_m_s=np.full(2, sound_speed_m_s),
            absorption_neper_m=np.array([absorption_neper_m]),
        )

    def sound_speed_at(self, depth_m: ArrayLike) -> NDArray[np.float64]:
        """Sound speed at depths; the end values hold beyond the ends. [m/s]"""
        return np.interp(depth_m, self.depth_m, self.sound_speed_m_s)

    def unfolded(self, *, above: int = 0, below: int = 0) -> Column:
        """Return the column with its mirror images stacked on it.

        Parameters
        ----------
        above, below : int
            How many: 1 above reaches from minus the seabed's depth, for one reflection at the surface; 1 below down to
            twice the seabed's depth (if the column begins at 0), for one at the seabed; images alternate, so 2 above and 2
            below serve every path with up to four reflections.
        """
        if above < 0 or below < 0:
            raise ParameterError(f"above = {above}, below = {below}; allowed: from 0.")
        top, bottom = self.depth_m[0], self.depth_m[-1]
        depth, speed, loss = [], [], []
        for image in range(-above, below + 1):
            turned = slice(None, None, -1 if image % 2 else 1)
            own = self.depth_m - top if image % 2 == 0 else bottom - self.depth_m
            start = top + image * (bottom - top)
            skip = 1 if depth else 0  # mirrors are shared
            depth.append((start + own)[turned][skip:])
            speed.append(self.sound_speed_m_s[turned][skip:])
            loss.append(self.absorption_neper_m[turned])
        return Column(
            depth_m=np.concatenate(depth),
            sound_speed_m_s=np.concatenate(speed),
            absorption_neper_m=np.concatenate(loss),
        )


def eigenrays(
    column: Column, source_depth_m: ArrayLike, target_depth_m: ArrayLike, horizontal_m: ArrayLike
) -> Rays:
    """Return the direct paths between sources and targets.

    Parameters
    ----------
    column : Column
        The water; unfolded where source or target are images.
    source_depth_m, target_depth_m, horizontal_m : array_like of float64
        Broadcast against each other. Distances are not negative. [m]

    Returns
    -------
    Rays
        Times within 1e-13 s of the ray integrals; NaN where no direct path exists.
    """
    source, target, horizontal = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (source_depth_m, target_depth_m, horizontal_m))
    )
    out = np.empty((source.size, COLUMNS))
    ends = (np.array(v).ravel() for v in (source, target, horizontal))  # broadcast views don't serve
    eigenrays_each(column.depth_m, column.sound_speed_m_s, column.absorption_neper_m, *ends, out)
    return Rays(*(out[:, j].reshape(source.shape)[()] for j in range(len(Rays._fields))))
