"""Sound speed, absorption and noise of sea and fresh water, from published formulas.

Which formula the rest of the code uses, and why:

* Sound speed: Chen and Millero. Over 0..30 deg C, 0..100 dbar and every salinity from a lake to the open sea it
  stays within 0.19 m/s of TEOS-10. Del Grosso is nearer at sea (0.07 m/s above a salinity of 30) but 1.7 m/s off
  in warm brackish water; Mackenzie and Medwin are for the sea only. A test measures all of this.
* Absorption: Francois and Garrison, whose fit rests on more measurements above 100 kHz than any simpler form.
* Noise: Mellen's thermal limit and the usual wind fit, added as powers.

Temperatures are in situ, ITS-90, in degrees Celsius; salinities are practical; depths are positive down.
Arguments broadcast as numpy arrays do; everything is computed and returned in float64.
"""

from __future__ import annotations

from typing import Any, Literal, get_args

import numpy as np
from numpy.polynomial.polynomial import polyval, polyval2d
from numpy.typing import ArrayLike, NDArray

from .errors import ParameterError, nearest_name

__all__ = [
    "AbsorptionModel",
    "SoundSpeedModel",
    "absorption_ainslie_mccolm_db_m",
    "absorption_db_m",
    "absorption_francois_garrison_db_m",
    "noise_level_db",
    "pressure_dbar",
    "sound_speed_chen_millero_m_s",
    "sound_speed_del_grosso_m_s",
    "sound_speed_m_s",
    "sound_speed_mackenzie_m_s",
    "sound_speed_marczak_m_s",
    "sound_speed_medwin_m_s",
    "thermal_noise_db",
    "thermal_noise_first_principles_db",
    "wind_noise_db",
]

SoundSpeedModel = Literal["del-grosso", "chen-millero", "mackenzie", "medwin", "marczak"]
AbsorptionModel = Literal["francois-garrison", "ainslie-mccolm"]

Result = NDArray[np.float64]

_BOUNDS = {
    # Physical bounds, wider than any formula's range of validity: what lies outside is a slip of units.
    "temperature_c": (-4.0, 60.0),
    "salinity": (0.0, 60.0),
    "depth_m": (0.0, 12_000.0),
    "pressure_dbar": (0.0, 12_000.0),
    "ph": (4.0, 11.0),
    "frequency_hz": (1.0, 1e8),
    "wind_speed_m_s": (0.0, 100.0),
    "density_kg_m3": (900.0, 1200.0),
    "speed_m_s": (1300.0, 1800.0),
    "latitude_deg": (-90.0, 90.0),
}
_UNIT_REMEDY = "Check the unit."


def _checked(**values: ArrayLike) -> list[Any]:
    """Return the values as float64, refusing what no water can be."""
    out = []
    for name, value in values.items():
        array = np.asarray(value, dtype=np.float64)
        low, high = _BOUNDS[name]
        bad = ~((array >= low) & (array <= high))
        if bad.any():
            got = array[bad].flat[0]
            raise ParameterError(f"{name} is {got:g}; allowed: from {low:g} to {high:g}. {_UNIT_REMEDY}")
        out.append(array[()])
    return out


# --- sound speed -----------------------------------------------------------------------------------------


def sound_speed_m_s(
    temperature_c: ArrayLike,
    salinity: ArrayLike,
    depth_m: ArrayLike,
    *,
    model: SoundSpeedModel = "chen-millero",
) -> Result:
    """Speed of sound from temperature, salinity and depth.

    Parameters
    ----------
    temperature_c, salinity, depth_m : array_like
        [deg C, practical, m]; each formula states its own range of validity.
    model : str
        Formula; ``"marczak"`` is for fresh water at the surface and ignores salinity and depth.

    Returns
    -------
    ndarray of float64, of the broadcast shape
        [m/s]

    Raises
    ------
    ParameterError
        If a value is outside physical bounds, or the model is unknown.
    """
    if model == "del-grosso":
        return sound_speed_del_grosso_m_s(temperature_c, salinity, pressure_dbar(depth_m))
    if model == "chen-millero":
        return sound_speed_chen_millero_m_s(temperature_c, salinity, pressure_dbar(depth_m))
    if model == "mackenzie":
        return sound_speed_mackenzie_m_s(temperature_c, salinity, depth_m)
    if model == "medwin":
        return sound_speed_medwin_m_s(temperature_c, salinity, depth_m)
    if model == "marczak":
        return sound_speed_marczak_m_s(temperature_c)
    raise ParameterError(f"sound speed model is {model!r}{nearest_name(model, get_args(SoundSpeedModel))}.")


