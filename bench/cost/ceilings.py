"""What this core can do at most, measured in the run that uses it: transforms, multiply-adds, bandwidth."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import asdict, dataclass

import numpy as np
import scipy.fft as sf
from numba import njit

from pingloom.imaging._compress_kernels import compress_block
from pingloom.imaging._lanes import LANES
from pingloom.imaging.compress import Stages

from .timing import measure, timed

__all__ = ["EXPECTED", "Ceilings", "ceilings"]

EXPECTED = {"fft_scipy_gflop_s": 21.0, "fma_gflop_s": 105.0, "l2_gb_s": 83.0}
"""Of the machine that the rivals' times hold for; the first as its range's middle, the second from a run beside it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceilings:
    """Rates of one core. Operations are real additions and multiplications; a transform counts 5 N log2 N."""

    fft_gflop_s: float
    """Complex64, 32 transforms of 4096, best at hand: libraries that are installed and this project's own."""
    fft_library: str
    fft_scipy_gflop_s: float
    fma_gflop_s: float
    """Float32 multiply-adds from registers."""
    l2_gb_s: float
    """Copy within 512 KiB, read plus written."""
    memory_gb_s: float
    """Copy of 128 MiB, read plus written."""

    @property
    def speed(self) -> float:
        """Of this core as it runs now over that of :data:`EXPECTED`: geometric mean of three rates."""
        own = asdict(self)
        return float(np.exp(np.mean([np.log(own[name] / rate) for name, rate in EXPECTED.items()])))


# Thirty-two dependent multiply-adds a number, written out: a loop would be unrolled too late to be vectorised over i.
@njit(nogil=True, cache=True, fastmath={"contract"})
def _multiply_adds(x, out, repeats):
    for _ in range(repeats):
        for i in range(x.size):
            a = x[i]
            y = out[i]
            y = (((((((y * a + a) * a + a) * a + a) * a + a) * a + a) * a + a) * a + a) * a + a
            y = (((((((y * a + a) * a + a) * a + a) * a + a) * a + a) * a + a) * a + a) * a + a
            y = (((((((y * a + a) * a + a) * a + a) * a + a) * a + a) * a + a) * a + a) * a + a
            y = (((((((y * a + a) * a + a) * a + a) * a + a) * a + a) * a + a) * a + a) * a + a
            out[i] = y


def ceilings(rounds: int = 11) -> Ceilings:
    """Measure all rates. Optional transform libraries count where they are installed."""
    signal = np.ones((32, 4096), np.complex64)
    x, out, repeats = np.full(1024, 0.5, np.float32), np.zeros(1024, np.float32), 200
    transforms = _transforms(signal)
    calls: dict[str, Callable[[], object]] = {f"fft {name}": call for name, call in transforms.items()}
    calls["fma"] = lambda: _multiply_adds(x, out, repeats)
    for name, size in (("l2", 1 << 18), ("memory", 1 << 27)):
        a, b = np.ones(size, np.uint8), np.ones(size, np.uint8)
        calls[name] = lambda a=a, b=b: np.copyto(b, a)
    # A ceiling is the best that was seen, not the usual: what disturbs can only slow down.
    times = measure({name: timed(call) for name, call in calls.items()}, rounds=rounds)
    best = {name: float(seconds.min()) for name, seconds in times.seconds.items()}
    fft = {name: 5 * signal.size * 12 / best[f"fft {name}"] / 1e9 for name in transforms}
    library = max(fft, key=fft.__getitem__)
    return Ceilings(
        fft_gflop_s=fft[library],
        fft_library=library,
        fft_scipy_gflop_s=fft["scipy"],
        fma_gflop_s=2 * 32 * x.size * repeats / best["fma"] / 1e9,
        l2_gb_s=2 * (1 << 18) / best["l2"] / 1e9,
        memory_gb_s=2 * (1 << 27) / best["memory"] / 1e9,
    )


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
    block = np.ones(n * 2 * LANES, np.float32)
    reference = np.tile(np.array([1 / n, 0], np.float32), n)
    return lambda: compress_block(
        block, stages.radix, stages.rest, stages.start, stages.table, reference, False
    )


def _optional(name: str):
    try:
        return importlib.import_module(name)
    except ImportError:
        return None
