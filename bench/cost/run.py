"""One whole run: machine, ceilings, stages beside rivals, cost of a line, growth, image quality, goals."""

from __future__ import annotations

import os
import platform
import subprocess
import time
from collections.abc import Callable
from dataclasses import asdict
from importlib import metadata
from pathlib import Path
from typing import Any

from pingloom import __version__

from . import growth, running
from .ceilings import EXPECTED, ceilings
from .goals import goals
from .run_file import FORMAT
from .stages import Setting, run_stages
from .timing import Watch, allowed_cores, pin, quietest_core

__all__ = ["LEVELS", "THREADS", "run"]

LEVELS = {"quick": (5, 3, 3), "default": (21, 7, 4), "full": (41, 15, 4)}
"""Rounds against rivals, rounds and sizes of growth."""
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")
"""Set to 1 before numpy is loaded."""


def run(level: str, on_step: Callable[[str], None]) -> dict[str, Any]:
    """Measure everything on one core, quality with all of them.

    Parameters
    ----------
    level : {"quick", "default", "full"}
    on_step : callable
        Told what comes next.
    """
    from pingloom.bench.quality import run_quality

    steps = _Steps(on_step)
    commit = _commit()
    rounds, few, sizes = LEVELS[level]
    allowed = allowed_cores()
    core = quietest_core()
    pin({core} if core is not None else ())
    steps.next("ceilings of this core")
    top = ceilings(rounds)
    steps.next("the case and what is right for it")
    setting = Setting()
    stages = run_stages(setting, top, rounds=rounds, on_step=steps.next)
    cost = running.run_cost(
        setting.case, setting.echo, level=level, core=core, allowed=allowed, on_step=steps.next
    )
    grown = growth.growth(rounds=few, sizes_each=sizes, on_step=steps.next)
    grown |= growth.with_threads(cost["second_core"])
    pin(allowed)
    quality = run_quality(level, steps.next)
    return {
        "format": FORMAT,
        "level": level,
        "rounds": rounds,
        "case": asdict(setting.case),
        "goals": goals(stages, cost),
        "stages": stages,
        "quality": quality,
        "cost": cost,
        "growth": grown,
        "ceilings": {**asdict(top), "expected": EXPECTED, "doubts": top.doubts()},
        "machine": {**_machine(), "core": core, "threads": {name: os.environ.get(name) for name in THREADS}},
        "versions": _versions(),
        "commit": commit,
        **steps.took(),
    }


class _Steps:
    """Says what comes next and keeps what each step took."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell, self._watch = tell, Watch()
        self._begun: list[tuple[str, float, float]] = []

    def next(self, name: str) -> None:
        self._begun.append((name, time.perf_counter(), time.process_time()))
        self._tell(name)

    def took(self) -> dict[str, Any]:
        """Wall and processor time of the steps, the last one ending now. [s]"""
        ends = [*self._begun[1:], ("", time.perf_counter(), time.process_time())]
        steps = [
            {"step": name, "wall_s": end[1] - wall, "cpu_s": end[2] - cpu}
            for (name, wall, cpu), end in zip(self._begun, ends, strict=True)
        ]
        return {"took_s": sum(s["wall_s"] for s in steps), "core_share": self._watch.share(), "steps": steps}


def _machine() -> dict[str, Any]:
    name = platform.processor()
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        name = next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), name)
    except OSError:
        pass
    return {
        "processor": name,
        "architecture": platform.machine(),
        "system": platform.system(),
        "cores": os.cpu_count(),
    }


def _versions() -> dict[str, str]:
    names = ("numpy", "scipy", "numba", "llvmlite", "h5py", "scikit-image")
    return {
        "pingloom": __version__,
        "python": platform.python_version(),
        **{name: metadata.version(name) for name in names},
    }


def _commit() -> str | None:
    """Commit of the source, ``+`` behind it where tracked files differ; None where the source is not kept by git.

    An installed copy may lie in somebody else's repository: only one that tracks this file counts.
    """
    here = Path(__file__).resolve()
    try:
        _git("ls-files", "--error-unmatch", here.name, folder=here.parent)
        changed = _git("status", "--porcelain", "--untracked-files=no", folder=here.parent)
        return _git("rev-parse", "HEAD", folder=here.parent) + ("+" if changed else "")
    except (OSError, subprocess.CalledProcessError):
        return None


def _git(*words: str, folder: Path) -> str:
    """What git says to a question about a folder."""
    command = ["git", "-C", str(folder), *words]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
