"""Keys of scenarios explained from the tables' own source."""

from __future__ import annotations

import json

import pytest

from pingloom.bench.cli import main
from pingloom.bench.scenario_keys import keys_of, table_names
from pingloom.imaging.errors import ParameterError
from pingloom.simulate.scenario import Scenario


@pytest.mark.parametrize("table", ["noise", "bubbles", "instrument"])
def test_every_key_of_noise_bubbles_and_instrument_is_explained(table):
    assert [f"{key.table} {key.name}" for key in keys_of(table) if not key.meaning] == []


def test_all_tables_are_found_and_their_defaults_are_the_scenarios():
    assert {"sonar", "vehicle.legs", "noise.sounders", "instrument.gain.steps", "targets"} <= set(
        table_names()
    )
    said = {(key.table, key.name): key.default for key in keys_of("all")}
    made = Scenario().to_dict()
    assert said["[sonar]", "n_channel"] == str(made["sonar"]["n_channel"])
    assert (
        float(said["[instrument.transmission]", "ring_decay_s"])
        == made["instrument"]["transmission"]["ring_decay_s"]
    )
    assert said["[instrument.converter]", "bits"] == "absent"
    assert said["[[noise.sounders]]", "level_db"] == "needed"


def test_an_unknown_table_names_the_nearest(capsys):
    with pytest.raises(ParameterError, match="no table 'nois'; did you mean 'noise'"):
        keys_of("nois")
    assert main(["simulate", "--explain", "bubbles", "--json"]) == 0
    names = {key["name"] for key in json.loads(capsys.readouterr().out)["keys"]}
    assert {"kind", "loss_db", "loss_db_m"} <= names
