"""The table of mechanisms: every entry is a scenario, changes what is stored, and its scene holds what is measured."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from pingloom.bench.commands.mechanisms import command
from pingloom.bench.mechanisms import MECHANISMS, base_scenario, measure_mechanisms, merged
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario

OWN = ("noise", "multipath, mirror", "multipath, rough", "surface echo", "previous pings", "leakage, sound",
       "leakage, electrical", "refraction", "navigation")  # fmt: skip


def test_names_are_unique_and_the_first_changes_nothing():
    names = [m.name for m in MECHANISMS]
    assert len(set(names)) == len(names)
    assert MECHANISMS[0].changes == {}


@pytest.mark.parametrize("mechanism", MECHANISMS, ids=lambda m: m.name)
def test_every_mechanism_is_a_scenario(mechanism):
    scenario = Scenario.from_dict(merged(base_scenario().to_dict(), mechanism.changes))
    assert (scenario == base_scenario()) == (mechanism is MECHANISMS[0])


@pytest.mark.parametrize("name", [n for n in OWN if n != "navigation"])
def test_it_changes_the_echoes(name):
    """On a scene thinned out, so that it is quick."""
    thin = {"seabed": {"per_cell": 0.3}, "sonar": {"n_channel": 2}, "vehicle": {"n_ping": 3}}
    (mechanism,) = [m for m in MECHANISMS if m.name == name]
    base = merged(base_scenario().to_dict(), thin | {"targets": []})
    plain, changed = (
        next(p.echo for p, _ in echoes.simulate(Scenario.from_dict(table), first=2) if p.side == "starboard")
        for table in (base, merged(base, mechanism.changes))
    )
    n = min(
        plain.shape[-1], changed.shape[-1]
    )  # a record of other length where the mean sound speed is another
    assert np.linalg.norm(changed[..., :n] - plain[..., :n]) > 1e-3 * np.linalg.norm(plain)


def test_nothing_and_none_are_laid_over_tables():
    base = {"water": {"noise": False, "depth_m": 6.0}, "seed": 3}
    assert merged(base, {"water": {"depth_m": None, "ph": 8.1}}) == {
        "water": {"noise": False, "ph": 8.1},
        "seed": 3,
    }
    assert base["water"]["depth_m"] == 6.0


def test_unknown_name_is_refused_and_names_are_listed():
    error = CliRunner().invoke(command, ["--only", "multipath, ruff"]).exception
    assert "did you mean 'multipath, rough'" in str(error)
    listed = CliRunner().invoke(command, ["--list", "--json"])
    assert [m["name"] for m in json.loads(listed.output)["mechanisms"]] == [m.name for m in MECHANISMS]


@pytest.mark.slow
def test_scene_is_as_theory_says_and_multipath_fills_its_shadow():
    chosen = tuple(m for m in MECHANISMS if m.name in ("none", "multipath, rough"))
    plain, mirrored = measure_mechanisms(chosen)
    # Lambert's law at 7.2 m off, 3 m up: -27 + 20 log10 sin(23 deg).
    assert abs(plain.level_db - (-27 + 20 * np.log10(3 / np.hypot(7.2, 3)))) < 0.7
    assert plain.shadow_db < -12
    # An array of 0.4 m at 9.5 m: 0.886 wavelength range / length, and a little more for its shading.
    assert 0.06 < plain.along_width_m < 0.14
    assert mirrored.shadow_db > plain.shadow_db + 3
    assert mirrored.contrast_to_noise < plain.contrast_to_noise
