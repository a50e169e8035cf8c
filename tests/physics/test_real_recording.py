"""Focusing, speckle and averaging on echoes that nobody here made: see ``tests/data/README.md``."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import scipy.io

from pingloom.bench.disc import (
    Disc,
    averaged_speckle,
    demodulate,
    frame_agreement,
    image_frames,
    read_array_recording,
)

DATA = Path(__file__).parents[1] / "data"
RECORDING = DATA / "rotating_disc_plane_waves.mat"
DISC = Disc(along_m=0.0, depth_m=22.5e-3, radius_m=7e-3)
ALONG = np.arange(-70, 71) * 1e-4
DEPTH = 22.5e-3 + ALONG
INSIDE = DISC.inside(ALONG, DEPTH)


@pytest.fixture(scope="module")
def frames():
    return image_frames(read_array_recording(RECORDING), ALONG, DEPTH)


@pytest.fixture(scope="module")
def averages(frames):
    return averaged_speckle(frames, INSIDE)


@pytest.fixture(scope="module")
def raw():
    content = scipy.io.loadmat(RECORDING)
    param = content["param"][0, 0]
    return content["RF"].astype(np.float64), {
        name: float(param[name][0, 0]) for name in ("fs", "fc", "c", "t0", "pitch")
    }


def exact_sum(raw, frame: int, x, z, f_number: float):
    """Delay and sum at points (x, z), written apart: no baseband, no filters, no shared code.

    The negative half of the sampled spectrum, put back to where it came from (one sampling rate up), is the analytic
    passband signal; its Fourier sum is the exact band-limited interpolation at any instant.
    """
    samples, p = raw
    n_fft = 1024
    spectrum = np.fft.fft(samples[..., frame], n_fft, axis=0)
    bins = np.arange(-n_fft // 2, 1)
    frequency = bins * p["fs"] / n_fft + p["fs"]
    # The two bins on a fold are signal and mirrored twin in one: the signal is half of them. (The converter's offset
    # is in one of them; leaving them out would change the sum by 0.4 %.)
    share = np.where((bins == 0) | (bins == -n_fft // 2), 1.0, 2.0)
    analytic = share[:, None] * spectrum[bins] / n_fft
    total, count = np.zeros(x.size, complex), np.zeros(x.size)
    n_element = samples.shape[1]
    for m in range(n_element):
        offset = x - (m - (n_element - 1) / 2) * p["pitch"]
        use = z >= 2 * f_number * np.abs(offset)
        tau = (z[use] + np.hypot(z[use], offset[use])) / p["c"]
        total[use] += np.exp(2j * np.pi * (tau - p["t0"])[:, None] * frequency) @ analytic[:, m]
        count[use] += 1
    return total / count


def test_the_image_is_that_of_an_independent_exact_sum(raw) -> None:
    x, z = ALONG[::8], DEPTH[::8]
    grid_x, grid_z = (g.ravel() for g in np.meshgrid(x, z, indexing="ij"))
    got = image_frames(read_array_recording(RECORDING), x, z, n_frame=1)[0].ravel()
    expected = np.abs(exact_sum(raw, 0, grid_x, grid_z, 1.5)) ** 2
    amplitude = np.sqrt(got), np.sqrt(expected)
    error = np.linalg.norm(amplitude[0] - amplitude[1]) / np.linalg.norm(amplitude[1])
    # The filters' error is 5e-4; the sharp edge of the band depends on how many zeros the transforms are filled up with.
    assert error < 0.002
    low = expected < 0.01 * expected.mean()
    assert low.sum() >= 2  # speckle: one pixel in a hundred is so dark
    dark = np.linalg.norm(amplitude[0][low] - amplitude[1][low]) / np.linalg.norm(amplitude[1][low])
    assert dark < 0.02  # the same error against pixels ten times fainter or more


def test_each_frame_follows_the_exponential_law(frames) -> None:
    agreement = [frame_agreement(f, INSIDE) for f in frames]
    # All pixels, 400 cells: chance alone gives 0.04 at the 5 % level for a law whose mean is known.
    assert max(a.distance for a in agreement) < 0.04
    # Independent cells: 32 correlated frames; one in a hundred to be below by chance, had each its own speckle.
    assert min(a.p_value for a in agreement) > 0.01
    assert np.median([a.n_independent for a in agreement]) > 100


# As found before with another program of ours: plain sum with linear interpolation, first frames, trend removed.
SEEN = {1: 0.91, 2: 0.98, 4: 1.07, 8: 1.29, 16: 1.70, 32: 2.70}


@pytest.mark.parametrize("n_frame", SEEN)
def test_averaging_raises_the_looks_as_far_as_the_disc_has_turned(averages, n_frame: int) -> None:
    rows = {r.n_frame: r for r in averages}
    # The same echoes, so no sampling error; trend (degree 2 here) and correction for bias make the difference: up to 7 %,
    # the more so as those were first frames and these are means over all groups.
    assert rows[n_frame].enl == pytest.approx(SEEN[n_frame], rel=0.08)


def test_neighbouring_frames_share_most_of_their_speckle(averages) -> None:
    looks = [r.enl for r in averages]
    gain = np.diff(np.log(looks)) / np.log(2)
    assert (np.diff(looks) > 0).all()
    # Doubling the frames doubles the looks only once the disc has turned by a cell: the gain grows but stays below 1.
    assert gain[0] < 0.1
    assert (np.diff(gain) > 0).all()
    assert gain[-1] < 0.8


def test_a_single_frame_has_the_looks_of_exponential_speckle(averages) -> None:
    row = averages[0]
    # 440 cells a frame: one standard deviation is 9 % a frame, and texture lowers the looks.
    assert 0.85 < row.enl < 1.0
    assert row.low > 0.75
    assert row.high < 1.25


def test_the_wrong_half_of_the_folded_spectrum_decorrelates_from_frame_to_frame(raw, frames) -> None:
    """Half a cycle of folding misread still looks like speckle, but frames then agree no more."""
    samples, p = raw
    recording = read_array_recording(RECORDING)
    mirrored, _ = demodulate(
        np.ascontiguousarray(samples.transpose(2, 1, 0)[:2]),
        sample_rate_hz=p["fs"],
        carrier_hz=p["fs"] - p["fc"],  # the twin at +1.667 MHz
        first_delay_s=p["t0"],
    )
    turns = (p["fc"] - (p["fs"] - p["fc"])) * (p["t0"] + np.arange(mirrored.shape[-1]) / p["fs"])
    wrong = dataclasses.replace(
        recording, channels=(mirrored * np.exp(-2j * np.pi * turns)).astype(np.complex64)
    )

    def shared(pair):
        return np.corrcoef(pair[0][INSIDE], pair[1][INSIDE])[0, 1]

    assert shared(frames[:2]) > 0.85
    assert shared(image_frames(wrong, ALONG, DEPTH)) < 0.4
