"""How beams and samples are cut into patches, and beams of odd arrays against the exact sum."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging.beamform import Beamformer, BeamformSettings
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.records import Sonar
from tests.unit.make import make_sonar, parts
from tests.unit.test_imaging_beamform import Scene, exact

C = 1500.0
UNIFORM = BeamformSettings(shading="uniform")


def spaced(along_m: np.ndarray, **changes) -> Sonar:
    place = np.zeros((1, along_m.size, 3))
    place[0, :, 0] = along_m
    return make_sonar(
        n_channel=along_m.size, element_position_m=place, first_sample_delay_s=1e-3, n_sample=900, **changes
    )


def regular(n: int = 32) -> np.ndarray:
    return (np.arange(n) - (n - 1) / 2) * 0.01875


def irregular() -> np.ndarray:
    along = regular() + 0.004 * np.sin(3.1 * np.arange(32) ** 1.3)
    return along - along.mean()


def plans(sonar: Sonar, *, nearest_m: float, window: str = "hamming", **how) -> tuple[Compressor, Beamformer]:
    compressor = Compressor.prepare(sonar, CompressSettings(window=window))
    settings = how.pop("settings", UNIFORM)
    beams = Beamformer.prepare(
        sonar, compressor, settings, sound_speed_m_s=C, nearest_range_m=nearest_m, **how
    )
    return compressor, beams


def detected_error(
    sonar: Sonar, nearest_m: float, ranges_m, direction, window: str = "hamming", **how
) -> float:
    """Relative rms error of the intensity over all beams, around points at these ranges."""
    compressor, beams = plans(sonar, nearest_m=nearest_m, window=window, direction=direction, **how)
    buffer = beams.allocate()
    off = power = 0.0
    for range_m in ranges_m:
        for at in (0.7, -0.4):
            scene = Scene(sonar, range_m, at * direction[-1], UNIFORM)
            channels = scene.channels(compressor)
            got = beams.detect(parts(channels), buffer)
            delay_s = beams.first_delay_s + np.arange(beams.n_sample) / beams.sample_rate_hz
            near = np.abs(delay_s - scene.delay_s) < 8 / sonar.bandwidth_hz
            for i in range(direction.size):
                want = np.abs(exact(scene, compressor, beams, channels, i, delay_s[near])) ** 2
                off += np.sum((got[i, near] - want) ** 2)
                power += np.sum(want**2)
    return float(np.sqrt(off / power))


SECTOR = np.linspace(-1, 1, 16) * np.sin(np.deg2rad(3))


@pytest.mark.parametrize(
    ("along_m", "folded"),
    [(regular(), True), (regular(31), True), (irregular(), False)],
    ids=["even", "odd", "irregular"],
)
def test_beams_are_exact_whether_or_not_the_array_folds(along_m: np.ndarray, folded: bool) -> None:
    _, beams = plans(spaced(along_m), nearest_m=7.0, direction=SECTOR)
    assert {p.folded for p in beams.patches} == {folded}
    assert detected_error(spaced(along_m), 7.0, (7.2, 12.0), SECTOR) < 1e-2


def test_the_folded_sum_is_the_unfolded_one() -> None:
    # Too far from symmetric to fold, too little to matter otherwise.
    nudged = regular() + np.where(np.arange(32) == 3, 1e-5, 0)
    rng = np.random.default_rng(2)
    channels = rng.standard_normal((2, 32, 900)).astype(np.float32)
    results = []
    for along_m, folded in ((regular(), True), (nudged - nudged.mean(), False)):
        _, beams = plans(spaced(along_m), nearest_m=7.0, direction=SECTOR)
        assert {p.folded for p in beams.patches} == {folded}
        results.append(beams.detect(channels, beams.allocate()).copy())
    # Noise fills all frequencies, those that no filter was made for too.
    assert_allclose(results[1], results[0], rtol=0, atol=0.02 * results[0].mean())


def test_near_ranges_and_wide_sectors_are_cut_and_stay_exact() -> None:
    wide = np.linspace(-1, 1, 41) * np.sin(np.deg2rad(10))
    sonar = spaced(regular())
    _, beams = plans(sonar, nearest_m=1.5, direction=wide)
    groups = {p.beams for p in beams.patches}
    assert len(groups) > 3
    assert detected_error(sonar, 1.5, (1.7, 4.0, 10.0), wide) < 1.5e-2


def test_a_pulse_that_fills_its_band_is_steered_exactly() -> None:
    assert detected_error(spaced(regular()), 5.0, (6.0, 10.0), SECTOR, window="none") < 1.5e-2


def test_receivers_off_the_line_are_moved_too() -> None:
    place = np.zeros((1, 32, 3))
    place[0, :, 0] = regular()
    place[0, ::3, 1] = 0.002
    place[0, :, 1] -= place[0, :, 1].mean()
    sonar = make_sonar(element_position_m=place, depression_rad=0.0, first_sample_delay_s=4e-3, n_sample=900)
    compressor, beams = plans(sonar, nearest_m=5.0, direction=SECTOR)
    scene = Scene(sonar, 8.0, float(SECTOR[7]), UNIFORM)
    got = beams.detect(parts(scene.channels(compressor)), beams.allocate())
    peak = np.sqrt(got[7].max())
    assert peak == pytest.approx(1, abs=0.06)  # between samples up to 0.05 of a peak is not seen


@pytest.mark.parametrize("n_beam", [1, 2, 5, 8])
def test_patches_tile_all_beams_and_samples_once(n_beam: int) -> None:
    direction = np.array([0.01]) if n_beam == 1 else np.linspace(-0.15, 0.12, n_beam)
    _, beams = plans(spaced(regular()), nearest_m=1.0, direction=direction)
    seen = np.zeros((n_beam, beams.n_sample), int)
    for patch in beams.patches:
        seen[slice(*patch.beams), slice(*patch.samples)] += 1
        of_patch = np.sort(patch.half_beams[patch.half_beams >= 0])
        assert_array_equal(of_patch, np.arange(*patch.beams))
    assert (seen == 1).all()


def test_detection_is_that_of_the_field() -> None:
    sonar = spaced(regular())
    rng = np.random.default_rng(4)
    channels = rng.standard_normal((2, 32, 900)).astype(np.float32)
    _, beams = plans(sonar, nearest_m=5.0)
    buffer = beams.allocate()
    beams.run(channels, buffer)
    square = np.sum(buffer.field.astype(float) ** 2, axis=-1)
    got = beams.detect(channels, buffer)
    assert beams.direction.size == 2 * (beams.steered.size - 2 * beams.first_steered) - 1
    inner = got[beams.first_steered : beams.steered.size - beams.first_steered]
    assert_allclose(inner, square[::2, :: beams.upsampling], rtol=1e-5, atol=1e-5 * square.max())
    assert_allclose(beams.direction[::2], beams.steered[beams.first_steered : -beams.first_steered])


@pytest.mark.parametrize(("nearest_m", "sector_deg", "groups"), [(5.0, 8.0, [2, 1]), (6.0, 5.0, [1])])
def test_a_field_at_the_recorded_rate_is_every_second_sample_of_the_doubled_one(
    nearest_m: float, sector_deg: float, groups: list[int]
) -> None:
    sonar = spaced(regular())
    rng = np.random.default_rng(4)
    channels = rng.standard_normal((2, 32, 900)).astype(np.float32)
    settings = BeamformSettings(shading="uniform", sector_deg=sector_deg)
    _, doubled = plans(sonar, nearest_m=nearest_m, settings=settings, window="none")
    single = replace(
        doubled,
        upsampling=1,
        sample_rate_hz=doubled.sample_rate_hz / 2,
        band=2 * doubled.band,
        between_samples=np.zeros(0, np.float32),
    )
    samples = [patch.samples for patch in single.patches]
    assert [samples.count(s) for s in dict.fromkeys(samples)] == groups
    _, weighted = plans(sonar, nearest_m=nearest_m, settings=settings, window="hamming")
    assert (doubled.upsampling, weighted.upsampling) == (2, 1)
    assert (weighted.band, weighted.sample_rate_hz) == (single.band, single.sample_rate_hz)
    level = rng.uniform(0.5, 1.5, (9, single.direction.size)).astype(np.float32)
    node_s = 900 / single.sample_rate_hz / 8
    fields = []
    for beams in (doubled, single):
        buffer = beams.allocate()
        beams.run(channels, buffer, level, node_s)
        fields.append(buffer.field)
        # What taps read before the first sample is zero.
        assert not buffer.woven[:, :8].any()
    assert_allclose(fields[1], fields[0][:, ::2], rtol=0, atol=2e-5 * np.abs(fields[0]).max())


@pytest.mark.parametrize("window", ["none", "hamming"])
@pytest.mark.parametrize("n_node", [5, 300])
def test_a_level_is_laid_on_the_field_linearly_between_its_nodes(n_node: int, window: str) -> None:
    sonar = spaced(regular())
    compressor, beams = plans(sonar, nearest_m=5.0, window=window)
    scene = Scene(sonar, 8.0, 0.01, UNIFORM)
    channels = parts(scene.channels(compressor))
    plain, levelled = beams.allocate(), beams.allocate()
    beams.run(channels, plain)
    node_s = 0.9 * beams.n_sample / compressor.sample_rate_hz / (n_node - 1)
    rng = np.random.default_rng(3)
    level = (
        1 + 0.1 * np.cumsum(rng.standard_normal((n_node, beams.direction.size)), axis=0) / n_node**0.5
    ).astype(np.float32)
    beams.run(channels, levelled, level, node_s)
    at = np.arange(plain.field.shape[1]) / (node_s * beams.sample_rate_hz)
    for b in range(0, beams.direction.size, 3):
        factor = np.interp(at, np.arange(n_node), level[:, b].astype(float))
        got = levelled.field[b].astype(float)
        # Half way between samples the filter sees the level change a little over its reach.
        own = slice(None, None, beams.upsampling)
        assert_allclose(got[own], plain.field[b, own] * factor[own, None], rtol=0, atol=1e-5)
        assert_allclose(got, plain.field[b] * factor[:, None], rtol=0, atol=0.02)


def test_a_level_of_another_shape_is_refused() -> None:
    _, beams = plans(spaced(regular()), nearest_m=5.0)
    channels = np.zeros((2, 32, 900), np.float32)
    for shape in ((5, beams.direction.size + 1), (1, beams.direction.size), (2000, beams.direction.size)):
        with pytest.raises(ParameterError, match=r"level has shape \(node, beam\).*allowed: 2 to 1024 nodes"):
            beams.run(channels, beams.allocate(), np.ones(shape, np.float32), 1e-4)


def test_weights_that_are_given_are_those_of_the_beams() -> None:
    sonar = spaced(regular())
    weight = np.hanning(34)[1:-1]
    _, beams = plans(sonar, nearest_m=5.0, direction=SECTOR, shading=weight)
    assert_allclose(beams.shading, weight / weight.sum())
    assert detected_error(sonar, 5.0, (6.0,), SECTOR, shading=weight) < 1e-2


@pytest.mark.parametrize(
    ("how", "message"),
    [
        (dict(direction=[0.1, 0.0]), "direction: allowed: equally spaced and increasing"),
        (dict(direction=[0.0, 0.1, 0.3]), "direction: allowed: equally spaced and increasing"),
        (dict(direction=[0.0, 1.1]), "direction: allowed: a row of direction cosines between -1 and 1"),
        (dict(shading=np.ones(31)), r"shading has shape \(31,\).*allowed: shape \(32,\)"),
        (dict(shading=np.zeros(32)), r"shading has .* sum 0; allowed"),
    ],
)
def test_directions_and_weights_that_make_no_sense_are_refused(how: dict, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        plans(spaced(regular()), nearest_m=5.0, **how)
