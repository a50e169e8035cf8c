"""Sound speed, absorption and noise of water against publications and oceanographic libraries."""

from __future__ import annotations

from functools import partial

import numpy as np

from pingloom.imaging import seawater as sw

from .row import Row, Sheet

__all__ = ["rows"]

UNESCO = "Fofonoff & Millard 1983, UNESCO Tech. Pap. Mar. Sci. 44, algorithm 9"
MACKENZIE = "Mackenzie 1981, J. Acoust. Soc. Am. 70, 807"
MEDWIN = "Medwin 1975, J. Acoust. Soc. Am. 58, 1318"
DEL_GROSSO = "Del Grosso 1974 in Wong & Zhu 1995, J. Acoust. Soc. Am. 97, 1732"
MARCZAK = "Marczak 1997, J. Acoust. Soc. Am. 102, 2776"
TEOS_10 = "TEOS-10, IOC, SCOR & IAPSO 2010, by the gsw library"
FRANCOIS = "Francois & Garrison 1982, J. Acoust. Soc. Am. 72, 1879"
AINSLIE = "Ainslie & McColm 1998, J. Acoust. Soc. Am. 103, 1671"
MELLEN = "Mellen 1952, J. Acoust. Soc. Am. 24, 478"
WIND = "Coates 1990, Underwater Acoustic Systems, as usually quoted"

# T [deg C], S, depth [m], pressure at 45 degrees latitude [dbar], then m/s by the four formulas.
SOUND_SPEEDS = [
    (10, 35, 0, 0.000, 1489.803, 1489.990, 1489.831, 1489.789),
    (10, 35, 10, 10.082, 1489.966, 1490.150, 1489.997, 1489.953),
    (15, 35, 10, 10.082, 1506.855, 1506.964, 1506.842, 1506.843),
    (20, 35, 10, 10.082, 1521.626, 1521.680, 1521.643, 1521.644),
    (25, 35, 10, 10.082, 1534.457, 1534.516, 1534.576, 1534.523),
    (5, 33, 15, 15.123, 1468.286, 1468.521, 1468.431, 1468.336),
    (2, 34.7, 50, 50.415, 1458.351, 1458.586, 1458.522, 1458.422),
    (28, 36, 12, 12.099, 1542.385, 1542.498, 1542.588, 1542.486),
    (13, 35, 1000, 1010.637, 1516.659, 1516.342, 1516.919, 1516.740),
]

# f [kHz], T, S, depth [m], pH, then dB/km by both formulas.
ABSORPTIONS = [
    (50, 10, 35, 10, 8.0, 15.370, 15.685),
    (100, 10, 35, 10, 8.0, 33.584, 34.288),
    (200, 10, 35, 10, 8.0, 54.379, 55.987),
    (300, 10, 35, 10, 8.0, 73.062, 76.057),
    (400, 10, 35, 10, 8.0, 96.026, 100.948),
    (600, 10, 35, 10, 8.0, 159.073, 169.489),
    (900, 10, 35, 10, 8.0, 299.296, 322.067),
    (1000, 10, 35, 10, 8.0, 358.389, 386.377),
    (400, 4, 34, 10, 8.0, 93.416, 96.444),
    (400, 20, 35, 10, 8.1, 123.512, 130.400),
    (400, 25, 36, 5, 8.1, 148.830, 159.098),
    (100, 15, 35, 1000, 8.0, 32.162, 32.481),
    (400, 10, 0, 5, 7.0, 49.718, 54.118),
    (900, 10, 0, 5, 7.0, 251.700, 273.970),
    (400, 20, 0, 5, 7.0, 35.209, 37.367),
]


def rows() -> list[Row]:
    """All rows on water."""
    return [*_sound_speed(), *_fresh_water(), *_absorption(), *_noise()]


def _teos_10(temperature_c: float, salinity: float, pressure_dbar: float) -> float:
    import gsw

    absolute = salinity * 35.16504 / 35  # reference composition
    return float(gsw.sound_speed_t_exact(absolute, temperature_c, pressure_dbar))


