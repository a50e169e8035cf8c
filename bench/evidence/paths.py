"""Multipath, ray bending, and the geometry of slant, ground and shadow."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from pingloom.imaging import rays
from pingloom.imaging.theory import geometry, multipath
from pingloom.simulate import rays as simulated

from .row import Row, Sheet

__all__ = ["rows"]

IMAGES = "image sources over a flat surface"
ECKART = "Eckart 1953, J. Acoust. Soc. Am. 25, 566"
SNELL = "ray integrals, integrated numerically"
TRIANGLES = "right triangles over a flat bottom"

BOUNCES = [
    (3, 8, 30, 30.4138, 31.9531, 31.1835, 30.7800, 31.5595, 1.0262e-3, 8.182),
    (2, 6, 40, 40.1995, 40.7922, 40.4958, 40.2978, 40.5956, 0.3951e-3, 10.000),
]
ROUGHNESS = [(100, 2.0, 15, 0.4337, 0.9103), (400, 1.0, 20, 1.1461, 0.5185), (400, 0.5, 10, 0.2910, 0.9586)]
# c0, gradient, altitude, x; launch and straight angle [deg], one-way time [ms], x error with c0 and with mean c [m]
RAYS = [
    (1500, -0.5, 5, 50, 5.2327, 5.7106, 33.527144, 0.0415, -0.00057),
    (1500, -1.0, 5, 75, 2.3796, 3.8141, 50.189448, 0.1180, -0.00780),
    (1500, 0.017, 10, 100, 5.7431, 5.7106, 66.995371, -0.0057, -0.00001),
    (1520, -2.0, 8, 60, 5.3222, 7.5946, 40.023593, 0.3076, -0.01545),
    (1500, 1.0, 5, 50, 6.6638, 5.7106, 33.442334, -0.0863, -0.00228),
]


def rows() -> list[Row]:
    """All rows on paths."""
    return [*_multipath(), *_rays(), *_geometry()]


def _multipath() -> list[Row]:
    s = Sheet("multipath", source=IMAGES, kind="derived")
    names = ("direct_m", "by_surface_m", "apparent_range_one_m", "ghost_one_m", "ghost_two_m", "delay_one_s",
             "specular_m")  # fmt: skip
    for zs, h, x, *expected in BOUNCES:
        for name, value in zip(names, expected, strict=True):
            tolerance = {"delay_one_s": 1e-7, "specular_m": 1e-3}.get(name, 1e-4)
            quantity, unit = name.rsplit("_", 1)
            s.add(f"{quantity.replace('_', ' ')}, sonar {zs} m deep, water {h} m, {x} m off", value, tolerance,
                  partial(_bounce, zs, h, x, name), unit=unit)  # fmt: skip
    s.cite("memory", ECKART)
    for khz, millimetres, grazing, gamma, amplitude in ROUGHNESS:
        case = (1.5 / khz, millimetres * 1e-3, np.radians(grazing))
        where = f"{khz} kHz, {millimetres} mm, grazing {grazing} deg"
        s.add(f"Rayleigh roughness, {where}", gamma, 2e-4, partial(multipath.rayleigh_roughness, *case))
        s.add(f"coherent surface amplitude, {where}", amplitude, 2e-4,
              partial(multipath.surface_coherent_amplitude, *case))  # fmt: skip
    s.cite("computed", "seeded draws of surface heights, their phases averaged")
    s.add("coherent surface amplitude, 400 kHz, 1 mm, 20 deg, drawn", _drawn_bounce, 5e-3,
          lambda: multipath.surface_coherent_amplitude(3.75e-3, 1e-3, np.radians(20)),
          reason="3 standard errors of 400 000 heights")  # fmt: skip
    s.cite("library", "Rayleigh reflection, by an independent library")
    for grazing, density, speed, value in ((90, 1900 / 1025, 1650 / 1500, 0.3419), (30, 1900 / 1025, 1650 / 1500, 0.5405),
                                           (60, 1500 / 1025, 1480 / 1500, 0.1795)):  # fmt: skip
        s.add(f"bottom reflection, grazing {grazing} deg, density x {density:.3f}, speed x {speed:.3f}", value, 2e-4,
              partial(_reflection, grazing, density, speed))  # fmt: skip
    s.cite("derived", "total reflection below the critical angle")
    s.add("bottom reflection, grazing 20 deg, speed x 1.1", 1.0, 1e-12, partial(_reflection, 20, 1.854, 1.1),
          reason="exact without loss")  # fmt: skip
    s.add("critical grazing angle, 1650 over 1500 m/s", 24.620, 1e-3,
          lambda: np.degrees(multipath.critical_grazing_rad(1.1)), unit="deg")  # fmt: skip
    return s.rows


def _bounce(sonar_depth_m: float, water_depth_m: float, ground_range_m: float, name: str) -> float:
    return float(getattr(multipath.surface_bounces(sonar_depth_m, water_depth_m, ground_range_m), name))


def _drawn_bounce() -> float:
    height = np.random.default_rng(53).normal(scale=1e-3, size=400_000)
    return float(abs(np.exp(4j * np.pi / 3.75e-3 * height * np.sin(np.radians(20))).mean()))


def _reflection(grazing_deg: float, density_ratio: float, sound_speed_ratio: float) -> float:
    return float(abs(multipath.bottom_reflection(np.radians(grazing_deg), density_ratio, sound_speed_ratio)))


def _rays() -> list[Row]:
    s = Sheet("rays")
    for c0, g, h, x, launch, _, time_ms, with_c0, with_mean in RAYS:
        where = f"{c0} m/s, {g} 1/s, {h} m down, {x} m off"
        s.cite("computed", SNELL)
        for title, ray in (
            ("arc", partial(rays.eigenray, c0, g, h, x)),
            ("two layers", partial(_layered, c0, g, h, x)),
            ("the simulator's", partial(_simulated, c0, g, h, x)),
        ):
            s.add(f"launch angle, {title}, {where}", launch, 1e-3, partial(_launch_deg, ray), unit="deg")
            s.add(f"one-way time, {title}, {where}", time_ms, 1e-6, partial(_time_ms, ray), unit="ms")
        s.add(f"mapping error with the sound speed at the array, {where}", with_c0, 5e-4,
              partial(_mapping_error_m, c0, g, h, x, c0), unit="m")  # fmt: skip
        s.add(f"mapping error with the mean sound speed, {where}", with_mean, 5e-4,
              partial(_mapping_error_m, c0, g, h, x, c0 + g * h / 2), unit="m")  # fmt: skip
        s.cite("derived", "inverse of the travel time")
        s.add(f"distance from the travel time, {where}", float(x), 1e-9, partial(_distance_m, c0, g, h, x), unit="m",
              reason="rounding")  # fmt: skip
        s.cite("computed", "ray integral over depth, by Gauss now")
        s.add(f"one-way time along the launched ray, {where}", partial(_integrated_time_ms, c0, g, h, x), 1e-6,
              partial(_time_ms, partial(rays.eigenray, c0, g, h, x)), unit="ms",
              reason="quadrature")  # fmt: skip
    s.cite("derived", "straight ray")
    for h, x, straight in sorted({(h, x, straight) for _, _, h, x, _, straight, *_ in RAYS}):
        s.add(f"launch angle without a gradient, {h} m down, {x} m off", straight, 1e-3,
              partial(_launch_deg, partial(rays.eigenray, 1500.0, 0.0, h, x)), unit="deg")  # fmt: skip
    s.cite("derived", "range scales with sound speed")
    for r, error, shift in ((50, 1, 0.0333), (50, 10, 0.333), (75, -15, -0.750)):
        s.add(
            f"shift at {r} m by {error} m/s",
            shift,
            5e-4,
            partial(geometry.sound_speed_shift_m, r, error),
            unit="m",
        )
    return s.rows


def _layered(c0: float, gradient_s: float, drop_m: float, horizontal_m: float) -> rays.Ray:
    """The same water as two layers of unequal thickness."""
    depth = np.array([0.0, 0.3 * drop_m, drop_m])
    return rays.layers_eigenray(
        rays.layers_between(depth, c0 + gradient_s * depth, 0.0, drop_m), horizontal_m
    )


def _simulated(c0: float, gradient_s: float, drop_m: float, horizontal_m: float) -> simulated.Rays:
    """The simulator's own ray, in water that goes on 10 m above the source."""
    depth = np.array([0.0, 10.0 + 0.3 * drop_m, 10.0 + drop_m])
    water = simulated.Column(
        depth_m=depth, sound_speed_m_s=c0 + gradient_s * (depth - 10), absorption_neper_m=np.zeros(2)
    )
    return simulated.eigenrays(water, 10.0, 10.0 + drop_m, horizontal_m)


