"""Recordings of another program, made once a session, and a user who images them from the command line."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.typing import NDArray

from pingloom.bench.cli import main
from pingloom.bench.measure.resolution import PointResponse, point_response
from tests.reference import theory
from tests.reference.scenes import SCENES, SEABED_M, Truth

# What theory gives closed forms for: no range window, all channels alike.
PLAIN = ("--set", "compress.window=none", "--set", "beamform.shading=uniform")


@dataclass(frozen=True)
class Said:
    """What a command line gave back."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> dict:
        return json.loads(self.out)

    def refused(self, *words: str) -> None:
        """Exit code 2 and one line that holds ``words``, nothing else."""
        assert self.code == 2, self
        assert self.out == ""
        assert self.err.startswith("pingloom: ")
        assert len(self.err.splitlines()) == 1, self.err
        for word in words:
            assert word in self.err


def say(*argv: object) -> Said:
    """Run ``pingloom`` in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(a) for a in argv])
    return Said(code, out.getvalue(), err.getvalue())


def grid(along_m: float, across_m: float, range_m: float | None = None) -> tuple[str, ...]:
    """Options that set the pixels and how far across they go."""
    options = ("--set", f"grid.along_m={along_m:.6g}", "--set", f"grid.across_m={across_m:.6g}")
    return options if range_m is None else (*options, "--set", f"grid.range_m={range_m:g}")


@dataclass(frozen=True)
class Image:
    """A product as plain h5py shows it."""

    path: Path
    along_m: NDArray[np.float64]
    across_m: NDArray[np.float64]
    origin_m: tuple[float, float]
    heading_rad: float
    layer: dict[str, NDArray]

    @classmethod
    def read(cls, path: Path) -> Image:
        with h5py.File(path, "r") as file:
            root = file.attrs
            origin = float(root["strip_origin_north"]), float(root["strip_origin_east"])
            names = [n for n, d in file.items() if d.ndim == 2]
            layer = {name: file[name][...] for name in names}
            axes = file["along_track"][...], file["across_track"][...]
            return cls(path, *axes, origin, float(root["strip_heading"]), layer)

    @property
    def pixel_m(self) -> tuple[float, float]:
        return float(np.diff(self.along_m).mean()), float(np.diff(self.across_m).mean())

    @property
    def intensity(self) -> NDArray[np.float64]:
        return self.layer["intensity"].astype(np.float64)

    def strip(self, world_m: NDArray) -> NDArray[np.float64]:
        """Along and across of places (..., 2 or 3) north, east."""
        c, s = np.cos(self.heading_rad), np.sin(self.heading_rad)
        north, east = (world_m[..., k] - self.origin_m[k] for k in (0, 1))
        return np.stack([north * c + east * s, -north * s + east * c], axis=-1)

    def world(self, along_m: NDArray, across_m: NDArray, depth_m: float = SEABED_M) -> NDArray[np.float64]:
        """North, east, depth of places in the strip."""
        c, s = np.cos(self.heading_rad), np.sin(self.heading_rad)
        north = self.origin_m[0] + along_m * c - across_m * s
        east = self.origin_m[1] + along_m * s + across_m * c
        return np.stack(np.broadcast_arrays(north, east, depth_m), axis=-1)

    def window(self, along_m: Sequence[float], across_m: Sequence[float]) -> tuple[slice, slice]:
        """Slices of the pixels whose centres lie between two places on each axis."""
        rows = np.searchsorted(self.along_m, sorted(along_m))
        columns = np.searchsorted(self.across_m, sorted(across_m))
        return slice(*rows), slice(*columns)

    def cut(self, layer: str, along_m: Sequence[float], across_m: Sequence[float]) -> NDArray[np.float64]:
        """Part of a layer."""
        return self.layer[layer][self.window(along_m, across_m)].astype(np.float64)

    def respond(self, near_m: NDArray, half_m: tuple[float, float]) -> PointResponse:
        """Measure a point near a place of the strip."""
        return point_response(
            self.intensity,
            pixel_m=self.pixel_m,
            origin_m=(self.along_m[0], self.across_m[0]),
            near_m=(float(near_m[0]), float(near_m[1])),
            search_m=(half_m[0] / 2, half_m[1] / 2),
            half_size_m=half_m,
        )


@dataclass(frozen=True)
class Target:
    """A point of the truth, with what theory expects of its image."""

    side: str
    world_m: NDArray[np.float64]
    along_width_m: float
    slant_width_m: float
    cosine: float
    """Of the grazing angle."""
    cell_m2: float
    """Area of the resolution cell as an integral: intensity times it is 1 for a unit scatterer."""

    @property
    def across_width_m(self) -> float:
        return self.slant_width_m / self.cosine


def targets(truth: Truth) -> list[Target]:
    """All points of a scene."""
    found = []
    for side, sonar in truth.sonars.items():
        slant = truth.slant_range_m(side)
        height = truth.seabed_depth_m - float(truth.pose(truth.ping_time_s[side])[2].mean())
        c = truth.water.sound_speed_m_s
        for i, place in enumerate(truth.target_m[side]):
            found.append(
                Target(
                    side=side,
                    world_m=place,
                    along_width_m=float(truth.along_width_m(side)[i]),
                    slant_width_m=truth.slant_width_m(side),
                    cosine=float(np.sqrt(1 - (height / slant[i]) ** 2)),
                    cell_m2=float(theory.speckle_level(sonar, slant[i], height, 1.0, c)),
                )
            )
    return found


@pytest.fixture(scope="session")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Truth]:
    """Make a scene's recording once."""
    folder = tmp_path_factory.mktemp("scenes")
    made: dict[str, Truth] = {}

    def make(name: str) -> Truth:
        if name not in made:
            made[name] = SCENES[name](folder / f"{name}.h5")
            if name == "high-frequency-heave-sway":
                # Another program would say how deep the water is; without it there is no image (tested below).
                shutil.copy(folder / f"{name}.h5", folder / f"{name}-without-depth.h5")
                with h5py.File(folder / f"{name}.h5", "r+") as file:
                    file["water"].attrs["water_depth"] = SEABED_M
        return made[name]

    return make


@pytest.fixture(scope="session")
def image(scene, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Image]:
    """Image a scene with options from the command line, once for each set of options."""
    made: dict[tuple, Image] = {}

    def make(name: str, *options: str, method: str = "multilook") -> Image:
        key = (name, method, *options)
        if key not in made:
            folder = tmp_path_factory.mktemp("images")
            arguments = ("-o", folder, "--no-picture", "--quiet", "--method", method, *options)
            said = say("image", scene(name).path, *arguments)
            assert said == Said(0, "", "")
            made[key] = Image.read(folder / f"{method}.nc")
        return made[key]

    return make


@pytest.fixture(scope="session")
def small(scene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording of a single ping, half a megabyte, to be copied and spoilt."""
    return scene("one-ping").path


@pytest.fixture(scope="session")
def product(small, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small product."""
    folder = tmp_path_factory.mktemp("product")
    assert say("image", small, "-o", folder, "--no-picture", *grid(0.04, 0.01)).code == 0
    return folder / "multilook.nc"
