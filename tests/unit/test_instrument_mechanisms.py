"""Each mechanism is a scenario that may be, and changes what is stored."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pingloom.bench.instrument_mechanisms import INSTRUMENT_MECHANISMS, with_mechanism
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, Target, VehicleTable

CLEAN = Scenario(
    sonar=SonarTable(n_channel=8, range_stop_m=20.0, pulse_duration_s=1e-3),
    vehicle=VehicleTable(n_ping=60, altitude_m=6.0),
    seabed=SeabedTable(present=False),
    targets=(Target(along_m=3.0, across_m=12.0, strength_db=-10.0),),
)


@cache
def stored(name, number=19):
    """Ping 19 looks through the screen and along the wake, from the middle of the leg."""
    made = echoes.simulate(with_mechanism(CLEAN, name) if name else CLEAN, first=number, threads=1)
    ping, _ = next(made)
    made.close()
    return ping


@pytest.mark.parametrize("name", INSTRUMENT_MECHANISMS)
def test_each_changes_what_is_stored(name):
    changed, clean = stored(name), stored("")
    assert np.abs(changed.echo - clean.echo).max() + abs(changed.time_ns - clean.time_ns) > 0
    scenario = with_mechanism(CLEAN, name)
    assert scenario.sonar == CLEAN.sonar
    assert scenario.targets == CLEAN.targets
