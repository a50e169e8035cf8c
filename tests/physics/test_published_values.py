"""Every value of the evidence table, each with its source and kind of evidence beside it in ``bench/evidence``."""

from dataclasses import replace

import numpy as np
import pytest

from pingloom.bench import evidence
from pingloom.bench.evidence.row import Outcome, Sheet
from pingloom.imaging.errors import ParameterError

ROWS = evidence.rows()


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.section}: {row.quantity} ({row.kind})")
def test_value_is_within_its_tolerance_of_the_source(row):
    if row.missing:
        pytest.skip(f"needs {', '.join(row.missing)}")
    outcome = row.run()
    assert outcome.passed, (
        f"{row.source}: expected {outcome.expected} +- {outcome.allowed}, got {outcome.got}"
    )


def test_each_value_stands_once():
    names = [(row.section, row.quantity, row.source) for row in ROWS]
    assert len(names) == len(set(names))


def test_every_section_has_rows_that_say_where_they_come_from():
    assert {row.section for row in ROWS} == set(evidence.SECTIONS)
    assert all(row.source and row.reason for row in ROWS)


@pytest.mark.parametrize("row", [row for row in ROWS if not callable(row.expected)][::17],
                         ids=lambda row: row.quantity)  # fmt: skip
def test_a_row_can_fail(row):
    allowed = row.run().allowed
    shifted = replace(row, expected=row.expected + 2.5 * allowed * (1 if row.expected >= 0 else -1))
    assert not shifted.run().passed or not replace(row, expected=row.expected - 2.5 * allowed).run().passed


def test_nan_never_passes():
    assert not Outcome(expected=1.0, got=float("nan"), allowed=np.inf).passed


def test_a_row_without_tolerance_is_refused():
    with pytest.raises(ParameterError, match="tolerance of 'x' is 0"):
        Sheet("noise").add("x", 1.0, 0.0, lambda: 1.0)


def test_an_unknown_section_names_the_nearest():
    with pytest.raises(ParameterError, match="did you mean 'absorption'"):
        evidence.rows("absorbtion")
