"""Line arrays: beam widths, sidelobes, directivity, grating lobes, near field."""

from __future__ import annotations

from functools import partial

import numpy as np

from pingloom.imaging.theory import array as theory
from pingloom.imaging.theory import windows

from .row import Row, Sheet

__all__ = ["rows"]

WAVELENGTH_M = 3.75e-3  # 400 kHz, 1500 m/s
BRUTE_FORCE = "array factor summed and integrated point by point"


def rows() -> list[Row]:
    """All rows on arrays."""
    s = Sheet("arrays")
    s.cite("computed", BRUTE_FORCE)
    s.add("one-way width of a line of 133.3 wavelengths", 0.3807, 0.0005,
          lambda: np.degrees(theory.line_width_rad(0.5, WAVELENGTH_M)), unit="deg")  # fmt: skip
    s.add("width of 32 elements at half a wavelength", 3.1741, 0.0005,
          lambda: np.degrees(theory.array_width_rad(np.ones(32), 0.5, 1.0)), unit="deg")  # fmt: skip
    for n, expected in ((16, -13.147), (32, -13.233)):
        s.add(f"first sidelobe of {n} elements", expected, 0.005,
              partial(windows.peak_sidelobe_db, np.ones(n)), unit="dB", reason="sampled lobes")  # fmt: skip
    s.add("directivity index, 32 elements at 0.75 wavelength", 16.769, 0.005,
          lambda: theory.directivity_index_array_db(np.ones(32), 0.75, 1.0), unit="dB")  # fmt: skip
    s.add("directivity index, 40 elements at 1.5 wavelengths", 16.021, 0.005,
          lambda: theory.directivity_index_array_db(np.ones(40), 1.5, 1.0), unit="dB")  # fmt: skip
    s.add("directivity index, line of 50 wavelengths", 20.01, 0.005,
          lambda: theory.directivity_index_line_db(50.0, 1.0), unit="dB")  # fmt: skip
    for length in (0.7, 5.3, 50.0):
        s.add(f"directivity index, line of {length} wavelengths, integrated now", partial(_integrated_index_db, length),
              1e-3, partial(theory.directivity_index_line_db, length, 1.0), unit="dB",
              reason="quadrature of an oscillating function")  # fmt: skip
    s.add("unfocused loss, 0.5 m, 30 m", -1.20, 0.01,
          lambda: theory.unfocused_loss_db(0.5, WAVELENGTH_M, 30.0), unit="dB")  # fmt: skip
    s.add("unfocused loss, 0.5 m, 10 m", -10.43, 0.02,
          lambda: theory.unfocused_loss_db(0.5, WAVELENGTH_M, 10.0), unit="dB")  # fmt: skip
    for name, edge, expected in (
        ("pi/4", np.pi / 4, -0.239),
        ("pi/2", np.pi / 2, -0.967),
        ("pi", np.pi, -4.037),
    ):
        s.add(f"quadratic phase loss, {name} at the ends", expected, 0.002,
              partial(theory.quadratic_phase_loss_db, edge), unit="dB")  # fmt: skip
    s.add(
        "quadratic phase at the ends for half power",
        2.7300,
        0.0005,
        theory.quadratic_phase_edge_rad,
        unit="rad",
    )
    s.cite("derived", "Fourier transform of a uniform line")
    s.add("two-way width of one line, in wavelength/length", 0.6378, 0.0001,
          lambda: theory.line_width_rad(1e4, 1.0, two_way=True) * 1e4)  # fmt: skip
    s.add(
        "one-way width of a line, in wavelength/length",
        0.8859,
        0.0001,
        lambda: theory.line_width_rad(1e4, 1.0) * 1e4,
    )
    s.add("width along track in focus, 0.5 m at 25 m", 0.886 * WAVELENGTH_M * 25 / 0.5, 2e-4,
          lambda: theory.along_width_m(WAVELENGTH_M, 25.0, 0.5), relative=True, unit="m",
          reason="0.886 is rounded")  # fmt: skip
    s.add("first null, in wavelength/length", 1.0, 1e-6, lambda: theory.first_null_rad(1e4, 1.0) * 1e4,
          reason="sine of a small angle")  # fmt: skip
    s.add(
        "first sidelobe of a line, place in wavelength/length",
        1.4303,
        0.0001,
        lambda: theory.first_sidelobe()[0],
    )
    s.add("first sidelobe of a line", -13.26, 0.005, lambda: theory.first_sidelobe()[1], unit="dB")
    s.add(
        "first sidelobe of a line, two-way",
        -26.52,
        0.005,
        lambda: theory.first_sidelobe(two_way=True)[1],
        unit="dB",
    )
    s.add("directivity index, 32 elements at half a wavelength", 10 * np.log10(32), 1e-9,
          lambda: theory.directivity_index_array_db(np.ones(32), 0.5, 1.0), unit="dB", reason="exact")  # fmt: skip
    s.add("far-field loss at length^2/wavelength", -0.239, 0.002,
          lambda: theory.unfocused_loss_db(0.5, WAVELENGTH_M, theory.far_field_m(0.5, WAVELENGTH_M)), unit="dB")  # fmt: skip
    for steer, lobe, expected in ((0, -1, 41.810), (20, 0, -82.442), (20, 1, -18.944)):
        s.add(f"grating lobe {lobe % 3} of 1.5 wavelengths pitch, steered {steer} deg", expected, 0.001,
              partial(_lobe_deg, steer, lobe), unit="deg")  # fmt: skip
    s.add("largest pitch steered to 90 deg, in wavelengths", 0.5, 1e-12,
          lambda: theory.largest_spacing_m(1.0, np.pi / 2), reason="exact")  # fmt: skip
    s.add("depth of focus, times (length/range)^2/wavelength", 2 * 3.476, 0.002,
          lambda: theory.depth_of_focus_m(0.5, WAVELENGTH_M, 2.0) * (0.5 / 2) ** 2 / WAVELENGTH_M)  # fmt: skip
    return s.rows


def _integrated_index_db(length_wavelengths: float) -> float:
    sine = (np.arange(400_000) + 0.5) / 400_000
    return float(-10 * np.log10(np.mean(np.sinc(length_wavelengths * sine) ** 2)))


def _lobe_deg(steer_deg: float, lobe: int) -> float:
    return float(np.degrees(theory.grating_lobes_rad(1.5, 1.0, np.radians(steer_deg))[lobe]))