def pressure_dbar(depth_m: ArrayLike, latitude_deg: ArrayLike = 45.0) -> Result:
    """Sea pressure at a depth below the surface of a standard ocean. [dbar]

    Saunders, P. M. (1981), J. Phys. Oceanogr. 11, 573-574. In fresh water it is 3 % high, which is 0.005 m/s
    of sound speed at 10 m.
    """
    depth, latitude = _checked(depth_m=depth_m, latitude_deg=latitude_deg)
    c1 = 5.92e-3 + 5.25e-3 * np.sin(np.deg2rad(latitude)) ** 2
    return ((1 - c1) - np.sqrt((1 - c1) ** 2 - 8.84e-6 * depth)) / 4.42e-6


def sound_speed_mackenzie_m_s(temperature_c: ArrayLike, salinity: ArrayLike, depth_m: ArrayLike) -> Result:
    """Nine-term formula for the sea; valid for 2..30 deg C, salinity 25..40, 0..8000 m. [m/s]

    Mackenzie, K. V. (1981), J. Acoust. Soc. Am. 70, 807-812. In fresh water of 4..20 deg C it is 0.6 to 0.8 m/s low.
    """
    t, s, d = _checked(temperature_c=temperature_c, salinity=salinity, depth_m=depth_m)
    fresh = s - 35
    thermal = polyval(t, [1448.96, 4.591, -5.304e-2, 2.374e-4])
    deep = 1.630e-2 * d + 1.675e-7 * d**2 - 7.139e-13 * t * d**3
    return thermal + (1.340 - 1.025e-2 * t) * fresh + deep


def sound_speed_medwin_m_s(temperature_c: ArrayLike, salinity: ArrayLike, depth_m: ArrayLike) -> Result:
    """Short formula for shallow sea water; valid for 0..35 deg C, salinity 0..45, 0..1000 m. [m/s]

    Medwin, H. (1975), J. Acoust. Soc. Am. 58, 1318-1319 (coefficients from memory).
    """
    t, s, d = _checked(temperature_c=temperature_c, salinity=salinity, depth_m=depth_m)
    return polyval(t, [1449.2, 4.6, -0.055, 0.00029]) + (1.34 - 0.010 * t) * (s - 35) + 0.016 * d


def sound_speed_marczak_m_s(temperature_c: ArrayLike) -> Result:
    """Fresh water at atmospheric pressure; valid for 0..95 deg C. [m/s]

    Marczak, W. (1997), J. Acoust. Soc. Am. 102, 2776-2779.
    """
    (t,) = _checked(temperature_c=temperature_c)
    return polyval(t, [1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9])


# Rows: powers of the temperature (IPTS-68); columns: powers of the pressure in bar.
_CM_WATER = np.array(
    [
        [1402.388, 0.153563, 3.1260e-5, -9.7729e-9],
        [5.03711, 6.8982e-4, -1.7107e-6, 3.8504e-10],
        [-5.80852e-2, -8.1788e-6, 2.5974e-8, -2.3643e-12],
        [3.3420e-4, 1.3621e-7, -2.5335e-10, 0],
        [-1.47800e-6, -6.1185e-10, 1.0405e-12, 0],
        [3.1464e-9, 0, 0, 0],
    ]
)
_CM_SALT = np.array(
    [
        [1.389, 9.4742e-5, -3.9064e-7, 1.100e-10],
        [-1.262e-2, -1.2580e-5, 9.1041e-9, 6.649e-12],
        [7.164e-5, -6.4885e-8, -1.6002e-10, -3.389e-13],
        [2.006e-6, 1.0507e-8, 7.988e-12, 0],
        [-3.21e-8, -2.0122e-10, 0, 0],
    ]
)
_CM_SALT_3_2 = np.array([[-1.922e-2, 7.3637e-5], [-4.42e-5, 1.7945e-7]])


