"""Parts of a line imaged apart with one table of corrections add up to the whole, from the command line."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.records import Correction
from pingloom.io.corrections import SideCorrections, write_corrections
from tests.system.conftest import Said, say
from tests.unit.line_samples import INTERVAL_S, PIXELS, START_NS, line

N_PING = 90
OPTIONS = [word for setting in PIXELS for word in ("--set", setting)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording, a table that moves, weighs and leaves out pings, and the whole line's image."""
    folder = tmp_path_factory.mktemp("parts")
    line(folder / "r.h5", N_PING)
    rng = np.random.default_rng(4)
    sides = {}
    for side in ("port", "starboard"):
        rows = [
            Correction(
                side=side,
                number=k,
                altitude_m=5.0 + 0.05 * rng.normal(),
                shift_along_m=0.02 * rng.normal(),
                shift_starboard_m=0.02 * rng.normal(),
                look_weight=[1.0, 0.5, 0.0][k % 3 if k % 7 == 0 else 0],
            )
            for k in range(N_PING)
        ]
        time_ns = START_NS + np.round(np.arange(N_PING) * INTERVAL_S * 1e9).astype(np.uint64)
        sides[side] = SideCorrections(rows=rows, time_ns=time_ns)
    write_corrections(folder / "c.h5", sides, recording="r.h5", reason_names={})
    assert image(folder, folder / "whole") == Said(0, "", "")
    return folder


def image(folder: Path, into: Path, *options: str) -> Said:
    arguments = ["image", folder / "r.h5", "-o", into, "--corrections", folder / "c.h5", "--no-picture"]
    return say(*arguments, "--quiet", *OPTIONS, *options)


def layers(path: Path) -> dict[str, np.ndarray]:
    with h5py.File(path) as file:
        return {name: data[...] for name, data in file.items() if data.ndim == 2}


@pytest.mark.parametrize("n", [2, 3])
def test_parts_add_up_to_the_whole(n, folder, tmp_path):
    names = [f"multilook-part-{k}-of-{n}.nc" for k in range(1, n + 1)]
    for k in range(1, n + 1):
        assert image(folder, tmp_path, "--part", f"{k}/{n}") == Said(0, "", "")
    assert sorted(p.name for p in tmp_path.glob("*.nc")) == names
    said = say(
        "merge", *(tmp_path / name for name in reversed(names)), "-o", tmp_path / "multilook.nc", "--json"
    )
    assert (said.code, said.data["missing_parts"]) == (0, [])
    whole, merged = layers(folder / "whole" / "multilook.nc"), layers(tmp_path / "multilook.nc")
    assert set(merged) == set(whole)
    noise = 10 ** (whole["noise_equivalent_backscatter"].astype(float) / 10)
    scale = whole["intensity"] + noise
    # Of what was added up: the noise is subtracted from the sum and may leave little.
    assert np.nanmax(np.abs(merged["intensity"] - whole["intensity"]) / scale) < 1e-6
    assert_array_equal(np.isnan(merged["intensity"]), np.isnan(whole["intensity"]))
    assert_array_equal(merged["coverage"], whole["coverage"])
    assert_allclose(merged["looks"], whole["looks"], rtol=1e-6)
    # Decibels near -60 are told to 4e-6 of them in single precision.
    assert_allclose(merged["noise_equivalent_backscatter"], whole["noise_equivalent_backscatter"], atol=1e-5)
    # A difference of squares: single precision leaves 1e-6 over the variance's share.
    assert_allclose(merged["spread"] ** 2, whole["spread"] ** 2, atol=2e-5)
    assert np.mean(merged["quality"] != whole["quality"]) < 1e-4


def test_parts_that_do_not_belong_together_are_refused(folder, tmp_path):
    assert image(folder, tmp_path, "--part", "1/2") == Said(0, "", "")
    assert image(folder, tmp_path / "o", "--part", "2/2", "--set", "compress.window=none") == Said(0, "", "")
    one, two = tmp_path / "multilook-part-1-of-2.nc", tmp_path / "o" / "multilook-part-2-of-2.nc"
    say("merge", one, two, "-o", tmp_path / "m.nc").refused(
        "differ in settings", "allowed: parts of one line"
    )
    say("merge", one, one, "-o", tmp_path / "m.nc").refused("is part 1 again")
    say("merge", folder / "whole" / "multilook.nc", "-o", tmp_path / "m.nc").refused("is no part of a line")
    said = say("merge", one, "-o", tmp_path / "m.nc", "--json")
    assert (said.code, said.data["missing_parts"]) == (0, [2])
    image(folder, tmp_path, "--part", "3/2").refused("part is 3/2")
    image(folder, tmp_path, "--part", "half").refused("part is 'half'; allowed: 1/2, 2/2")
    image(folder, tmp_path, "--part", "1/2", "--method", "broadside").refused("allowed: multilook")