def _sound_speed() -> list[Row]:
    s = Sheet("sound-speed")
    s.cite("published", UNESCO)
    s.add("Chen-Millero, S 40, 40 deg C (IPTS-68), 10000 dbar", 1731.995, 0.001,
          lambda: sw.sound_speed_chen_millero_m_s(40 / 1.00024, 40, 10000), unit="m/s")  # fmt: skip
    s.cite("published", MACKENZIE)
    s.add("Mackenzie, 25 deg C, S 35, 1000 m", 1550.744, 0.001,
          lambda: sw.sound_speed_mackenzie_m_s(25, 35, 1000), unit="m/s")  # fmt: skip
    for t, sal, d, p, mackenzie, medwin, chen_millero, del_grosso in SOUND_SPEEDS:
        where = f"{t} deg C, S {sal}, {d} m"
        s.cite("library", f"{MACKENZIE}; coefficients as in an independent library")
        s.add(
            f"Mackenzie, {where}",
            mackenzie,
            0.002,
            partial(sw.sound_speed_mackenzie_m_s, t, sal, d),
            unit="m/s",
        )
        s.cite("memory", MEDWIN)
        s.add(f"Medwin, {where}", medwin, 0.002, partial(sw.sound_speed_medwin_m_s, t, sal, d), unit="m/s")
        s.cite("library", f"{UNESCO}, by the EOS-80 reference routines")
        s.add(f"Chen-Millero, {where}", chen_millero, 0.01, partial(sw.sound_speed_chen_millero_m_s, t, sal, p),
              unit="m/s", reason="the temperature scale's conversion")  # fmt: skip
        s.cite("library", DEL_GROSSO)
        s.add(f"Del Grosso, {where}", del_grosso, 0.02, partial(sw.sound_speed_del_grosso_m_s, t, sal, p),
              unit="m/s", reason="the pressure unit's conversion")  # fmt: skip
        s.cite("library", TEOS_10)
        s.add(f"default formula and pressure, {where}", partial(_teos_10, t, sal, p), 0.2,
              partial(sw.sound_speed_m_s, t, sal, d), unit="m/s",
              reason="published formulas differ by 0.02..0.35", needs=("gsw",))  # fmt: skip
    s.add("default formula, largest difference, 0..30 deg C, S 0..38, 0..100 dbar", 0.0, 0.19,
          _largest_difference, unit="m/s", reason="what the default promises", needs=("gsw",))  # fmt: skip
    for name, expected, step, tol in (("temperature", 3.596, (1, 0, 0), 0.01), ("salinity", 1.220, (0, 1, 0), 0.02),
                                      ("depth", 0.01641, (0, 0, 1), 0.03)):  # fmt: skip
        s.add(f"sensitivity to {name} at 10 deg C, S 35, 10 m", expected, tol, partial(_slope, step), relative=True,
              unit="m/s per unit", reason="formulas fitted to different data")  # fmt: skip
    s.cite("memory", "TEOS-10 function help: checks the library that judges above")
    for absolute, t, p, expected in ((34.7118, 28.7856, 10, 1542.61580), (35.0256, 22.8103, 125, 1530.84498),
                                     (34.7324, 4.4036, 1000, 1483.93461)):  # fmt: skip
        s.add(f"TEOS-10, SA {absolute} g/kg, {t} deg C, {p} dbar", expected, 2e-5,
              partial(_teos_10, t, absolute * 35 / 35.16504, p), unit="m/s", needs=("gsw",))  # fmt: skip
    return s.rows


def _largest_difference() -> float:
    import gsw

    t, s, p = np.meshgrid(np.linspace(0, 30, 31), np.linspace(0, 38, 20), [0.0, 50.0, 100.0], indexing="ij")
    reference = gsw.sound_speed_t_exact(s * 35.16504 / 35, t, p)
    return float(np.abs(sw.sound_speed_m_s(t, s, -gsw.z_from_p(p, 45.0)) - reference).max())


def _slope(step: tuple[int, int, int]) -> float:
    at, half = np.array([10.0, 35.0, 10.0]), 0.5 * np.array(step)
    return float(sw.sound_speed_m_s(*(at + half)) - sw.sound_speed_m_s(*(at - half)))


def _fresh_water() -> list[Row]:
    s = Sheet("sound-speed")
    for t, expected in ((4, 1421.633), (10, 1447.289), (20, 1482.380), (25, 1496.728)):
        s.cite("memory", MARCZAK)
        s.add(
            f"Marczak, fresh water, {t} deg C",
            expected,
            0.001,
            partial(sw.sound_speed_marczak_m_s, t),
            unit="m/s",
        )
        s.cite("library", TEOS_10)
        for name, compute in (("Marczak", partial(sw.sound_speed_marczak_m_s, t)),
                              ("default", partial(sw.sound_speed_m_s, t, 0, 0))):  # fmt: skip
            s.add(f"{name}, fresh water, {t} deg C", partial(_teos_10, t, 0, 0), 0.05, compute, unit="m/s",
                  reason="accuracy of both at the surface", needs=("gsw",))  # fmt: skip
    return s.rows


def _db_km(model: str, khz: float, *rest: float) -> float:
    return float(1e3 * sw.absorption_db_m(khz * 1e3, *rest, model=model))


