"""Compiled kernels against the same functions run as plain Python.

A whole small leg goes through the chain in a second process with compilation switched off, so that every kernel, and
every helper that kernels call, runs as it is written: index errors show there, and the images must agree but for the
order in which sums are taken. Kernels that stand alone are held against their ``py_func`` as well.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging import _combine_kernels as combine
from pingloom.imaging._field_kernels import LEAD, double, weave
from pingloom.imaging._lanes import load, store
from pingloom.imaging._native import inverse_root, pick
from pingloom.imaging._slide import back_one, back_three, on_four, on_one
from pingloom.imaging._tile import TILE_COLUMNS, TILE_ROWS, multiply_tile
from pingloom.imaging._weave import weave_four, weave_two
from pingloom.imaging.compress import CompressSettings
from pingloom.imaging.frames import StripFrame
from tests.unit.test_imaging_chain import image, make_leg

pytestmark = pytest.mark.skipif(
    os.environ.get("NUMBA_DISABLE_JIT") == "1", reason="nothing is compiled in this run"
)

ROOT = Path(__file__).resolve().parents[2]
CASES = {
    "rows": dict(n_row=2, sides=("port", "starboard")),
    "dead": dict(element_ok=np.arange(8)[None] != 3),
    "even": dict(),
    "doubled": dict(sample_interval_s=1 / 34e3),
    "oversampled": dict(sample_interval_s=1 / 80e3, n_sample=500),
}


def images(case: str, method: str) -> dict[str, np.ndarray]:
    """All layers of all tiles of a leg of three pings."""
    leg = make_leg(3, heading_rad=0.65, **CASES[case])
    window = "none" if case == "even" else "hamming"
    chain = leg.prepare(
        method, grid=dict(along_m=0.15, across_m=0.2), compress=CompressSettings(window=window)
    )
    beams = chain.sides[leg.pings[0].side].beamformer
    assert beams.upsampling == (2 if case == "even" else 1)
    _, tiles, reports = image(leg, chain, frame=StripFrame(0.0, 0.0, 0.6))
    found = {
        f"{i}-{name}": getattr(tile, name)
        for i, tile in enumerate(tiles)
        for name in ("intensity", "looks", "coverage", "noise_equivalent", "quality")
    }
    found["reports"] = np.array([(r.added, r.late, r.uncovered) for r in reports])
    return found


def write(path: str) -> None:
    """What the second process does."""
    np.savez(
        path,
        **{
            f"{case}/{method}/{name}": layer
            for case in CASES
            for method in ("multilook", "broadside")
            for name, layer in images(case, method).items()
        },
    )


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> dict[str, np.ndarray]:
    path = tmp_path_factory.mktemp("plain") / "plain.npz"
    command = f"from tests.agreement.test_kernels_plain import write; write({str(path)!r})"
    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", command],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    with np.load(path) as file:
        return dict(file)


@pytest.mark.slow
@pytest.mark.parametrize("method", ["multilook", "broadside"])
@pytest.mark.parametrize("case", CASES)
def test_compiled_and_plain_kernels_make_the_same_image(plain, case: str, method: str) -> None:
    compiled = images(case, method)
    prefix = f"{case}/{method}/"
    assert {name for name in plain if name.startswith(prefix)} == {prefix + name for name in compiled}
    for name, layer in compiled.items():
        other = plain[prefix + name]
        if layer.dtype.kind == "f":
            # Single precision in another order of sums; a place may round to the next of 256 rows of taps.
            assert_allclose(layer, other, rtol=5e-3, atol=2e-4 * np.nanmax(np.abs(other), initial=0))
        else:
            assert_array_equal(layer, other)


def random(shape: tuple[int, ...], seed: int, dtype=np.complex64) -> np.ndarray:
    rng = np.random.default_rng(seed)
    value = rng.standard_normal(shape)
    if dtype is np.complex64:
        value = value + 1j * rng.standard_normal(shape)
    return value.astype(dtype)


def test_row_alignment_compiled_and_plain() -> None:
    n_row, n_channel, n, n_tap = 2, 3, 40, 6
    rng = np.random.default_rng(3)
    index = (np.arange(n) + rng.integers(-5, 4, (n_row, n))).astype(np.int32)  # some reach beyond either end
    arguments = (
        random((2, n_row, n_channel, n), 1, np.float32),
        index,
        rng.integers(0, 17, (n_row, n)).astype(np.int32),
        random((2, n_row, n), 2),
        np.array([0, 1, 1]),
        random((17, n_tap), 4, np.float32),
        np.array([[1, 0.5j, 0], [0.3, 1, 1]], np.complex64),
    )
    outs = [np.full((2, n_channel, n), np.nan, np.float32) for _ in range(2)]
    combine.align_rows(*arguments, outs[0])
    combine.align_rows.py_func(*arguments, outs[1])
    assert_allclose(outs[0], outs[1], rtol=1e-4, atol=1e-5)


def test_row_covariance_compiled_and_plain() -> None:
    n_row, n_channel, n, n_tap = 2, 3, 40, 6
    rng = np.random.default_rng(3)
    arguments = (
        random((2, n_row, n_channel, n), 1, np.float32),
        (np.arange(n) + rng.integers(-5, 4, (n_row, n))).astype(np.int32),
        rng.integers(0, 17, (n_row, n)).astype(np.int32),
        random((n_row, n), 2),
        random((17, n_tap), 4, np.float32),
        np.array([[1, 0.5j, 0], [0.3, 1, 1]], np.complex64),
        9.5,
    )
    outs = [np.zeros((4, n_row, n_row), np.complex128) for _ in range(2)]
    combine.row_covariance(*arguments, outs[0])
    combine.row_covariance.py_func(*arguments, outs[1])
    assert_allclose(outs[0], outs[1], rtol=1e-4, atol=1e-4)
    assert_allclose(outs[0], np.conj(np.swapaxes(outs[0], 1, 2)), rtol=1e-6, atol=1e-6)


def steered(n_steered: int, n: int, wide: int, pad: int) -> np.ndarray:
    x = np.zeros((2, n_steered, wide), np.float32)
    x[:, :, pad : pad + n] = random((2, n_steered, n), 7, np.float32)
    return x


def half_way_between_beams(x: np.ndarray, taps: np.ndarray, beam: int) -> np.ndarray:
    near = x[:, beam - taps.size + 1 : beam + taps.size + 1]
    return np.tensordot(near, np.concatenate([taps[::-1], taps]), axes=(1, 0))


@pytest.mark.parametrize(("ratio", "side"), [(1, 3), (2, 4), (1, 2), (1, 6)])
def test_doubled_field_compiled_and_plain(ratio: int, side: int) -> None:
    pad, n, wide, n_steered, out_wide = 16, 40, 96, 7, 120
    x = steered(n_steered, n, wide, pad)
    beam_taps = random((3,), 8, np.float32) if ratio == 2 else np.zeros(0, np.float32)
    taps = random((side,), 9, np.float32)
    first, n_beam = (2, 5) if ratio == 2 else (0, n_steered)
    outs = []
    for kernel in (double, double.py_func):
        out = np.full((n_beam, out_wide, 2), np.nan, np.float32)
        kernel(
            x.reshape(-1),
            n_steered,
            wide,
            pad,
            n,
            first,
            beam_taps,
            taps,
            np.zeros((0, 0), np.float32),
            0.0,
            np.zeros(4, np.int64),
            np.zeros(6 * wide, np.float32),
            n_beam,
            out.reshape(-1),
            out_wide,
        )
        assert np.isnan(out[:, :LEAD]).all()
        outs.append(out[:, LEAD : LEAD + 2 * n])
    assert_allclose(outs[0], outs[1], rtol=1e-4, atol=1e-5)
    kept = outs[0][::ratio, ::2]
    assert_array_equal(kept, np.moveaxis(x[:, first : first + len(kept), pad : pad + n], 0, -1))
    near = x[:, first, pad + 6 - side : pad + 6 + side]
    half = (np.concatenate([taps[::-1], taps]) * near).sum(axis=1)
    assert_allclose(outs[0][0, 11], half, rtol=1e-4, atol=1e-5)
    if ratio == 2:
        half = half_way_between_beams(x, beam_taps, first)[:, pad : pad + n]
        assert_allclose(outs[0][1, ::2], half.T, rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize("ratio", [1, 2])
@pytest.mark.parametrize("per_sample", [0.0, 0.01, 0.055, 0.3])
def test_woven_field_between_beams_and_nodes(ratio: int, per_sample: float) -> None:
    at, n, wide, n_steered, out_wide, begin = 3, 40, 96, 7, 88, 16
    x = steered(n_steered, wide, wide, 0)
    beam_taps = random((3,), 8, np.float32) if ratio == 2 else np.zeros(0, np.float32)
    first, n_beam = (2, 5) if ratio == 2 else (0, n_steered)
    level = random((4 if per_sample else 0, n_beam), 5, np.float32)
    out = np.full((n_beam, out_wide, 2), np.nan, np.float32)
    weave(
        x.reshape(-1),
        n_steered,
        wide,
        at,
        begin,
        begin + n,
        first,
        beam_taps,
        level,
        per_sample,
        np.zeros(32, np.float32),
        n_beam,
        out.reshape(-1),
        out_wide,
    )
    assert np.isnan(out[:, : LEAD + begin]).all()
    sample = (begin + np.arange(n)) * per_sample
    for f in range(n_beam):
        beam = first + f // ratio
        wanted = half_way_between_beams(x, beam_taps, beam) if f % ratio else x[:, beam]
        gain = np.interp(sample, np.arange(len(level)), level[:, f]) if per_sample else 1.0
        got = out[f, LEAD + begin : LEAD + begin + n]
        assert_allclose(got, (wanted[:, at : at + n] * gain).T, rtol=1e-4, atol=2e-5)


def test_picking_from_sixteen_numbers() -> None:
    table = random((20,), 2, np.float32)
    at = np.array([15, 0, 3, 3, 9, 1, 2, 14, 5, 6, 7, 8, 10, 11, 12, 13], np.float32) + np.float32(0.25)
    out = np.zeros(16, np.float32)

    @numba.njit
    def run(table, at, out):
        store(out, 0, pick(table, 4, load(at, 0)))

    run(table, at, out)
    assert_array_equal(out, table[4 + at.astype(int)])


def test_inverse_roots_are_right_to_single_precision() -> None:
    x = np.geomspace(1e-6, 1e9, 16 * 400).astype(np.float32)
    out = np.zeros_like(x)

    @numba.njit
    def run(x, out):
        for k in range(0, x.size, 16):
            store(out, k, inverse_root(load(x, k)))

    run(x, out)
    assert_allclose(out, 1 / np.sqrt(x.astype(float)), rtol=3 * 2.0**-24, atol=0)


def test_tile_is_the_matrix_product() -> None:
    n, stride = 11, TILE_COLUMNS + 5
    weight, x = random((n + 1, TILE_ROWS), 1, np.float32), random((n + 1, stride), 2, np.float32)
    out = np.full((TILE_ROWS, stride), np.nan, np.float32)

    @numba.njit
    def run(weight, x, out):
        multiply_tile(weight, TILE_ROWS, n, x, stride + 3, stride, out, 2, stride)

    run(weight.reshape(-1), x.reshape(-1), out.reshape(-1))
    wanted = weight[1:].astype(float).T @ x[1:, 3 : 3 + TILE_COLUMNS]
    assert_allclose(out[:, 2 : 2 + TILE_COLUMNS], wanted, rtol=0, atol=1e-5)
    assert np.isnan(out).sum() == TILE_ROWS * 5


def test_vectors_slide_and_weave_in_order() -> None:
    x = np.arange(64, dtype=np.float32)

    @numba.njit
    def slide(x, out):
        before, here, after = load(x, 0), load(x, 16), load(x, 32)
        store(out, 0, on_one(here, after))
        store(out, 16, on_four(here, after))
        store(out, 32, back_one(before, here))
        store(out, 48, back_three(before, here))

    @numba.njit
    def weave(x, two, four):
        a, b, c, d = load(x, 0), load(x, 16), load(x, 32), load(x, 48)
        weave_two(two, 1, a, b)
        weave_four(four, 1, a, b, c, d)

    out, two, four = np.zeros(64, np.float32), np.zeros(33, np.float32), np.zeros(65, np.float32)
    slide(x, out)
    assert_array_equal(out, np.concatenate([np.arange(16) + k for k in (17, 20, 15, 13)]))
    weave(x, two, four)
    assert_array_equal(two[1:], x[:32].reshape(2, 16).T.ravel())
    assert_array_equal(four[1:], x.reshape(4, 16).T.ravel())
