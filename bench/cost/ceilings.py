"""What this core can do at most, measured in the run that uses it: transforms, multiply-adds, bandwidth."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.fft as sf
from numba import njit
from numpy.typing import NDArray

from pingloom.imaging._compress_kernels import compress_block
from pingloom.imaging._lanes import LANES, load, spread, store
from pingloom.imaging.aligned import aligned_zeros
from pingloom.imaging.compress import Stages

from .timing import measure, timed

__all__ = ["EXPECTED", "FORMS", "Ceilings", "ceilings", "multiply_adds"]

_NOISE = 0.95
"""What should be at least as high may lie so much below."""

EXPECTED = {"fft scipy": 21.0, "product": 100.0}
"""Of the machine that the rivals' times hold for, as their definition states them; ranges by their middle. A copy is no
yardstick: by where its arrays happen to lie it takes twice as long or not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceilings:
    """Rates of one core. Operations are real additions and multiplications; a transform counts 5 N log2 N."""

    fft_gflop_s: float
    """Complex64, 32 transforms of 4096, best at hand: libraries that are installed and this project's own."""
    fft_library: str
    fft_scipy_gflop_s: float
    fma_gflop_s: float
    """Float32 multiply-adds on sums that stay in registers and don't wait for each other."""
    fma_form: str
    """Which of the loops reached it."""
    product_gflop_s: float
    """Product of two float32 matrices of 1024 x 1024 by NumPy's library, one thread."""
    l2_gb_s: float
    """Copy within 512 KiB, read plus written."""
    memory_gb_s: float
    """Copy of 128 MiB, read plus written."""
    speed: float
    """Of this core as it ran over that of :data:`EXPECTED`: geometric mean of two rates, each the usual one."""

    def doubts(self) -> list[str]:
        """What can't be, one rate held against another; empty where all fits. A few per cent are noise."""
        found = []
        for name, least, unit in (
            ("fma_gflop_s", "product_gflop_s", "a matrix product consists of multiply-adds"),
            ("fma_gflop_s", "fft_gflop_s", "a transform consists of multiplications and additions"),
            ("fft_gflop_s", "fft_scipy_gflop_s", "the best library can't be slower than one of them"),
            ("l2_gb_s", "memory_gb_s", "what comes from memory passes the second-level cache"),
        ):
            rate, other = getattr(self, name), getattr(self, least)
            if rate < _NOISE * other:
                found.append(f"{name} {rate:.0f} is below {least} {other:.0f}, but {unit}: too low")
        return found


def _chains(n: int) -> Callable[..., None]:
    """A compiled loop of ``n`` chains of multiply-adds, sixteen numbers each, that don't wait for each other.

    A processor begins some multiply-adds a cycle and ends each after four or so, so it takes that many times as many
    independent ones to keep it busy; all sums, and the two numbers that they share, have to stay in registers.
    Called with x (2,), out (16 n,) and the number of repetitions: out = out * x[0] + x[1], again and again.
    """
    places = range(n)
    lines = [
        "def chains(x, out, repeats):",
        "    a, b = spread(x[0]), spread(x[1])",
        *(f"    y{k} = load(out, {k * LANES})" for k in places),
        "    for _ in range(repeats):",
        *(f"        y{k} = y{k} * a + b" for k in places),
        *(f"    store(out, {k * LANES}, y{k})" for k in places),
    ]
    room: dict[str, Any] = {"load": load, "spread": spread, "store": store}
    exec("\n".join(lines), room)
    return njit(nogil=True)(room["chains"])


FORMS = (6, 16)
"""Chains of sixteen numbers: six fill registers of 128 or 256 bits, sixteen keep those of 512 bits busy."""


def multiply_adds(n: int, repeats: int) -> tuple[Callable[[], None], int, NDArray[np.float32]]:
    """A call that runs ``n`` chains, its operations, and the sums (16 n,), which converge to 1."""
    run, x, out = _chains(n), np.array([0.5, 0.5], np.float32), np.zeros(n * LANES, np.float32)
    return lambda: run(x, out, repeats), 2 * out.size * repeats, out


