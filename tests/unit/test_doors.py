"""Which room may import what. The import statements themselves are walked, so no import hides in a function."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
RECORDS = {"records", "conventions", "errors"}
ALLOWED = {
    "imaging": {"numpy", "scipy", "numba", "skimage"},
    "io": {"numpy", "scipy", "numba", "h5py", "skimage", "tifffile", "PIL"},
    "simulate": {"numpy", "scipy", "numba", "skimage"},
}


def imported(path: Path) -> list[tuple[int, str]]:
    """Absolute module names that a file imports, relative ones resolved to pingloom's rooms."""
    package = ["pingloom", *path.relative_to(ROOT).parent.parts]
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found += [(node.lineno, name.name) for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            found += [(node.lineno, f"{module}.{name.name}") for name in node.names]
    return found


def files(room: str) -> list[Path]:
    return sorted((ROOT / room).rglob("*.py"))


def refused(room: str, name: str) -> bool:
    """Whether ``room`` may not import ``name``."""
    parts = name.split(".")
    if parts[0] != "pingloom":
        return parts[0] not in ALLOWED[room] and parts[0] not in sys.stdlib_module_names
    if len(parts) < 2 or parts[1] == room:
        return False
    if parts[1] != "imaging" or room == "imaging":
        return True
    allowed = RECORDS | ({"seawater"} if room == "simulate" else set())
    return len(parts) < 3 or parts[2] not in allowed


@pytest.mark.parametrize("room", ALLOWED)
def test_a_room_imports_only_through_its_doors(room: str) -> None:
    assert files(room), f"no files in {room}: the walk is broken"
    wrong = [
        f"{path.relative_to(ROOT)}:{line} {name}"
        for path in files(room)
        for line, name in imported(path)
        if refused(room, name)
    ]
    assert not wrong


@pytest.mark.parametrize("room", ALLOWED)
def test_nobody_imports_the_workbench(room: str) -> None:
    names = [name for path in files(room) for _, name in imported(path)]
    assert not [n for n in names if n.split(".")[:2] == ["pingloom", "bench"]]


def test_the_walk_sees_forbidden_imports() -> None:
    assert refused("imaging", "h5py")
    assert refused("io", "pingloom.simulate.scenario")
    assert refused("io", "pingloom.imaging.chain")
    assert refused("simulate", "pingloom.imaging.frames.rotation")
    assert not refused("simulate", "pingloom.imaging.seawater.absorption_db_m")
    assert not refused("io", "pingloom.imaging.records.Sonar")


def test_only_the_workbench_prints() -> None:
    printing = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for room in ALLOWED
        for path in files(room)
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert not printing


def test_imaging_knows_no_clock_and_no_chance() -> None:
    for path in files("imaging"):
        names = {name.split(".")[0] for _, name in imported(path)}
        assert not names & {"time", "datetime", "random", "secrets", "os", "pathlib"}, path.name
        assert "numpy.random" not in path.read_text().replace("np.random", "numpy.random"), path.name
