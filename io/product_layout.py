"""The product's layout: its variables, what they say about themselves, and its georeference.

Root attributes that say how many pings the image is made of, in products since these were introduced: ``pings`` (of the
leg), ``pings_left_out`` and ``pings_left_out_by_reason`` (JSON: words to counts). Pixels at which a rejected ping would
have looked carry the flag ``ping_left_out`` in ``quality``, whose attributes name all bits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pingloom.imaging.errors import ParameterError
from pingloom.imaging.records import Quality

__all__ = ["CHUNK", "FORMAT", "FORMAT_VERSION", "LAYERS", "READABLE", "Georeference", "layer_attributes"]

FORMAT = "product"
"""Value of the root attribute ``pingloom_format``."""
FORMAT_VERSION = 2
"""2: ``spread``, and ``largest_residual`` of the strip's georeference."""
READABLE = (1, 2)
"""Versions that are still read."""
CHUNK = 256
"""Rows and columns of a stored chunk."""

LAYERS: dict[str, np.dtype[Any]] = {
    "intensity": np.dtype("<f4"),
    "backscatter": np.dtype("<f4"),
    "looks": np.dtype("<f4"),
    "coverage": np.dtype("<u2"),
    "noise_equivalent_backscatter": np.dtype("<f4"),
    "quality": np.dtype("u1"),
}
"""Variables that every product has, with their types."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Georeference:
    """How the strip lies in a projected coordinate system.

    The position of a point of the strip is x = ``x_m[0]`` + ``x_m[1]`` along + ``x_m[2]`` across, and the same
    with ``y_m``; along and across in metres.

    Parameters
    ----------
    epsg : int
        Code of the projected system.
    x_m, y_m : tuple of 3 float
        Origin [m], change per metre along, change per metre across.
    wkt : str
        The system as well-known text, in the older form that most readers know.
    cf : mapping
        The system as attributes of a CF grid mapping.
    residual_m : float, optional
        Largest distance over the strip between these straight axes and the projection, whose north turns slowly. [m]
    """

    epsg: int
    x_m: tuple[float, float, float]
    y_m: tuple[float, float, float]
    wkt: str
    cf: Mapping[str, Any] = field(default_factory=dict)
    residual_m: float | None = None

    def __post_init__(self) -> None:
        for name in ("x_m", "y_m"):
            value = tuple(float(v) for v in getattr(self, name))
            if len(value) != 3 or not np.isfinite(value).all():
                raise ParameterError(f"georeference.{name} is {value}; allowed: 3 finite numbers.")
            object.__setattr__(self, name, value)
        if abs(self.x_m[1] * self.y_m[2] - self.x_m[2] * self.y_m[1]) < 1e-6:
            raise ParameterError(
                f"georeference.x_m, y_m are {self.x_m}, {self.y_m}; allowed: along and across in different directions."
            )

    def geotransform(
        self, first_along_m: float, first_across_m: float, along_m: float, across_m: float
    ) -> str:
        """Return six numbers that lead from (column, row) of pixel corners to (x, y).

        Parameters
        ----------
        first_along_m, first_across_m : float
            The grid's outer corner, half a cell before the first pixel's centre. [m]
        along_m, across_m : float
            Cell size. [m]
        """
        numbers = []
        for origin, along, across in (self.x_m, self.y_m):
            corner = origin + along * first_along_m + across * first_across_m
            numbers += [corner, across * across_m, along * along_m]
        return " ".join(repr(float(n)) for n in numbers)

    def attributes(self) -> dict[str, Any]:
        """Return what the grid mapping variable says, without the geotransform."""
        known = {k: v for k, v in self.cf.items() if isinstance(v, (str, int, float))}
        return {
            **{
                k: float(v) if isinstance(v, int) and not isinstance(v, bool) else v for k, v in known.items()
            },
            "spatial_ref": self.wkt,
            "epsg_code": f"EPSG:{self.epsg}",
            "strip_to_x": np.array(self.x_m),
            "strip_to_y": np.array(self.y_m),
            "largest_residual": self.residual_m,
            "comment": "x = strip_to_x[0] + strip_to_x[1] along_track + strip_to_x[2] across_track, y alike; "
            "largest_residual: what these straight axes miss of the projection at most, in m",
        }


def layer_attributes(name: str, *, calibrated: bool) -> dict[str, Any]:
    """Return what a variable says about itself; with an uncalibrated sonar its units say that it is relative."""
    relative = "" if calibrated else "relative "
    decibel = "dB re 1" if calibrated else "dB re unknown level"
    nan = np.array([np.nan], np.float32)
    words: dict[str, dict[str, Any]] = {
        "intensity": {
            "long_name": f"{relative}seabed backscatter per unit area, linear, noise subtracted",
            "units": "1" if calibrated else "relative",
            "_FillValue": nan,
        },
        "backscatter": {
            "long_name": f"{relative}seabed backscatter per unit area, 10 log10 of intensity",
            "units": decibel,
            "_FillValue": nan,
        },
        "looks": {
            "long_name": "effective number of independent looks, predicted",
            "units": "1",
            "_FillValue": nan,
        },
        "coverage": {"long_name": "number of pings averaged", "units": "1"},
        "noise_equivalent_backscatter": {
            "long_name": f"{relative}backscatter whose echo equals the noise",
            "units": decibel,
            "_FillValue": nan,
        },
        "spread": {
            "long_name": "standard deviation of single looks over their mean, noise included",
            "comment": "0: the same in every look; 1: speckle of one look, whose power is exponential; above: seen in few "
            "looks alone. Unbiased for correlated looks. Over the square root of looks: relative standard error of intensity, "
            "where noise is low. Missing where fewer than two looks tell of it.",
            "units": "1",
            "_FillValue": nan,
        },
        "quality": {
            "long_name": "quality flags",
            "flag_masks": np.array(list(Quality.NAMES), np.uint8),
            "flag_meanings": " ".join(Quality.NAMES.values()),
        },
    }
    return words.get(name, {"long_name": name.replace("_", " ")})