def ceilings(rounds: int = 11) -> Ceilings:
    """Measure all rates. Optional transform libraries count where they are installed."""
    signal, square = np.ones((32, 4096), np.complex64), np.ones((1024, 1024), np.float32)
    transforms = _transforms(signal)
    calls: dict[str, Callable[[], object]] = {f"fft {name}": call for name, call in transforms.items()}
    work = {name: 5 * signal.size * 12 for name in calls}
    for n in FORMS:
        calls[f"fma {n}"], work[f"fma {n}"], _ = multiply_adds(n, 20_000)
    calls["product"], work["product"] = (lambda: square @ square), 2 * 1024**3
    # A near copy takes three microseconds: many of them, or the clock would be measured.
    for name, size, times_each in (("l2", 1 << 18, 32), ("memory", 1 << 27, 1)):
        calls[name], work[name] = _copies(size, times_each), 2 * size * times_each
    # A ceiling is the best that was seen, not the usual: what disturbs can only slow down.
    times = measure({name: timed(call) for name, call in calls.items()}, rounds=rounds)
    rate = {name: work[name] / float(seconds.min()) / 1e9 for name, seconds in times.seconds.items()}
    # Rivals are judged by their usual time, so the core is too.
    speeds = [work[name] / times.of(name).median / 1e9 / expected for name, expected in EXPECTED.items()]
    library = max(transforms, key=lambda name: rate[f"fft {name}"])
    form = max(FORMS, key=lambda n: rate[f"fma {n}"])
    return Ceilings(
        fft_gflop_s=rate[f"fft {library}"],
        fft_library=library,
        fft_scipy_gflop_s=rate["fft scipy"],
        fma_gflop_s=rate[f"fma {form}"],
        fma_form=f"{form} chains of {LANES}",
        product_gflop_s=rate["product"],
        l2_gb_s=rate["l2"],
        memory_gb_s=rate["memory"],
        speed=float(np.exp(np.mean(np.log(speeds)))),
    )


def _copies(size: int, times_each: int) -> Callable[[], None]:
    """Copies of so many bytes from one array to another, both from a cache line on."""
    a, b = aligned_zeros(size // 4), aligned_zeros(size // 4)
    a[:], b[:] = 1, 1

    def run() -> None:
        for _ in range(times_each):
            np.copyto(b, a)

    return run


def _transforms(signal) -> dict[str, Callable[[], object]]:
    """One call a library that is installed, single thread."""
    found: dict[str, Callable[[], object]] = {
        "scipy": lambda: sf.fft(signal, axis=1, workers=1),
        "pingloom": _there_and_back(signal.shape[1]),
    }
    ducc0 = _optional("ducc0")
    if ducc0 is not None:
        out = np.empty_like(signal)
        found["ducc0"] = lambda: ducc0.fft.c2c(signal, axes=(1,), out=out, nthreads=1)
    pyfftw = _optional("pyfftw")
    if pyfftw is not None:
        a, b = (pyfftw.empty_aligned(signal.shape, "complex64") for _ in range(2))
        plan = pyfftw.FFTW(a, b, axes=(1,), flags=("FFTW_MEASURE",), threads=1)
        a[:] = signal
        found["pyfftw"] = plan.execute
    mkl_fft = _optional("mkl_fft")
    if mkl_fft is not None:
        found["mkl_fft"] = lambda: mkl_fft.fft(signal, axis=1)
    return found


def _there_and_back(n: int) -> Callable[[], object]:
    """This project's own transform: sixteen there and sixteen back make thirty-two."""
    stages = Stages.of(n)
    block = aligned_zeros(n * 2 * LANES)
    block[:] = 1
    reference = np.tile(np.array([1 / n, 0], np.float32), n)
    return lambda: compress_block(
        block, stages.radix, stages.rest, stages.start, stages.table, reference, False
    )


def _optional(name: str):
    try:
        return importlib.import_module(name)
    except ImportError:
        return None
