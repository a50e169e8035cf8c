"""A recording in counts, with gains and a filter that are recorded, makes the image of one in pascals."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.io.product import read_product

from .conftest import grid, say

SCENARIO = """
title = "Gains and counts (invented place)"
seed = 9
[sonar]
n_channel = 16
range_stop_m = 24.0
pulse_duration_s = 1e-3
depression_deg = 15.0
[vehicle]
n_ping = 24
altitude_m = 6.0
[water]
noise_db = 62.0
[seabed]
per_cell = 4.0
"""
INSTRUMENT = """
[instrument]
receiver_sensitivity_db = -175.0
[instrument.gain]
receiver_gain_db = 10.0
tvg_spreading = 40.0
tvg_from_m = 2.0
steps = [{ from_ping = 9, receiver_gain_db = 4.0 }, { from_ping = 17, receiver_gain_db = 13.0 }]
[instrument.converter]
full_scale_v = 4.0
bits = 16
storage = "int16"
"""


def made(folder: Path, name: str, text: str) -> tuple[Path, object]:
    (folder / f"{name}.toml").write_text(text)
    path = folder / f"{name}.h5"
    assert say("simulate", folder / f"{name}.toml", "-o", path, "--quiet").code == 0
    out = folder / name
    assert say("image", path, "-o", out, "--no-picture", "--quiet", *grid(0.1, 0.05)).code == 0
    return path, read_product(out / "multilook.nc")


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    folder = tmp_path_factory.mktemp("instrument")
    return made(folder, "plain", SCENARIO), made(folder, "counts", SCENARIO + INSTRUMENT)


def test_counts_and_gains_are_in_the_file_by_the_formats_rules(pair) -> None:
    (_, _), (path, _) = pair
    with h5py.File(path) as file:
        side = file["starboard"]
        assert side["echo"].dtype == np.int16
        assert side["echo"].shape == (24, 1, 16, 1280, 2)
        assert np.abs(side["echo"][...]).max() < side.attrs["saturation_level"] == 32767
        assert side.attrs["echo_unit"] in ("V", b"V")
        assert side.attrs["echo_scale"] == 4.0 / 2**15
        assert side.attrs["receiver_sensitivity"] == -175.0
        assert list(side["receiver_gain"][...]) == [10.0] * 9 + [4.0] * 8 + [13.0] * 7
        assert side["time_varied_gain"].shape == (1280,)
    said = say("validate", path, "--json")
    assert said.code == 0
    assert said.data["count"]["wrong"] == said.data["count"]["doubtful"] == 0


def test_counts_and_gains_make_the_image_of_pascals(pair) -> None:
    (_, plain), (_, counts) = pair
    level, noise = (
        [p.read(name) for p in (counts, plain)] for name in ("intensity", "noise_equivalent_backscatter")
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        seen = level[1] > 3 * 10 ** (noise[1] / 10)
        ratio_db = 10 * np.log10(level[0] / level[1])[seen]
    assert seen.mean() > 0.3
    # Sixteen bits leave rounding some 60 dB below the echoes, and gains are undone in float32.
    assert abs(np.median(ratio_db)) < 0.01
    assert np.percentile(np.abs(ratio_db), 99) < 0.05
    # The noise is that of the water column, rounding included: the same at every range, whatever the gain.
    known = np.isfinite(noise[1])
    assert_allclose(noise[0][known], noise[1][known], atol=0.05)
    assert noise[1][known].max() > -60
