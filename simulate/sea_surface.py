"""The sea surface's own echo: points on it that move, come and go.

The surface seen from below is laid out as a seabed seen from above is, over the same bands or tiles, then turned over.
Its law has two parts: 10^(backscatter_db/10) sin^2(grazing) for bubbles and the finest waves (Lambert's form, the level a
free choice: measured laws such as R. P. Chapman and J. H. Harris, J. Acoust. Soc. Am. 34, 1592, 1962, hold for 0.4 to
6.4 kHz), and the facets that face the sonar, by tangent planes: sec^4(tilt) exp(-tan^2(tilt) / (2 s^2)) / (8 pi s^2) with
s the rms slope along one axis and the tilt 90 degrees less the grazing angle.

Motion has two sides. Within a ping each point has a speed along the line of sight, one of a few classes, whose Doppler
shift goes into the pulse that it returns. From ping to ping its phase turns at a rate of its own, from a Cauchy
distribution: the mean of exp(2j pi nu t) over rates nu of half width 1/(2 pi tau) is exp(-|t|/tau), so the speckle decays
like that, at any time and without a history.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from .bounces import rms_slope
from .ground import LAW_STEP_RAD, Ground
from .listening import Stream
from .relief import Relief
from .roughness import speed_of_wind_m_s
from .scenario import InstrumentTable, NoiseTable, Scenario, SeabedTable
from .scene import Scatterers, Seabed

__all__ = ["SeaSurface", "bragg_speed_m_s", "surface_law", "turned_over"]

_GRAVITY_M_S2, _TENSION_N_M, _DENSITY_KG_M3 = 9.81, 0.074, 1025.0
_CLASSES = 8
_SEED_BITS = 63
_SPLIT = 2.0**26  # the lower half of a uniform number's bits is another uniform number


def bragg_speed_m_s(wavelength_m: float) -> float:
    """Speed of the waves of half the sound's wavelength: c^2 = g/k + T k / rho, gravity and surface tension."""
    k = 4 * np.pi / wavelength_m
    return float(np.sqrt(_GRAVITY_M_S2 / k + _TENSION_N_M * k / _DENSITY_KG_M3))


def surface_law(backscatter_db: float, slope: float) -> NDArray[np.float64]:
    """Amplitude of unit area at evenly spaced grazing angles, as :class:`pingloom.simulate.ground.Ground` wants it."""
    grazing = np.arange(round(np.pi / 2 / LAW_STEP_RAD) + 1) * LAW_STEP_RAD
    power = 10 ** (backscatter_db / 10) * np.sin(grazing) ** 2
    if slope > 0:
        sine = np.maximum(np.sin(grazing), 1e-6)
        steep2 = (np.cos(grazing) / sine) ** 2
        power += np.exp(-steep2 / (2 * slope**2)) / sine**4 / (8 * np.pi * slope**2)
    return np.sqrt(power)


def turned_over(scenario: Scenario) -> Scenario:
    """Return the scenario in which the sea surface is the seabed, with draws of its own."""
    key = np.random.SeedSequence(scenario.seed, spawn_key=(int(Stream.SURFACE),))
    seed = int(key.generate_state(1, np.uint64)[0]) >> (64 - _SEED_BITS)
    return replace(
        scenario,
        seed=seed,
        vehicle=replace(scenario.vehicle, altitude_m=scenario.depth_m, depth_m=scenario.altitude_m),
        water=replace(scenario.water, depth_m=None),
        seabed=SeabedTable(
            law="gaussian",
            per_cell=scenario.surface.per_cell,  # type: ignore[union-attr]
            jitter=1.0,
            sector_deg=scenario.seabed.sector_deg,
            cell_along_m=scenario.seabed.cell_along_m,
        ),
        targets=(),
        noise=NoiseTable(),
        bubbles=(),
        instrument=InstrumentTable(),
        multipath=None,
        surface=None,
        leakage=None,
    )


@dataclass(frozen=True, slots=True, eq=False)
class SeaSurface:
    """What of the surface's echo doesn't change from ping to ping.

    Parameters
    ----------
    scenario : Scenario
        The one that is turned over.
    speed_m_s : ndarray of float64, shape (class,)
        Along the line of sight towards the sonar, of equally many points each.
    correlation_s : float
        Infinite: the surface stands still.
    """

    scenario: Scenario
    ground: Ground
    speed_m_s: NDArray[np.float64]
    correlation_s: float

    @classmethod
    def plan(cls, scenario: Scenario) -> SeaSurface | None:
        """Prepare the surface; None where it gives no echo or lies out of range."""
        table = scenario.surface
        if table is None or table.backscatter_db is None or scenario.depth_m >= scenario.sonar.range_stop_m:
            return None
        over = turned_over(scenario)
        ground = Ground(over, Relief.of(over), (), surface_law(table.backscatter_db, rms_slope(scenario)))
        rms = table.speed_rms_m_s
        if rms is None:
            rms = 0.0 if table.wind_m_s is None else speed_of_wind_m_s(table.wind_m_s)
        speed = np.array([table.speed_m_s])
        if rms:
            speed = speed + rms * _normal_classes()
        bragg = bragg_speed_m_s(scenario.wavelength_m) if table.bragg else 0.0
        if bragg:
            speed = np.concatenate([speed - bragg, speed + bragg])
        lasting = table.correlation_s
        if lasting is None:
            fast = np.hypot(rms, bragg)
            lasting = scenario.wavelength_m / (4 * np.pi * fast) if fast else np.inf
        return cls(over, ground, speed, float(lasting))

    def seabed(self, side: str) -> Seabed:
        """Return its bands on one side."""
        return Seabed.plan(self.scenario, side, self.ground)

    def classes(self, near: list[Scatterers], time_s: float) -> list[list[Scatterers]]:
        """Sort scatterers of the turned-over seabed by their speed, put them on the surface, turn their phases."""
        n = self.speed_m_s.size
        return [[self._surfaced(s, k, n, time_s) for s in near if s.modulus.size > k] for k in range(n)]

    def _surfaced(self, s: Scatterers, k: int, n: int, time_s: float) -> Scatterers:
        place = np.ascontiguousarray(s.place_m[:, k::n])
        place[2] = 0.0
        phase = s.phase_cycles[k::n].copy()
        if np.isfinite(self.correlation_s):
            other = phase * _SPLIT % 1.0
            phase += np.tan(np.pi * (other - 0.5)) * (time_s / (2 * np.pi * self.correlation_s))
        return Scatterers(place, s.modulus[k::n].copy(), phase, np.array([0.0, 0.0, 1.0]), s.law)


def _normal_classes() -> NDArray[np.float64]:
    """Middles of equally likely parts of a standard normal law, stretched to its variance."""
    middle = (np.arange(_CLASSES) + 0.5) / _CLASSES
    value = np.array([NormalDist().inv_cdf(p) for p in middle])
    return value / value.std()
