"""Registration bounds and georeferencing, against scikit-image, PROJ and seeded draws."""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from pingloom.bench import georeference
from pingloom.imaging.theory import registration as theory

from .row import Row, Sheet

__all__ = ["rows"]

CARTER = "Carter 1987, Proc. IEEE 75, 236: flat band"
GUIZAR = "Guizar-Sicairos et al. 2008, Opt. Lett. 33, 156, by scikit-image"
KRUEGER = "PROJ and an independent library (Krueger series)"

# f0 and B [kHz], T [ms], coherence; delay [ns], range with the carrier [um], range of the envelope [mm]
BOUNDS = [(400, 40, 2, 0.9, 15.23, 11.42, 0.396), (400, 40, 2, 0.5, 54.46, 40.85, 1.416),
          (100, 30, 5, 0.8, 68.66, 51.49, 0.597)]  # fmt: skip
# latitude, longitude, EPSG, easting, northing, convergence [deg], scale
PLACES = [
    (42.0, -71.0, 32619, 334361.178, 4651711.059, -1.33856, 0.99993761),
    (60.0, 5.0, 32632, 276979.926, 6658157.202, -3.46552, 1.00020958),
    (0.0, 3.0, 32631, 500000.000, 0.000, 0.00000, 0.99960000),
    (0.0, 0.0, 32631, 166021.443, 0.000, 0.00000, 1.00098106),
    (-33.9, 151.3, 32756, 342816.175, 6247630.916, 0.94836, 0.99990458),
    (48.5, -123.5, 32610, 463064.131, 5371996.282, -0.37448, 0.99961676),
]


def rows() -> list[Row]:
    """All rows on registration and georeferencing."""
    return [*_bounds(), *_registration(), *_georeference()]


def _bounds() -> list[Row]:
    s = Sheet("registration", source=CARTER, kind="derived")
    for f0, b, t, g, delay_ns, carrier_um, envelope_mm in BOUNDS:
        case = (b * 1e3, t * 1e-3, g)
        where = f"{f0} kHz, {b} kHz, {t} ms, coherence {g}"
        s.add(f"delay bound, {where}", delay_ns, 0.01, partial(_delay_ns, f0 * 1e3, *case), unit="ns")
        s.add(
            f"range bound, carrier, {where}",
            carrier_um,
            0.01,
            partial(_range_m, f0 * 1e3, *case, 1e6),
            unit="um",
        )
        s.add(
            f"range bound, envelope, {where}",
            envelope_mm,
            1e-3,
            partial(_range_m, 0.0, *case, 1e3),
            unit="mm",
        )
    s.add("delay bound, band from 0 to B, against the band form at B/2", 1.0, 1e-12, _lowpass_over_band,
          reason="the same integral")  # fmt: skip
    s.cite("computed", "maximum-likelihood estimates of 400 draws, as taken down")
    s.add("delay bound, carrier, 400 kHz, 40 kHz, 2 ms, coherence 0.9", 14.8, 0.12,
          partial(_delay_ns, 400e3, 40e3, 2e-3, 0.9), unit="ns", relative=True,
          reason="3 standard errors of 400 draws")  # fmt: skip
    s.add("delay bound, envelope, 40 kHz, 2 ms, coherence 0.9", 583.0, 0.12, partial(_delay_ns, 0.0, 40e3, 2e-3, 0.9),
          unit="ns", relative=True, reason="3 standard errors of 400 draws; a bound lies below")  # fmt: skip
    return s.rows


def _delay_ns(f0_hz: float, bandwidth_hz: float, window_s: float, coherence: float) -> float:
    return float(1e9 * theory.delay_std_s(f0_hz, bandwidth_hz, window_s, coherence))


def _range_m(f0_hz: float, bandwidth_hz: float, window_s: float, coherence: float, times: float) -> float:
    return float(times * theory.range_std_m(theory.delay_std_s(f0_hz, bandwidth_hz, window_s, coherence)))