def _launch_deg(ray: Callable[[], rays.Ray | simulated.Rays]) -> float:
    return float(np.degrees(ray().launch_rad))


def _time_ms(ray: Callable[[], rays.Ray | simulated.Rays]) -> float:
    return float(1e3 * ray().time_s)


def _mapping_error_m(
    c0: float, gradient_s: float, drop_m: float, horizontal_m: float, believed_m_s: float
) -> float:
    time_s = rays.arc_time_s(c0, gradient_s, drop_m, horizontal_m)
    return float(geometry.ground_range_m(believed_m_s * time_s, drop_m) - horizontal_m)


def _distance_m(c0: float, gradient_s: float, drop_m: float, horizontal_m: float) -> float:
    return float(
        rays.arc_horizontal_m(c0, gradient_s, drop_m, rays.arc_time_s(c0, gradient_s, drop_m, horizontal_m))
    )


def _integrated_time_ms(c0: float, gradient_s: float, drop_m: float, horizontal_m: float) -> float:
    """Integral of dz/(c sin) with Snell's law, at the launch angle of the closed form (64 Gauss points)."""
    node, weight = np.polynomial.legendre.leggauss(64)
    depth = drop_m * (node + 1) / 2
    cosine = np.cos(rays.eigenray(c0, gradient_s, drop_m, horizontal_m).launch_rad) / c0
    c = c0 + gradient_s * depth
    return float(1e3 * drop_m / 2 * np.sum(weight / (c * np.sqrt(1 - (cosine * c) ** 2))))


