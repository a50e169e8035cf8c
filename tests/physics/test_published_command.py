"""The command that prints the evidence table."""

import json

import pytest
from click.testing import CliRunner

from pingloom.bench import evidence
from pingloom.bench.commands.evidence import command
from pingloom.bench.evidence.row import Row


def _row(**changes):
    usual = {"section": "noise", "quantity": "answer", "source": "a book", "kind": "memory", "expected": 42.0,
             "tolerance": 0.1, "reason": "last printed digit", "compute": lambda: 42.05}  # fmt: skip
    return Row(**(usual | changes))


def test_table_shows_quantity_source_expected_got_and_verdict():
    result = CliRunner().invoke(command, ["--section", "noise"])
    assert result.exit_code == 0, result.output
    assert "Mellen 1952" in result.output
    assert "quantity" in result.output
    assert (
        f"{len(evidence.rows('noise'))} of {len(evidence.rows('noise'))} values within tolerance"
        in result.output
    )


def test_json_carries_every_row():
    result = CliRunner().invoke(command, ["--section", "geometry", "--json"])
    data = json.loads(result.output)
    assert data["failed"] == 0
    assert [row["quantity"] for row in data["rows"]] == [row.quantity for row in evidence.rows("geometry")]
    assert {"source", "kind", "expected", "got", "tolerance", "verdict"} <= set(data["rows"][0])


@pytest.mark.parametrize("got", [43.0, float("nan")])
def test_a_value_outside_its_tolerance_fails_the_command(monkeypatch, got):
    monkeypatch.setattr(
        evidence, "rows", lambda section=None: [_row(), _row(quantity="wrong", compute=lambda: got)]
    )
    result = CliRunner().invoke(command, [])
    assert result.exit_code == 1
    assert "FAILED" in result.output
    assert "1 of 2 values within tolerance, 1 failed" in result.output


def test_a_missing_library_is_said_and_not_counted_as_right(monkeypatch):
    monkeypatch.setattr(evidence, "rows", lambda section=None: [_row(needs=("no_such_library",))])
    result = CliRunner().invoke(command, [])
    assert result.exit_code == 0
    assert "not run: needs no_such_library" in result.output
    assert "0 of 1 values within tolerance, 0 failed, 1 not run" in result.output


def test_quiet_prints_nothing():
    result = CliRunner().invoke(command, ["--section", "noise", "--quiet"])
    assert result.output == ""
    assert result.exit_code == 0
