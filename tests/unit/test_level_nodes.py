"""The level between its nodes: near the vehicle a tall aperture's lobes follow each other within a metre of range."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.imaging.level_nodes import level_delays
from pingloom.imaging.records import Pattern, Sonar
from tests.unit.make import make_sonar

C, WAVELENGTH_M, FIRST_S, LAST_S = 1500.0, 1500.0 / 450e3, 1e-3, 2 * 26.0 / 1500.0


def nodes(sonar: Sonar, altitude_m: float) -> tuple[np.ndarray, int]:
    return level_delays(
        sonar,
        FIRST_S,
        LAST_S,
        sound_speed_m_s=C,
        wavelength_m=WAVELENGTH_M,
        altitude_m=altitude_m,
        steepest_rad=np.deg2rad(70.0),
    )


def too_high_db(sonar: Sonar, altitude_m: float, delay_s: np.ndarray) -> np.ndarray:
    """By which a level read linearly between nodes exceeds that of a uniform line's patterns, millimetre by millimetre."""
    r = np.arange(altitude_m / np.sin(np.deg2rad(70.0)), C * LAST_S / 2, 1e-3)

    def amplitude(range_m: np.ndarray) -> np.ndarray:
        off = np.sin(sonar.depression_rad - np.arcsin(np.minimum(altitude_m / range_m, 1.0)))
        both = [
            np.sinc(size[1] / WAVELENGTH_M * off) for size in (sonar.transmit_size_m, sonar.receive_size_m)
        ]
        return range_m**1.5 / np.maximum(np.abs(both[0] * both[1]), 0.01)

    return 20 * np.log10(np.interp(r, C * delay_s / 2, amplitude(C * delay_s / 2)) / amplitude(r))


def test_a_tall_transmitter_near_the_seabed_asks_for_more_nodes_and_the_level_is_read_within_a_fifth_of_a_decibel():
    tall = make_sonar(
        transmit_size_m=[0.02, 0.02], receive_size_m=[0.02, 0.003], depression_rad=np.deg2rad(12)
    )
    delay, steps = nodes(tall, 3.5)
    assert steps > 1
    assert delay[[0, -1]] == pytest.approx([FIRST_S, LAST_S])
    assert (delay.size - 1) % steps == 0
    off = too_high_db(tall, 3.5, delay)
    assert np.mean(np.abs(off) > 0.2) < 0.05
    # As the nodes were laid for all: up to 10 dB too high, and wrong over a fifth of the swath.
    usual = too_high_db(tall, 3.5, delay[::steps])
    assert usual.max() > 5
    assert np.mean(np.abs(usual) > 0.2) > 0.2


def test_short_apertures_and_high_vehicles_are_left_alone() -> None:
    short = make_sonar(
        transmit_size_m=[0.02, 0.003], receive_size_m=[0.02, 0.003], depression_rad=np.deg2rad(20)
    )
    assert nodes(short, 6.0)[1] == 1


def test_a_narrow_lobe_of_a_pattern_table_counts_as_well() -> None:
    angle = np.linspace(-1.5, 1.5, 301)
    table = Pattern(angle_rad=angle, gain_db=-12 + 12 * np.cos(80 * angle))
    assert nodes(make_sonar(pattern_receive_vertical=table), 4.0)[1] > 1


def test_nodes_are_bounded_and_a_swath_without_seabed_asks_for_none() -> None:
    huge = make_sonar(transmit_size_m=[0.02, 0.3], receive_size_m=[0.02, 0.3])
    assert nodes(huge, 2.0)[0].size <= 1024
    assert nodes(huge, 100.0)[1] == 1