def _lowpass_over_band() -> float:
    lowpass = theory.delay_std_lowpass_s(40e3, 2e-3, 0.9)
    return float(lowpass / theory.delay_std_s(20e3, 40e3, 2e-3, 0.9))


def _registration() -> list[Row]:
    s = Sheet("registration", source=GUIZAR, kind="library")
    for shift, factor, expected, tolerance in (((3.37, -7.81), 100, (-3.37, 7.81), 0.011),
                                               ((3.37, -7.81), 10, (-3.4, 7.8), 1e-6),
                                               ((-0.25, 0.6), 100, (0.25, -0.60), 0.011)):  # fmt: skip
        for axis, name in enumerate(("rows", "columns")):
            s.add(f"shift back of {shift} in 1/{factor} pixel, {name}", expected[axis], tolerance,
                  partial(_picture_shift, shift, factor, axis), unit="pixel", reason="grid of the search")  # fmt: skip
    s.cite(
        "computed", "seeded speckle, 64 x 64 pixels, 2 a cell, 60 draws; values taken down from other draws"
    )
    for rho, spread in ((0.95, 0.012), (0.7, 0.043), (0.5, 0.072)):
        s.add(f"spread of speckle registration, correlation {rho}", spread, 0.4, partial(_speckle_shift, rho, "std"),
              unit="pixel", relative=True, reason="two sets of 60 draws")  # fmt: skip
        s.add(f"bias of speckle registration, correlation {rho}", 0.0, 0.03, partial(_speckle_shift, rho, "bias"),
              unit="pixel", reason="3 standard errors of 60 draws")  # fmt: skip
    return s.rows


def _shifted(image: np.ndarray, shift: tuple[float, float]) -> np.ndarray:
    from scipy.ndimage import fourier_shift

    return np.fft.ifft2(fourier_shift(np.fft.fft2(image), shift)).real


@cache
def _picture_shift(shift: tuple[float, float], factor: int, axis: int) -> float:
    from skimage import data
    from skimage.registration import phase_cross_correlation

    image = data.camera().astype(np.float64)
    found = phase_cross_correlation(image, _shifted(image, shift), upsample_factor=factor)[0]
    return float(found[axis])


@cache
def _speckle_shifts(rho: float) -> np.ndarray:
    """Errors of 60 registrations of speckle shifted by 0.37 pixel."""
    from skimage.registration import phase_cross_correlation

    rng = np.random.default_rng(round(100 * rho))
    n, errors = 64, []
    frequency = np.fft.fftfreq(n)
    band = (np.abs(frequency)[:, None] <= 0.25) & (np.abs(frequency)[None, :] <= 0.25)  # 2 pixels a cell
    for _ in range(60):
        one, other = (rng.standard_normal((2, 2, n, n)) * [[[[1]], [[1j]]]]).sum(axis=1)
        other = rho * one + np.sqrt(1 - rho**2) * other
        ramp = np.exp(-2j * np.pi * 0.37 * frequency)[None, :]
        reference = np.abs(np.fft.ifft2(band * one)) ** 2
        moving = np.abs(np.fft.ifft2(band * ramp * other)) ** 2
        found = phase_cross_correlation(
            reference - reference.mean(), moving - moving.mean(), upsample_factor=100, normalization=None
        )[0]
        errors.append(found[1] + 0.37)
    return np.array(errors)


def _speckle_shift(rho: float, what: str) -> float:
    errors = _speckle_shifts(rho)
    return float(errors.std() if what == "std" else errors.mean())