def sound_speed_chen_millero_m_s(
    temperature_c: ArrayLike, salinity: ArrayLike, pressure_dbar: ArrayLike
) -> Result:
    """UNESCO formula; valid for 0..40 deg C, salinity 0..40, 0..10 000 dbar. [m/s]

    Chen, C.-T. and Millero, F. J. (1977), J. Acoust. Soc. Am. 62, 1129-1135, as in Fofonoff, N. P. and Millard,
    R. C. (1983), UNESCO Technical Papers in Marine Science 44, algorithm 9, which uses the IPTS-68 scale.
    """
    t, s, p = _checked(temperature_c=temperature_c, salinity=salinity, pressure_dbar=pressure_dbar)
    t, s, p = np.broadcast_arrays(1.00024 * t, s, p / 10)  # IPTS-68; bar
    water = polyval2d(t, p, _CM_WATER)
    salt = polyval2d(t, p, _CM_SALT) * s + polyval2d(t, p, _CM_SALT_3_2) * s**1.5
    return water + salt + (1.727e-3 - 7.9836e-6 * p) * s**2


def sound_speed_del_grosso_m_s(
    temperature_c: ArrayLike, salinity: ArrayLike, pressure_dbar: ArrayLike
) -> Result:
    """Formula for natural waters; fitted for 0..35 deg C, salinity 29..43 and pure water, 0..9800 dbar. [m/s]

    Del Grosso, V. A. (1974), J. Acoust. Soc. Am. 56, 1084-1091, in the ITS-90 refit of Wong, G. S. K. and Zhu, S.
    (1995), J. Acoust. Soc. Am. 97, 1732-1736.
    """
    t, s, p = _checked(temperature_c=temperature_c, salinity=salinity, pressure_dbar=pressure_dbar)
    p = p * 0.1019716  # kg/cm^2
    return (
        polyval(t, [1402.392, 5.012285, -5.51184e-2, 2.21649e-4])
        + polyval(s, [0, 1.329530, 1.288598e-4])
        + polyval(p, [0, 0.1560592, 2.449993e-5, -8.833959e-9])
        + s * t * (-1.275936e-2 + 9.688441e-5 * t - 3.406824e-4 * p + 4.857614e-6 * s * p)
        + t * p * (6.353509e-3 - 1.593895e-6 * p + 5.222483e-10 * p**2 + 2.656174e-8 * t * p)
        - 4.383615e-7 * t**3 * p
        - 1.616745e-9 * (s * p) ** 2
    )


# --- absorption ------------------------------------------------------------------------------------------


def absorption_db_m(
    frequency_hz: ArrayLike,
    temperature_c: ArrayLike,
    salinity: ArrayLike,
    depth_m: ArrayLike,
    ph: ArrayLike = 8.0,
    *,
    model: AbsorptionModel = "francois-garrison",
) -> Result:
    """Absorption of sound on one way. [dB/m]

    Parameters
    ----------
    frequency_hz, temperature_c, salinity, depth_m, ph : array_like
        [Hz, deg C, practical, m, acidity]

    Returns
    -------
    ndarray of float64, of the broadcast shape
        In dB/m: the published formulas give dB/km.

    Raises
    ------
    ParameterError
        If a value is outside physical bounds, or the model is unknown.
    """
    if model == "francois-garrison":
        return absorption_francois_garrison_db_m(frequency_hz, temperature_c, salinity, depth_m, ph)
    if model == "ainslie-mccolm":
        return absorption_ainslie_mccolm_db_m(frequency_hz, temperature_c, salinity, depth_m, ph)
    raise ParameterError(f"absorption model is {model!r}{nearest_name(model, get_args(AbsorptionModel))}.")


def _relaxation(f: Any, f_relax: Any) -> Any:
    return f_relax * f**2 / (f_relax**2 + f**2)


def absorption_francois_garrison_db_m(
    frequency_hz: ArrayLike,
    temperature_c: ArrayLike,
    salinity: ArrayLike,
    depth_m: ArrayLike,
    ph: ArrayLike = 8.0,
) -> Result:
    """Boric acid, magnesium sulfate and water; stated for -2..22 deg C, salinity 30..35, 0.4..1000 kHz. [dB/m]

    Francois, R. E. and Garrison, G. R. (1982), J. Acoust. Soc. Am. 72, 896-907 and 1879-1890. In fresh water only
    the water term is left, outside the data that were fitted.
    """
    f, t, s, d, ph = _checked(
        frequency_hz=frequency_hz, temperature_c=temperature_c, salinity=salinity, depth_m=depth_m, ph=ph
    )
    f = f / 1e3  # kHz
    c = 1412 + 3.21 * t + 1.19 * s + 0.0167 * d
    kelvin = 273 + t  # the paper's own, not 273.15
    boric = (
        8.86 / c * 10 ** (0.78 * ph - 5) * _relaxation(f, 2.8 * np.sqrt(s / 35) * 10 ** (4 - 1245 / kelvin))
    )
    f2 = 8.17 * 10 ** (8 - 1990 / kelvin) / (1 + 0.0018 * (s - 35))
    magnesium = 21.44 * s / c * (1 + 0.025 * t) * polyval(d, [1, -1.37e-4, 6.2e-9]) * _relaxation(f, f2)
    cold = polyval(t, [4.937e-4, -2.59e-5, 9.11e-7, -1.50e-8])
    warm = polyval(t, [3.964e-4, -1.146e-5, 1.45e-7, -6.5e-10])
    water = np.where(t <= 20, cold, warm) * polyval(d, [1, -3.83e-5, 4.9e-10]) * f**2
    return (boric + magnesium + water) / 1e3


