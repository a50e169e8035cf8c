"""Target strength and sonar equation against modal series, integrals and a worked example."""

from __future__ import annotations

from functools import partial

import numpy as np

from pingloom.imaging import seawater
from pingloom.imaging.theory import array, levels, pulse
from pingloom.imaging.theory.geometry import grazing_rad

from .row import Row, Sheet

__all__ = ["rows"]

URICK = "Urick 1983, Principles of Underwater Sound, 3rd ed., simple shapes"
WAVELENGTH_M = 3.75e-3  # 400 kHz, 1500 m/s
STRENGTH = "dB re 1 m^2"

# range [m]; transmission loss, SNR before and after compression [dB], grazing [deg], cell [m^2], S_b, SRR [dB]
EXAMPLE = [
    (25, 30.36, 65.48, 88.49, 11.537, 0.003179, -40.98, 45.96),
    (50, 38.78, 48.64, 71.65, 5.739, 0.006260, -47.00, 49.03),
    (75, 44.70, 36.80, 59.81, 3.823, 0.009364, -50.52, 50.81),
]


def rows() -> list[Row]:
    """All rows on levels."""
    return [*_strengths(), *_sonar_equation()]


def _strengths() -> list[Row]:
    s = Sheet("target-strength", source="Mackenzie 1961, J. Acoust. Soc. Am. 33, 1498 (constant); Lambert's law",
              kind="published")  # fmt: skip
    for grazing, expected in ((5, -48.19), (10, -42.21), (30, -33.02), (45, -30.01), (60, -28.25)):
        s.add(f"Lambert, grazing {grazing} deg", expected, 0.01, partial(levels.lambert_db, np.radians(grazing)),
              unit="dB re 1 m^2/m^2")  # fmt: skip
    s.cite("derived", "energy balance of a surface that loses nothing")
    s.add("highest Lambert constant", -4.97, 0.005, lambda: levels.LAMBERT_CEILING_DB, unit="dB")
    s.cite("memory", URICK)
    for radius, expected in ((0.1, -26.02), (0.5, -12.04), (2.0, 0.00)):
        s.add(
            f"sphere, {radius} m",
            expected,
            0.01,
            partial(levels.target_strength_sphere_db, radius),
            unit=STRENGTH,
        )
    for radius, length, khz, expected in (
        (0.25, 1.0, 400, 15.23),
        (0.1, 0.5, 400, 5.23),
        (0.15, 1.5, 100, 10.51),
    ):
        s.add(f"cylinder, radius {radius} m, length {length} m, {khz} kHz", expected, 0.01,
              partial(levels.target_strength_cylinder_db, radius, length, 1.5 / khz), unit=STRENGTH)  # fmt: skip
    s.add("plate 0.1 x 0.1 m, normal, 400 kHz", 8.52, 0.01,
          lambda: levels.target_strength_plate_db(0.1, 0.1, WAVELENGTH_M), unit=STRENGTH)  # fmt: skip
    s.cite("computed", "rigid-body modal series, summed now")
    s.add("sphere, ka 100", partial(_sphere_modal_db, 100.0), 0.02,
          lambda: levels.target_strength_sphere_db(1.0), unit=STRENGTH, reason="the limit of large ka")  # fmt: skip
    s.add("cylinder, ka 50", partial(_cylinder_modal_db, 50.0), 0.01,
          lambda: levels.target_strength_cylinder_db(1.0, 1.0, 2 * np.pi / 50), unit=STRENGTH,
          reason="the limit of large ka")  # fmt: skip
    s.cite("computed", "Kirchhoff integral over the plate, summed now")
    for off in (0.3, 1.0, 2.5):
        s.add(f"plate 0.1 x 0.1 m, {off} deg off normal, 400 kHz", partial(_plate_integral_db, np.radians(off)), 1e-3,
              partial(levels.target_strength_plate_db, 0.1, 0.1, WAVELENGTH_M, np.radians(off)), unit=STRENGTH,
              reason="steps of the sum")  # fmt: skip
    s.add("plate 0.1 x 0.1 m, 1 deg off normal, as taken down", -14.12, 0.01,
          lambda: levels.target_strength_plate_db(0.1, 0.1, WAVELENGTH_M, np.radians(1.0)), unit=STRENGTH)  # fmt: skip
    s.cite("derived", "radar cross-section over 4 pi")
    s.add("triangular trihedral, 0.1 m, 400 kHz", 3.75, 0.01,
          lambda: levels.target_strength_triangular_trihedral_db(0.1, WAVELENGTH_M), unit=STRENGTH)  # fmt: skip
    s.add("square over triangular trihedral", 20 * np.log10(3), 1e-9,
          lambda: levels.target_strength_square_trihedral_db(0.1, WAVELENGTH_M)
          - levels.target_strength_triangular_trihedral_db(0.1, WAVELENGTH_M), unit="dB", reason="exact")  # fmt: skip
    s.cite("computed", "integral along the cylinder with exact distances, summed now")
    for r in (10.0, 100.0, 1000.0):
        s.add(f"near-field loss of a 1 m cylinder, 400 kHz, {r:g} m", partial(_cylinder_near_db, r), 0.05,
              partial(_cylinder_correction_db, r), unit="dB", reason="paths to second order")  # fmt: skip
    s.add("near-field loss of a 1 m cylinder, 400 kHz, 100 m, as taken down", -7.32, 0.05,
          partial(_cylinder_correction_db, 100.0), unit="dB")  # fmt: skip
    s.cite("derived", "stationary phase: only sqrt(wavelength R/2) returns")
    s.add("near-field loss, asymptote at 10 m", -17.27, 1.0, partial(_cylinder_correction_db, 10.0), unit="dB",
          reason="Fresnel ripple of 1 dB")  # fmt: skip
    return s.rows


