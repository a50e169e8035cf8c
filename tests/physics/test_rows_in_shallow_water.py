"""Vertical rows under a mirror of a surface: multipath over signal by range, before and after, beside what theory leaves.

The simulator's echoes with ways by the surface less those without are the multipath alone; both go through the same rows
with the same weights. The transmitter is tall and rejects the surface, the rows are short and hear it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pingloom.bench.rows_report import powers_by_range
from pingloom.imaging.theory.multipath import multipath_to_signal
from pingloom.simulate import echoes
from pingloom.simulate.scenario import (
    MultipathTable,
    Oscillation,
    Scenario,
    SeabedTable,
    SonarTable,
    SurfaceTable,
    VehicleTable,
    WaterTable,
)

C, DEPTH_M, ALTITUDE_M = 1500.0, 3.0, 5.0
EDGE_M = np.arange(15.0, 31.0, 3.0)  # where the ways by the surface have left the vertical
SONAR = SonarTable(
    n_row=3,
    row_pitch_m=0.004,
    n_channel=4,
    channel_pitch_m=0.02,
    range_stop_m=32.0,
    transmit_vertical_m=0.02,
    depression_deg=12.0,
)
DIRECT = Scenario(
    seed=5,
    sonar=SONAR,
    vehicle=VehicleTable(
        depth_m=DEPTH_M,
        n_ping=4,
        ping_rate_hz=8.0,
        motion=(Oscillation(axis="roll", amplitude_deg=2.0, period_s=3.0),),
    ),
    water=WaterTable(noise=False, depth_m=DEPTH_M + ALTITUDE_M, absorption_db_m=0.1),
    seabed=SeabedTable(lambert_db=-25.0, per_cell=1.0),
    surface=SurfaceTable(rms_m=0.0),
)


def gain(size_m: float):
    """One-way pattern of an aperture against elevation."""

    def pattern(elevation: np.ndarray) -> np.ndarray:
        return np.sinc(size_m / (C / 450e3) * np.sin(elevation + np.deg2rad(12.0))) ** 2

    return pattern


@pytest.fixture(scope="module")
def ratios() -> dict[str, np.ndarray]:
    """Multipath over signal by range bin, power ratio, for one row and each way of combining them."""
    direct = [ping for ping, _ in echoes.simulate(DIRECT)]
    both = [ping for ping, _ in echoes.simulate(replace(DIRECT, multipath=MultipathTable(order=1)))]
    found = {}
    for mode in ("plain", "null", "adaptive"):
        single, power = powers_by_range(DIRECT, direct, both, mode, EDGE_M)
        found[mode] = power[1] / power[0]
        found["one row"] = single[1] / single[0]
    middle = (EDGE_M[1:] + EDGE_M[:-1]) / 2
    theory = multipath_to_signal(middle, DEPTH_M, ALTITUDE_M, gain(0.02), gain(0.003))
    found["ceiling"] = theory.sent
    found["theory, one row"] = theory.sent + theory.received + theory.both
    return found


def db(ratio: np.ndarray) -> np.ndarray:
    return 10 * np.log10(ratio)


def test_one_row_hears_what_theory_says(ratios) -> None:
    # Both one-bounce ways add in phase at one place and out of phase a few wavelengths off; bins of 3 m, four pings.
    assert abs(np.mean(db(ratios["one row"]) - db(ratios["theory, one row"]))) < 2.0


def test_weighted_rows_come_nearer_to_the_ceiling_than_the_plain_sum(ratios) -> None:
    plain, null, adaptive = (ratios[name].mean() for name in ("plain", "null", "adaptive"))
    assert plain < ratios["one row"].mean()
    assert null < 0.8 * plain
    assert adaptive < 0.8 * plain
    # No set of receive rows goes below the way that is sent by the surface.
    assert (ratios["null"] > 0.3 * ratios["ceiling"]).all()
