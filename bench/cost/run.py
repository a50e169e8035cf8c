"""One whole run: machine, ceilings, stages beside rivals, cost of a line, growth, image quality."""

from __future__ import annotations

import os
import platform
import subprocess
import time
from collections.abc import Callable
from importlib import metadata
from pathlib import Path
from typing import Any

from pingloom import __version__

from . import growth, running
from .ceilings import EXPECTED, ceilings
from .stages import Setting, run_stages
from .timing import pin, quietest_core

__all__ = ["FORMAT", "LEVELS", "THREADS", "run"]

FORMAT = 1
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

    begin = time.perf_counter()
    rounds, few, sizes = LEVELS[level]
    allowed = sorted(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else None
    core = quietest_core()
    pin({core} if core is not None else ())
    on_step("ceilings of this core")
    top = ceilings(rounds)
    setting = Setting()
    stages = run_stages(setting, top, rounds=rounds, on_step=on_step)
    cost = running.run_cost(setting.case, setting.echo, level=level, core=core, on_step=on_step)
    grown = growth.growth(rounds=few, sizes_each=sizes, on_step=on_step)
    pin(allowed or ())
    quality = run_quality(level, on_step)
    return {
        "format": FORMAT,
        "level": level,
        "rounds": rounds,
        "stages": stages,
        "quality": quality,
        "cost": cost,
        "growth": grown,
        "ceilings": {
            **{name: getattr(top, name) for name in top.__slots__},
            "speed": top.speed,
            "expected": EXPECTED,
        },
        "machine": {**_machine(), "core": core, "threads": {name: os.environ.get(name) for name in THREADS}},
        "versions": _versions(),
        "commit": _commit(),
        "took_s": time.perf_counter() - begin,
    }


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
    """Commit of the source, ``+`` behind it where files differ; None outside a repository."""
    here = Path(__file__).resolve().parent
    try:
        told = [
            subprocess.run(
                ["git", "-C", str(here), *words], capture_output=True, text=True, check=True
            ).stdout.strip()
            for words in (("rev-parse", "HEAD"), ("status", "--porcelain", "--untracked-files=no"))
        ]
    except (OSError, subprocess.CalledProcessError):
        return None
    return told[0] + ("+" if told[1] else "")
