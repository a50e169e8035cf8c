"""Figures of merit of tapers: the formulas on an independent library's windows, and the project's own tapers."""

from __future__ import annotations

from functools import cache, partial
from typing import Any

import numpy as np

from pingloom.imaging.theory import windows as theory

from .row import Row, Sheet

__all__ = ["rows"]

HARRIS = "Harris 1978, Proc. IEEE 66, 51, Table I"
N = 1024

# scipy's name, symmetric design; then sidelobe [dB], coherent gain, noise bandwidth, 3 dB width, 6 dB width [bin],
# scalloping [dB], SNR loss [dB], as computed from the library's window; and as printed (sidelobe, bandwidth, width,
# scalloping), as remembered.
WINDOWS: list[tuple[str, Any, bool, tuple[float, ...], tuple[float, ...]]] = [
    ("rectangular", "boxcar", False, (-13.26, 1.000, 1.000, 0.886, 1.207, 3.92, 0.000), (-13, 1.00, 0.89, 3.92)),
    ("triangle", "bartlett", False, (-26.52, 0.500, 1.333, 1.276, 1.772, 1.82, 1.249), (-27, 1.33, 1.28, 1.82)),
    ("Hann", "hann", False, (-31.47, 0.500, 1.500, 1.441, 2.000, 1.42, 1.761), (-32, 1.50, 1.44, 1.42)),
    ("Hamming", "hamming", False, (-42.67, 0.540, 1.363, 1.303, 1.815, 1.75, 1.344), (-43, 1.36, 1.30, 1.78)),
    ("Blackman", "blackman", False, (-58.11, 0.420, 1.727, 1.644, 2.299, 1.10, 2.372), (-58, 1.73, 1.68, 1.10)),
    ("Kaiser alpha 2", ("kaiser", 2 * np.pi), False,
     (-45.85, 0.489, 1.496, 1.429, 1.993, 1.45, 1.750), (-46, 1.50, 1.43, 1.46)),
    ("Kaiser alpha 2.5", ("kaiser", 2.5 * np.pi), False,
     (-57.56, 0.440, 1.652, 1.573, 2.199, 1.20, 2.180), (-57, 1.65, 1.57, 1.20)),
    ("Kaiser alpha 3", ("kaiser", 3 * np.pi), False,
     (-69.62, 0.403, 1.795, 1.705, 2.389, 1.02, 2.541), (-69, 1.80, 1.71, 1.02)),
    ("Dolph-Chebyshev 50 dB", ("chebwin", 50), True,
     (-50.00, 0.525, 1.397, 1.329, 1.854, 1.68, 1.451), (-50, 1.39, 1.33, 1.70)),
    ("Dolph-Chebyshev 60 dB", ("chebwin", 60), True,
     (-60.00, 0.479, 1.518, 1.446, 2.021, 1.42, 1.813), (-60, 1.51, 1.44, 1.44)),
    ("Taylor 4, 35 dB", ("taylor", 4, 35), True, (-35.17, 0.602, 1.234, 1.184, 1.643, 2.12, 0.914), ()),
    ("Taylor 6, 40 dB", ("taylor", 6, 40), True, (-40.16, 0.566, 1.303, 1.248, 1.736, 1.91, 1.150), ()),
]  # fmt: skip

COMPUTED = [
    ("peak sidelobe", theory.peak_sidelobe_db, 0.1, "dB"),
    ("coherent gain", theory.coherent_gain, 0.002, ""),
    ("noise bandwidth", theory.noise_bandwidth_bins, 0.005, "bin"),
    ("3 dB width", theory.half_power_width_bins, 0.005, "bin"),
    ("6 dB width", partial(theory.half_power_width_bins, down_db=20 * np.log10(2)), 0.005, "bin"),
    ("scalloping", theory.scalloping_loss_db, 0.01, "dB"),
    ("SNR loss", theory.snr_loss_db, 0.005, "dB"),
]
PRINTED = [(0, 1.0), (2, 0.01), (3, 0.04), (5, 0.035)]
"""Which of the computed figures is printed, and how near it comes."""

OURS = [
    ("none", {}, "boxcar"),
    ("hann", {}, "hann"),
    ("hamming", {}, "hamming"),
    ("blackman", {}, "blackman"),
    ("taylor", {"sidelobe_db": 35.0, "n_equal": 4}, ("taylor", 4, 35)),
    ("taylor", {"sidelobe_db": 25.0, "n_equal": 4}, ("taylor", 4, 25)),
]


@cache
def _library_window(name: Any, symmetric: bool, n: int = N) -> np.ndarray:
    from scipy.signal import get_window

    return get_window(name, n, fftbins=not symmetric)


def rows() -> list[Row]:
    """All rows on windows."""
    s = Sheet("windows")
    for title, name, symmetric, computed, printed in WINDOWS:
        window = partial(_library_window, name, symmetric)
        s.cite("library", "scipy.signal, 1024 points")
        for (figure, function, tolerance, unit), expected in zip(COMPUTED, computed, strict=True):
            s.add(f"{title}: {figure}", expected, tolerance, partial(_apply, function, window), unit=unit,
                  reason="last digit, and sampled lobes")  # fmt: skip
        s.cite("memory", HARRIS)
        for (k, tolerance), expected in zip(PRINTED, printed, strict=False):
            figure, function, _, unit = COMPUTED[k]
            s.add(f"{title}: {figure}, as printed", expected, tolerance, partial(_apply, function, window), unit=unit,
                  reason="print rounded to integers or hundredths; two entries are 0.03 off")  # fmt: skip
    s.cite("library", "scipy.signal's window of that name, symmetric, 1024 points")
    for name, options, library in OURS:
        title = f"own {name}{options or ''}".replace("'", "")
        s.add(f"{title}: largest difference", 0.0, 2e-3, partial(_difference, name, options, library),
              reason="the library samples end to end, we at the centres of cells: half a cell in 1024")  # fmt: skip
    s.add("Hamming, 50 points: peak sidelobe", -42.31, 0.05,
          lambda: theory.peak_sidelobe_db(_library_window("hamming", False, 50)), unit="dB",
          reason="sampled lobes")  # fmt: skip
    return s.rows


def _apply(function: Any, window: Any) -> float:
    return float(function(window()))


def _difference(name: Any, options: dict[str, Any], library: Any) -> float:
    window = _library_window(library, True)
    return float(np.abs(theory.taper(name, N, **options) - window / window.max()).max())