def _absorption() -> list[Row]:
    s = Sheet("absorption")
    for khz, t, sal, d, ph, francois, ainslie in ABSORPTIONS:
        where = f"{khz} kHz, {t} deg C, S {sal}, {d} m, pH {ph}"
        s.cite("library", f"{FRANCOIS}, by an independent library")
        s.add(f"Francois-Garrison, {where}", francois, 1e-3, partial(_db_km, "francois-garrison", khz, t, sal, d, ph),
              unit="dB/km", relative=True, reason="rounded constants")  # fmt: skip
        s.cite("published", AINSLIE)
        s.add(f"Ainslie-McColm, {where}", ainslie, 1e-3, partial(_db_km, "ainslie-mccolm", khz, t, sal, d, ph),
              unit="dB/km", relative=True, reason="rounded constants")  # fmt: skip
        s.cite("published", "Ainslie & McColm 1998 against Francois & Garrison 1982")
        s.add(f"Francois-Garrison against Ainslie-McColm, {where}",
              partial(_db_km, "ainslie-mccolm", khz, t, sal, d, ph), 0.10,
              partial(_db_km, "francois-garrison", khz, t, sal, d, ph), unit="dB/km", relative=True,
              reason="the simple form is within 10 % of the full one")  # fmt: skip
    s.cite("library", f"{FRANCOIS}, by an independent library")
    for name, expected in (("boric acid", 0.1157), ("magnesium sulfate", 46.202), ("water", 49.709)):
        s.add(f"Francois-Garrison share of {name}, 400 kHz, 10 deg C, S 35, 10 m, pH 8", expected, 1e-3,
              partial(_share, name), unit="dB/km", relative=True, reason="rounded constants")  # fmt: skip
    s.cite("common practice", "range falls as frequency rises")
    for khz, expected, tol in ((50, 15, 0.5), (100, 34, 0.5), (400, 96, 0.5), (900, 300, 5)):
        s.add(f"absorption in sea water at {khz} kHz, about", expected, tol,
              partial(_db_km, "francois-garrison", khz, 10, 35, 10, 8.0), unit="dB/km", reason="rounded")  # fmt: skip
    return s.rows


def _share(name: str) -> float:
    """Split the sum: only boric acid depends on acidity, and only water is left without salt."""
    model = "francois-garrison"
    total = _db_km(model, 400, 10, 35, 10, 8.0)
    boric = (total - _db_km(model, 400, 10, 35, 10, 7.0)) / (1 - 10**-0.78)
    water = _db_km(model, 400, 10, 0, 10, 8.0)
    return {"boric acid": boric, "water": water, "magnesium sulfate": total - boric - water}[name]


def _noise() -> list[Row]:
    s = Sheet("noise", source=MELLEN, kind="published")
    unit = "dB re 1 uPa/sqrt(Hz)"
    for khz, expected in ((50, 18.98), (100, 25.00), (200, 31.02), (400, 37.04), (600, 40.56), (900, 44.08)):
        s.add(f"thermal noise, {khz} kHz", expected, 0.01, partial(sw.thermal_noise_db, khz * 1e3), unit=unit)
    s.cite("derived", "4 pi k T rho f^2/c, equipartition")
    s.add("thermal noise, first principles, 400 kHz, 283.15 K, 1026 kg/m^3, 1490 m/s", 37.33, 0.01,
          lambda: sw.thermal_noise_first_principles_db(400e3, 10.0, 1026.0, 1490.0), unit=unit)  # fmt: skip
    s.add("first principles above Mellen's rule", 0.29, 0.01,
          lambda: sw.thermal_noise_first_principles_db(400e3) - sw.thermal_noise_db(400e3), unit="dB")  # fmt: skip
    s.cite("memory", WIND)
    s.add("wind noise, 100 kHz, 5 m/s", 26.70, 0.01, lambda: sw.wind_noise_db(100e3, 5), unit=unit)
    s.add("wind noise, 50 kHz, 10 m/s", 39.60, 0.01, lambda: sw.wind_noise_db(50e3, 10), unit=unit)
    s.cite("derived", "powers of wind and thermal noise added")
    s.add("noise, 100 kHz, 5 m/s", 28.94, 0.01, lambda: sw.noise_level_db(100e3, 5), unit=unit)
    for wind, expected in ((2, 77), (5, 110), (10, 165)):
        s.add(
            f"wind and thermal noise cross, {wind} m/s", expected, 1, partial(_crossing_khz, wind), unit="kHz"
        )
    return s.rows


def _crossing_khz(wind_speed_m_s: float) -> float:
    from scipy.optimize import brentq

    return float(
        brentq(
            lambda khz: sw.wind_noise_db(khz * 1e3, wind_speed_m_s) - sw.thermal_noise_db(khz * 1e3), 20, 400
        )
    )
