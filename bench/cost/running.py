"""Cost of imaging a line: time by stage, real time, a second core, memory, start-up, compilation."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.beamform import BeamformSettings
from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.lay import GridSettings
from pingloom.imaging.records import Ping, Platform, Water

from .cases import Case
from .ours import case_sonar
from .timing import PLACEMENTS, Spread, Watch, clock, pin

__all__ = ["PING_RATE_HZ", "SPEED_M_S", "Line", "first_ping", "run_cost"]

PING_RATE_HZ = 11.0
SPEED_M_S = 1.8
_START_NS = 2_000_000_000_000_000_000


class Line:
    """Pings along a straight line, one chain a side; every ping has the same echoes."""

    def __init__(self, case: Case, echo: NDArray[np.complex64], side: str, settings: ChainSettings) -> None:
        self.side, self.echo = side, np.ascontiguousarray(echo[None])
        zero = np.zeros(2)
        hours = 10.0
        platform = Platform(
            time_ns=np.array([_START_NS, _START_NS + int(hours * 3600e9)], np.uint64),
            north_m=np.array([0.0, hours * 3600 * SPEED_M_S]),
            east_m=zero,
            depth_m=zero + 10,
            heading_rad=zero,
            pitch_rad=zero,
            roll_rad=zero,
            altitude_m=zero + case.altitude_m,
        )
        self.trajectory = Trajectory.from_platform(platform)
        water = Water(sound_speed_m_s=case.sound_speed_m_s, absorption_db_m=0.0)
        sonar = case_sonar(case, side)
        self.chain = Chain.prepare({side: sonar}, water, self.trajectory, settings)
        self.restart()

    def restart(self) -> None:
        """Begin the line anew."""
        self.state = self.chain.start(StripFrame(0.0, 0.0, 0.0))
        self.number = 0
        self.pixels = 0

    def step(self, observe: Callable[[str], None] | None = None) -> None:
        """Image the next ping; finished tiles are let go."""
        time_ns = _START_NS + int(self.number / PING_RATE_HZ * 1e9)
        ping = Ping(side=self.side, number=self.number, time_ns=time_ns, echo=self.echo)
        self.state, _, reports = self.chain.step(self.state, ping, self.trajectory, observe=observe)
        self.pixels = reports[0].added if reports else 0
        self.number += 1


def case_settings(case: Case) -> ChainSettings:
    """Usual settings on the case's pixels and sector, margins for motion included."""
    return ChainSettings(
        beamform=BeamformSettings(sector_deg=float(np.rad2deg(case.sector_rad))),
        grid=GridSettings(along_m=case.pixel_along_m, across_m=case.pixel_across_m, heading_deg=0.0),
    )


def fine_settings(case: Case) -> ChainSettings:
    """Usual settings on their own pixels: at most 0.38 of the finest cell each way."""
    return ChainSettings(grid=GridSettings(heading_deg=0.0))