def _geometry() -> list[Row]:
    s = Sheet("geometry", source=TRIANGLES, kind="derived")
    for r, h, ground, grazing in ((10, 5, 8.66025, 30.0), (20, 5, 19.36492, 14.4775), (50, 5, 49.74937, 5.7392),
                                  (75, 8, 74.57211, 6.1232)):  # fmt: skip
        s.add(
            f"ground range, {r} m, {h} m up", ground, 1e-5, partial(geometry.ground_range_m, r, h), unit="m"
        )
        s.add(f"grazing angle, {r} m, {h} m up", grazing, 1e-4, partial(_grazing_deg, r, h), unit="deg")
    for r, cell in ((6, 33.92e-3), (30, 19.02e-3)):
        s.add(f"ground cell of 18.75 mm at {r} m, 5 m up", cell, 1e-5,
              partial(geometry.ground_cell_m, 18.75e-3, r, 5.0), unit="m")  # fmt: skip
    case = (25.0, 5.0, 0.5)
    s.add(
        "end of the shadow of 0.5 m at 25 m, 5 m up",
        27.7778,
        1e-4,
        partial(geometry.shadow_end_m, *case),
        unit="m",
    )
    s.add("length of that shadow", 2.7778, 1e-4, partial(geometry.shadow_length_m, *case), unit="m")
    s.add("slant range of that top", 25.40177, 1e-4, partial(geometry.top_slant_range_m, *case), unit="m")
    s.add("slant range of that shadow's end", 28.22419, 1e-4,
          lambda: np.hypot(geometry.shadow_end_m(*case), 5.0), unit="m")  # fmt: skip
    s.add(
        "height from that shadow",
        0.5,
        1e-4,
        lambda: geometry.height_from_shadow_m(5.0, 25.40177, 28.22419),
        unit="m",
    )
    s.add("layover of that top", 24.90482, 1e-4, partial(geometry.layover_ground_range_m, *case), unit="m")
    s.add("nadir gap, 60 deg, 5 m up", 5.7735, 1e-4, partial(geometry.nadir_gap_m, 5.0, np.pi / 3), unit="m")
    s.add(
        "coverage rate, 1.5 m/s, 50 m slant, 5 m up, with that gap",
        140.588,
        1e-3,
        _coverage_rate,
        unit="m^2/s",
    )
    s.add(
        "ping rate ceiling, 50 m",
        15.0,
        1e-12,
        partial(geometry.ping_rate_ceiling_hz, 50.0),
        unit="Hz",
        reason="exact",
    )
    s.add("advance a ping, 1.5 m/s, 15 Hz", 0.1, 1e-12, partial(geometry.ping_advance_m, 1.5, 15.0), unit="m",
          reason="exact")  # fmt: skip
    return s.rows


def _grazing_deg(slant_range_m: float, altitude_m: float) -> float:
    return float(np.degrees(geometry.grazing_rad(slant_range_m, altitude_m)))


def _coverage_rate() -> float:
    gap_m = geometry.nadir_gap_m(5.0, np.pi / 3)
    return float(geometry.coverage_rate_m2_s(1.5, geometry.ground_range_m(50.0, 5.0), gap_m))
