"""The speckle of the simulated seabed: no fluctuation of power that all looks share, full fluctuation in each look.

The scatterers are the same in every look. The power that falls into a resolution cell, sum |a|^2 h with h the squared
point response, therefore fluctuates in the same way in all of them and never averages out. For points at random places
its relative variance is kappa / (2.87 n), n points in a -3 dB cell: by Campbell's theorem E|a|^4 / E^2|a|^2 x
integral h^2 / (integral h)^2 / density, with (2/3)^2 / (Bx By) for a response sinc(Bx x) sinc(By y) and a -3 dB cell of
0.886^2 / (Bx By): 0.444 x 0.785 / n = 1 / (2.87 n). kappa is 2 for Gaussian amplitudes and 1 for equal moduli.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable, WaterTable
from pingloom.simulate.scene import Seabed

SCENARIO = Scenario(
    seed=5,
    sonar=SonarTable(range_stop_m=30.0),
    vehicle=VehicleTable(altitude_m=6.0),
    water=WaterTable(noise=False),
)
N_BLOCK = 40


def shared_power(seabed):
    """Power in many cells around 25 m ground range, over its mean: (cell,)."""
    plan = Seabed.plan(dataclasses.replace(SCENARIO, seabed=seabed), "starboard")
    groups = [g for i in range(N_BLOCK) for g in plan.block(i)]
    along, across, _ = np.concatenate([g.place_m for g in groups], axis=1)
    power = np.concatenate([g.modulus for g in groups]) ** 2
    slant = np.hypot(25.0, 6.0)
    band_along = 0.6 / (slant / 300)  # L / (lambda R): response sinc(band x)
    band_across = 2 * 30e3 / 1500 * 25.0 / slant
    found = []
    for centre in np.arange(23.6, 26.5, 0.03):
        near = np.abs(across - centre) < 0.3
        h_across = power[near] * np.sinc(band_across * (across[near] - centre)) ** 2
        order = np.argsort(along[near])
        x, h_across = along[near][order], h_across[order]
        for place in np.arange(2.0, N_BLOCK - 2.0, 0.3):
            i, j = np.searchsorted(x, (place - 1.5, place + 1.5))
            found.append(np.sum(h_across[i:j] * np.sinc(band_along * (x[i:j] - place)) ** 2))
    return np.array(found) / np.mean(found)


@pytest.mark.parametrize(("law", "kappa"), [("gaussian", 2), ("constant_modulus", 1)])
def test_points_at_random_places_share_the_predicted_fluctuation(law, kappa):
    n = 5.0
    variance = np.var(shared_power(SeabedTable(law=law, placement="random", per_cell=n)))
    # 11 000 overlapping cells, about 4000 independent: 2.2 % of a variance, more for the skewed sums of few points.
    assert_allclose(variance * 2.87 * n / kappa, 1, rtol=0.12)


def test_default_seabed_shares_almost_none():
    table = SeabedTable()
    variance = np.var(shared_power(table))
    # kappa of the default, where random places have 1 or 2: of 20 looks this costs less than one.
    assert variance * 2.87 * table.per_cell < 0.05


def test_one_look_is_fully_developed_speckle():
    """A beam focused at 25 m: mean square over variance of the intensity is 1 for a complex Gaussian field."""
    vehicle = VehicleTable(altitude_m=6.0, n_ping=60, ping_rate_hz=1.0, speed_m_s=0.4)
    scenario = dataclasses.replace(SCENARIO, vehicle=vehicle)
    (sonar,) = echoes.sonars(scenario).values()
    pulse = np.fft.fft(echoes.replica(sonar), 4096).conj()
    frequency = np.fft.fftfreq(4096, sonar.sample_interval_s)
    ground = np.arange(22.0, 28.0, 0.05)
    x = sonar.element_position_m[0, :, 0]
    slant = np.hypot(ground, 6.0)
    spectrum = np.array([np.fft.fft(ping.echo[0], 4096) * pulse for ping, _ in echoes.simulate(scenario)])
    beam = np.zeros((len(spectrum), ground.size), complex)
    for m in range(x.size):
        # Straight abeam, focused; the vehicle's way during the delay moves all channels alike.
        tau = (slant + np.hypot(slant, x[m])) / 1500
        beam += spectrum[:, m] @ np.exp(2j * np.pi * np.outer(frequency + 450e3, tau))
    intensity = np.abs(beam) ** 2 * slant**3
    intensity = intensity / intensity.mean(axis=0)
    # 60 pings 0.4 m apart, three cells, x 120 ranges 2 cells apart: 7200 values.
    # The variance of an exponential variable is known to sqrt(8 / 7200), 3.3 %.
    assert_allclose(1 / np.var(intensity), 1, atol=0.1)
    assert_allclose(np.mean(intensity**3), 6, rtol=0.25)  # third moment of an exponential variable


def test_point_target_is_a_point_whatever_the_seabed():
    """A point's echo does not depend on the random stream: two seeds differ by the seabed alone."""
    bare = dataclasses.replace(
        SCENARIO, seabed=SeabedTable(present=False), targets=(Target(along_m=0.0, across_m=20.0),)
    )
    a, b = (next(echoes.simulate(dataclasses.replace(bare, seed=s)))[0].echo for s in (1, 2))
    assert (a == b).all()