def run_cost(
    case: Case,
    echo: NDArray[np.complex64],
    *,
    level: str,
    core: int | None,
    allowed: Sequence[int],
    on_step: Callable[[str], None],
) -> dict[str, Any]:
    """Measure everything of this module; ``level`` quick, default or full sets how long.

    ``core`` is where this process is kept, ``allowed`` are those that it may use for what two threads are measured.
    """
    n_ping = {"quick": 30, "default": 60, "full": 200}[level]
    out: dict[str, Any] = {}
    for name, make in (("case_pixels", case_settings), ("own_pixels", fine_settings)):
        on_step(f"time by stage: {name.replace('_', ' ')}")
        lines = [Line(case, echo, "starboard", make(case)) for _ in range(PLACEMENTS)]
        n_each = -(-(n_ping if name == "case_pixels" else max(10, n_ping // 4)) // PLACEMENTS)
        out[name] = _by_stage(lines, n_each)
        del lines
    on_step("memory over a line ten times as long")
    out["memory"] = _memory(case, echo, n_ping)
    on_step("a second core")
    rounds = {"quick": 5, "default": 11, "full": 21}[level]
    out["second_core"] = _second_core(case, echo, core, allowed, rounds)
    on_step("start-up and compilation")
    out["start_up"] = _start_up(compile_too=level != "quick")
    out["memory"]["imaging_process_mb"] = out["start_up"]["first_ping_compiled_before"]["peak_mb"]
    return out


def _by_stage(lines: Sequence[Line], n_each: int) -> dict[str, Any]:
    """Time ``n_each`` pings of each of several lines that are alike but for where they lie in memory."""
    stages: dict[str, list[float]] = {}
    whole = []
    last = 0.0

    def note(stage: str) -> None:
        nonlocal last
        now = clock()
        stages.setdefault(stage, []).append(now - last)
        last = now

    for line in lines:
        for _ in range(2):
            line.step()
        for _ in range(n_each):
            first = last = clock()
            line.step(note)
            whole.append(clock() - first)
    line = lines[0]
    ping = Spread.of(np.array(whole) * 1e3)
    plan = line.chain.sides[line.side]
    return {
        "pings": len(whole),
        "pixels": line.pixels,
        "pixel_m": [line.chain.grid.along_m, line.chain.grid.across_m],
        "beams": int(plan.beamformer.direction.size),
        "ping_ms": _as_list(ping),
        "stage_ms": {name: _as_list(Spread.of(np.array(s) * 1e3)) for name, s in stages.items()},
        "real_time_factor": {
            "one_side": 1e3 / PING_RATE_HZ / ping.median,
            "two_sides": 1e3 / PING_RATE_HZ / (2 * ping.median),
        },
    }


def _as_list(spread: Spread) -> list[float]:
    return [spread.median, spread.low, spread.high]


def _resident_mb() -> float | None:
    """Memory that this process holds now, where the system tells."""
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * resource.getpagesize() / 1e6
    except OSError:
        return None


def _peak_mb() -> float:
    """Largest resident memory of this process so far."""
    try:
        # What the system counts for a process begins, after a fork, with that of its parent; this does not.
        with open("/proc/self/status", encoding="ascii") as file:
            return next(int(line.split()[1]) / 1e3 for line in file if line.startswith("VmHWM:"))
    except (OSError, StopIteration):
        # Linux counts in kilobytes, macOS in bytes.
        unit = 1e6 if sys.platform == "darwin" else 1e3
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


def _memory(case: Case, echo: NDArray[np.complex64], n_ping: int) -> dict[str, Any]:
    """Largest resident memory over a line, and over one ten times as long."""
    line = Line(case, echo, "starboard", case_settings(case))
    line.step()
    peaks: list[float | None] = []
    for n in (n_ping, 10 * n_ping):
        line.restart()
        peak = _resident_mb()
        for _ in range(n):
            line.step()
            if peak is not None:
                peak = max(peak, _resident_mb())
        peaks.append(peak)
    return {
        "peak_of_process_mb": _peak_mb(),
        "pings": [n_ping, 10 * n_ping],
        "resident_mb": peaks,
        "growth_mb": None if None in peaks else peaks[1] - peaks[0],
    }


def _second_core(
    case: Case, echo, core: int | None, allowed: Sequence[int], rounds: int
) -> dict[str, Any] | None:
    """Wall time a ping of both sides one after the other, and of a thread a side; what is gained, round by round."""
    n_core = len(allowed) or os.cpu_count() or 1
    if n_core < 2:
        return None
    lines = [Line(case, echo, side, case_settings(case)) for side in ("port", "starboard")]
    pin(allowed)
    # A tenth of a second or so: threads begin on the core of the one that starts them, and take a while to part.
    n = 100
    for line in lines:
        _steps(line, 2)
    watches: tuple[list[float], list[float]] = [], []
    wall: tuple[list[float], list[float]] = [], []
    for _ in range(rounds):
        for k, run in enumerate((_in_turn, _side_by_side)):
            watch, start = Watch(), time.perf_counter()
            run(lines, n)
            wall[k].append((time.perf_counter() - start) / (2 * n))
            watches[k].append(watch.share())
    if core is not None:
        pin({core})
    one, two = np.array(wall)
    return {
        "gain": _as_list(Spread.of(one / two)),
        "wall_ms": [_as_list(Spread.of(v * 1e3)) for v in (one, two)],
        "cores_got": [float(np.median(v)) for v in watches],
        "cores": n_core,
        "note": "wall time: what else runs takes from it",
    }


def _in_turn(lines: Sequence[Line], n: int) -> None:
    for line in lines:
        _steps(line, n)


def _side_by_side(lines: Sequence[Line], n: int) -> None:
    threads = [threading.Thread(target=_steps, args=(line, n)) for line in lines]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _steps(line: Line, n: int) -> None:
    for _ in range(n):
        line.step()


def _start_up(*, compile_too: bool) -> dict[str, Any]:
    """Processor and wall time of new processes. [s]"""
    programs = {
        "help": "from pingloom.bench.cli import main; main(['--help'])",
        "import_imaging": "import pingloom.imaging.chain",
    }
    out: dict[str, Any] = {
        name: min((_process(p) for _ in range(3)), key=lambda t: t["cpu_s"]) for name, p in programs.items()
    }
    first = "from pingloom.bench.cost.running import first_ping; first_ping()"
    out["first_ping_compiled_before"] = _process(first)
    out["first_ping_compiling"] = None
    if compile_too:
        with tempfile.TemporaryDirectory() as folder:
            out["first_ping_compiling"] = _process(first, NUMBA_CACHE_DIR=folder)
    return out


def _process(program: str, **environment: str) -> dict[str, Any]:
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    )
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    last = done.stdout.strip().splitlines()[-1:] if "first_ping" in program else []
    return {"cpu_s": cpu, "wall_s": wall, **(json.loads(last[0]) if last else {})}


def first_ping() -> None:
    """Print what planning and the first two pings take in this new process, and its memory after thirty, as JSON."""
    case = Case()
    echo = np.ones((case.n_channel, case.n_sample), np.complex64)
    start = clock()
    line = Line(case, echo, "starboard", case_settings(case))
    planned = clock()
    line.step()
    first = clock()
    line.step()
    second = clock()
    _steps(line, 28)
    took = {"plan_s": planned - start, "first_s": first - planned, "second_s": second - first}
    print(json.dumps({**took, "peak_mb": _peak_mb()}))