def absorption_ainslie_mccolm_db_m(
    frequency_hz: ArrayLike,
    temperature_c: ArrayLike,
    salinity: ArrayLike,
    depth_m: ArrayLike,
    ph: ArrayLike = 8.0,
) -> Result:
    """Simplified form of the same three terms, within about 10 % of them from 0.1 to 1000 kHz. [dB/m]

    Ainslie, M. A. and McColm, J. G. (1998), J. Acoust. Soc. Am. 103, 1671-1672.
    """
    f, t, s, d, ph = _checked(
        frequency_hz=frequency_hz, temperature_c=temperature_c, salinity=salinity, depth_m=depth_m, ph=ph
    )
    f, z = f / 1e3, d / 1e3  # kHz, km
    boric = 0.106 * _relaxation(f, 0.78 * np.sqrt(s / 35) * np.exp(t / 26)) * np.exp((ph - 8) / 0.56)
    f2 = 42 * np.exp(t / 17)
    magnesium = 0.52 * (1 + t / 43) * (s / 35) * _relaxation(f, f2) * np.exp(-z / 6)
    water = 0.00049 * f**2 * np.exp(-(t / 27 + z / 17))
    return (boric + magnesium + water) / 1e3


# --- noise -----------------------------------------------------------------------------------------------


def thermal_noise_db(frequency_hz: ArrayLike) -> Result:
    """Thermal noise spectrum level, omnidirectional, as a rule. [dB re 1 uPa/sqrt(Hz)]

    Mellen, R. H. (1952), J. Acoust. Soc. Am. 24, 478-480.
    """
    (f,) = _checked(frequency_hz=frequency_hz)
    return -15 + 20 * np.log10(f / 1e3)


def thermal_noise_first_principles_db(
    frequency_hz: ArrayLike,
    temperature_c: ArrayLike = 10.0,
    density_kg_m3: ArrayLike = 1026.0,
    speed_m_s: ArrayLike = 1490.0,
) -> Result:
    """The same from equipartition: p^2 = 4 pi k T rho f^2 / c per hertz. [dB re 1 uPa/sqrt(Hz)]

    About 0.3 dB above Mellen's rounded rule.
    """
    f, t, rho, c = _checked(
        frequency_hz=frequency_hz,
        temperature_c=temperature_c,
        density_kg_m3=density_kg_m3,
        speed_m_s=speed_m_s,
    )
    boltzmann_j_k = 1.380649e-23  # exact, SI 2019
    square_pressure = 4 * np.pi * boltzmann_j_k * (273.15 + t) * rho * f**2 / c
    return 10 * np.log10(square_pressure) + 120


def wind_noise_db(frequency_hz: ArrayLike, wind_speed_m_s: ArrayLike) -> Result:
    """Sea-surface noise spectrum level, a fit for below about 100 kHz. [dB re 1 uPa/sqrt(Hz)]

    As usually quoted from Coates, R. F. W. (1990), *Underwater Acoustic Systems* (form and 0.4 from memory).
    """
    f, w = _checked(frequency_hz=frequency_hz, wind_speed_m_s=wind_speed_m_s)
    f = f / 1e3
    return 50 + 7.5 * np.sqrt(w) + 20 * np.log10(f) - 40 * np.log10(f + 0.4)


def noise_level_db(frequency_hz: ArrayLike, wind_speed_m_s: ArrayLike = 5.0) -> Result:
    """Noise spectrum level of thermal and wind noise, added as powers. [dB re 1 uPa/sqrt(Hz)]

    Raises
    ------
    ParameterError
        If a value is outside physical bounds.
    """
    thermal = 10 ** (thermal_noise_db(frequency_hz) / 10)
    wind = 10 ** (wind_noise_db(frequency_hz, wind_speed_m_s) / 10)
    return 10 * np.log10(thermal + wind)