def _georeference() -> list[Row]:
    s = Sheet("georeference", source=KRUEGER, kind="library")
    for latitude, longitude, epsg, easting, northing, convergence, scale in PLACES:
        where = f"{latitude} N, {longitude} E"
        s.add(f"UTM zone, {where}", float(epsg), 0.5, partial(georeference.utm_epsg, latitude, longitude),
              reason="a whole number")  # fmt: skip
        for axis, (name, value) in enumerate((("easting", easting), ("northing", northing))):
            s.add(f"{name}, {where}", value, 0.002, partial(_projected, latitude, longitude, 0.0, 0.0, axis), unit="m",
                  reason="two series agree to 1 mm")  # fmt: skip
        s.add(
            f"grid convergence, {where}",
            convergence,
            1e-5,
            partial(_factor, latitude, longitude, 0),
            unit="deg",
        )
        s.add(f"grid scale, {where}", scale, 1e-8, partial(_factor, latitude, longitude, 1))
    s.cite("library", "geodesics of PROJ on WGS 84")
    s.add("100 m on azimuth 35 deg: latitude", 42.00073749, 1e-8, partial(_on_azimuth, 0), unit="deg")
    s.add("100 m on azimuth 35 deg: longitude", -70.99930769, 1e-8, partial(_on_azimuth, 1), unit="deg")
    s.add(
        "100 m east of 42 N 71 W: easting",
        334461.144,
        0.002,
        partial(_projected, 42, -71, 0, 100, 0),
        unit="m",
    )
    s.add(
        "100 m east of 42 N 71 W: northing",
        4651708.724,
        0.002,
        partial(_projected, 42, -71, 0, 100, 1),
        unit="m",
    )
    s.add("grid azimuth of true east at 42 N 71 W", 91.3386, 2e-4,
          lambda: 90 - _factor(42.0, -71.0, 0), unit="deg", reason="the chord turns over 100 m")  # fmt: skip
    s.cite("derived", "grid azimuth is true azimuth minus convergence; lengths times the scale")
    for axis, name in enumerate(("easting", "northing")):
        s.add(f"way of 30 m north and 40 m east at 60 N 5 E: {name}", partial(_by_factors, 30.0, 40.0, axis), 5e-4,
              partial(_way, 30.0, 40.0, axis), unit="m", reason="convergence changes over the way")  # fmt: skip
    s.cite("library", "geodesics of PROJ on WGS 84")
    for latitude, per_latitude, per_longitude in ((42, 111073.284, 82850.762), (60, 111412.287, 55800.002)):
        s.add(f"metres to a degree of latitude at {latitude} N", per_latitude, 0.01,
              partial(_metres_per_degree, latitude, "latitude"), unit="m")  # fmt: skip
        s.add(f"metres to a degree of longitude at {latitude} N", per_longitude, 0.01,
              partial(_metres_per_degree, latitude, "longitude"), unit="m")  # fmt: skip
    return s.rows


def _projected(latitude_deg: float, longitude_deg: float, north_m: float, east_m: float, axis: int) -> float:
    return float(georeference.to_projected(latitude_deg, longitude_deg, north_m, east_m)[axis])


def _factor(latitude_deg: float, longitude_deg: float, which: int) -> float:
    factors = georeference.grid_factors(latitude_deg, longitude_deg)
    return float(np.degrees(factors.convergence_rad)) if which == 0 else factors.scale


def _on_azimuth(axis: int) -> float:
    azimuth = np.radians(35.0)
    return float(georeference.to_geodetic(42.0, -71.0, 100 * np.cos(azimuth), 100 * np.sin(azimuth))[axis])


def _way(north_m: float, east_m: float, axis: int) -> float:
    return _projected(60.0, 5.0, north_m, east_m, axis) - _projected(60.0, 5.0, 0.0, 0.0, axis)


def _by_factors(north_m: float, east_m: float, axis: int) -> float:
    factors = georeference.grid_factors(60.0, 5.0)
    azimuth = np.arctan2(east_m, north_m) - factors.convergence_rad
    length = factors.scale * np.hypot(north_m, east_m)
    return float(length * (np.sin(azimuth) if axis == 0 else np.cos(azimuth)))


def _metres_per_degree(latitude_deg: float, along: str) -> float:
    """From a metre either way: the rate at the place, not over a whole degree."""
    step = 1.0
    north, east = (step, 0.0) if along == "latitude" else (0.0, step)
    plus = georeference.to_geodetic(latitude_deg, 5.0, north, east)
    minus = georeference.to_geodetic(latitude_deg, 5.0, -north, -east)
    axis = 0 if along == "latitude" else 1
    return float(2 * step / (plus[axis] - minus[axis]))
