"""Vertical rows under a mirror of a surface: multipath over signal by range, before and after, beside what theory leaves.

The simulator's echoes with ways by the surface less those without are the multipath alone; both go through the same rows
with the same weights. The transmitter is tall and rejects the surface, the rows are short and hear it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pingloom.imaging.chain import Chain, ChainSettings
from pingloom.imaging.combining import weigh_rows
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.geometry import ping_geometry
from pingloom.imaging.row_weights import CombineSettings
from pingloom.imaging.side import SideState
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
    trajectory = Trajectory.from_platform(echoes.platform(DIRECT))
    found = {}
    for mode in ("plain", "null", "adaptive"):
        chain = Chain.prepare(
            echoes.sonars(DIRECT),
            echoes.water(DIRECT),
            trajectory,
            ChainSettings(combine=CombineSettings(rows=mode)),
        )
        plan, own = chain.sides["starboard"], SideState()
        delay = (
            plan.compressor.first_delay_s + np.arange(plan.compressor.n_out) / plan.compressor.sample_rate_hz
        )
        bins = np.digitize(C * delay / 2, EDGE_M)
        power, single = np.zeros((2, EDGE_M.size + 1)), np.zeros((2, EDGE_M.size + 1))
        for a, b in zip(direct, both, strict=True):
            at = ping_geometry(
                plan.sonar,
                plan.beamformer.frame,
                trajectory,
                StripFrame(0.0, 0.0, 0.0),
                a.time_ns,
                plan.delay_s,
                ALTITUDE_M,
                water=chain.water,
            )
            level = plan.radiometer.run(at, 0.0)
            sum_of = plan.compressor.run_planes(b.echo, plan.compressor.allocate())
            signal = plan.compressor.run_planes(a.echo, plan.compressor.allocate())
            rows = weigh_rows(plan, own, sum_of, at, level, None)
            sine = np.interp(delay, plan.delay_s, level.sine_up)
            weight = None
            if rows is not None:
                place = np.clip(
                    (delay - plan.delay_s[0]) / (plan.delay_s[1] - plan.delay_s[0]),
                    0,
                    plan.delay_s.size - 1.001,
                )
                k = place.astype(int)
                share = place - k
                weight = (rows.weight[..., k] * (1 - share) + rows.weight[..., k + 1] * share).astype(
                    np.complex64
                )
            for i, part in enumerate((signal, sum_of - signal)):
                out = np.zeros((2, 4, plan.compressor.n_out), np.float32)
                plan.combiner.run(
                    part, sine, None, out, weight, None if weight is None else plan.rows.set_of_channel
                )
                power[i] += np.bincount(bins, np.sum(out**2, axis=(0, 1)), EDGE_M.size + 1)
                single[i] += np.bincount(bins, np.sum(part**2, axis=(0, 1, 2)), EDGE_M.size + 1)
        found[mode] = (power[1] / power[0])[1:-1]
        found["one row"] = (single[1] / single[0])[1:-1]
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