def _sphere_modal_db(ka: float) -> float:
    """Backscatter of a rigid sphere of radius 1 m."""
    from scipy.special import spherical_jn, spherical_yn

    n = np.arange(int(ka + 6 * ka ** (1 / 3)) + 10)
    slope_j = spherical_jn(n, ka, derivative=True)
    slope_h = slope_j + 1j * spherical_yn(n, ka, derivative=True)
    form = 2 / ka * abs(np.sum((-1.0) ** n * (2 * n + 1) * slope_j / slope_h))
    return float(20 * np.log10(form / 2))


def _cylinder_modal_db(ka: float) -> float:
    """Backscatter at broadside of a piece of 1 m of a rigid cylinder of radius 1 m."""
    from scipy.special import h1vp, jvp

    n = np.arange(int(ka + 6 * ka ** (1 / 3)) + 10)
    form = (
        2 / np.sqrt(np.pi * ka) * abs(np.sum(np.where(n == 0, 1, 2) * (-1.0) ** n * jvp(n, ka) / h1vp(n, ka)))
    )
    wavelength = 2 * np.pi / ka
    return float(10 * np.log10(form**2 / (2 * wavelength)))


def _plate_integral_db(off_normal_rad: float) -> float:
    x = 0.1 * ((np.arange(20_000) + 0.5) / 20_000 - 0.5)
    k = 2 * np.pi / WAVELENGTH_M
    mean = np.mean(np.exp(2j * k * x * np.sin(off_normal_rad)))
    return float(20 * np.log10(0.1 * 0.1 / WAVELENGTH_M * abs(mean) * np.cos(off_normal_rad)))


def _cylinder_near_db(range_m: float) -> float:
    z = (np.arange(20_000) + 0.5) / 20_000 - 0.5
    path = np.hypot(range_m, z) - range_m
    return float(20 * np.log10(abs(np.mean(np.exp(4j * np.pi / WAVELENGTH_M * path)))))


def _cylinder_correction_db(range_m: float) -> float:
    near = levels.target_strength_cylinder_db(0.25, 1.0, WAVELENGTH_M, range_m)
    return float(near - levels.target_strength_cylinder_db(0.25, 1.0, WAVELENGTH_M))


def _sonar_equation() -> list[Row]:
    """Source level 205 dB, 400 kHz, 0.096 dB/m, 40 kHz, 5 ms, 0.5 m array, target -20 dB, altitude 5 m."""
    s = Sheet("sonar-equation", source="worked example, from the equations above", kind="derived")
    directivity = partial(array.directivity_index_line_db, 0.5, WAVELENGTH_M)
    s.add("directivity index, 0.5 m at 400 kHz", 24.26, 0.02, directivity, unit="dB")
    s.add(
        "noise in 40 kHz, over its spectrum level",
        46.02,
        0.01,
        lambda: levels.band_level_db(0.0, 40e3),
        unit="dB",
    )
    for r, loss, before, after, grazing, area, backscatter, reverberation in EXAMPLE:
        s.add(
            f"transmission loss, {r} m", loss, 0.02, partial(levels.transmission_loss_db, r, 0.096), unit="dB"
        )
        s.add(f"signal to noise before compression, {r} m", before, 0.02, partial(_snr_db, r, 0.0), unit="dB")
        s.add(f"signal to noise after compression, {r} m", after, 0.02,
              partial(_snr_db, r, float(pulse.processing_gain_db(40e3, 5e-3))), unit="dB")  # fmt: skip
        s.add(f"grazing angle, {r} m", grazing, 0.001, partial(_grazing_deg, r), unit="deg")
        s.add(f"cell area, {r} m", area, 1e-3, partial(_area_m2, r), unit="m^2", relative=True)
        s.add(f"backscattering strength, {r} m", backscatter, 0.02, partial(_backscatter_db, r), unit="dB")
        s.add(f"signal to reverberation, {r} m", reverberation, 0.02, partial(_srr_db, r), unit="dB")
    s.cite("computed", "reverberation level over range, 40..80 m at 5 m altitude")
    s.add("fall of Lambert reverberation per decade of range, no absorption", -50.1, 0.1, _reverberation_slope_db,
          unit="dB")  # fmt: skip
    return s.rows


def _snr_db(range_m: float, gain_db: float) -> float:
    noise = levels.band_level_db(seawater.thermal_noise_db(400e3), 40e3)
    loss = levels.transmission_loss_db(range_m, 0.096)
    directivity = array.directivity_index_line_db(0.5, WAVELENGTH_M)
    return float(levels.signal_to_noise_db(205.0, loss, -20.0, noise, directivity, gain_db))


def _grazing_deg(range_m: float) -> float:
    return float(np.degrees(grazing_rad(range_m, 5.0)))


def _area_m2(range_m: float) -> float:
    along = array.along_width_m(WAVELENGTH_M, range_m, 0.5)
    return float(levels.cell_area_m2(1500.0 / (2 * 40e3), along, grazing_rad(range_m, 5.0)))


def _backscatter_db(range_m: float) -> float:
    return float(levels.lambert_db(grazing_rad(range_m, 5.0)))


def _srr_db(range_m: float) -> float:
    return float(levels.signal_to_reverberation_db(-20.0, _backscatter_db(range_m), _area_m2(range_m)))


def _reverberation_slope_db() -> float:
    level = [
        levels.seabed_echo_level_db(
            205.0, levels.transmission_loss_db(r, 0.0), _backscatter_db(r), _area_m2(r)
        )
        for r in (40.0, 80.0)
    ]
    return float((level[1] - level[0]) / np.log10(2.0))
