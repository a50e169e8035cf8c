"""Ideal point responses of known width go in at any sub-pixel place; the same come out."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.bench.measure.resolution import point_response
from pingloom.imaging.errors import DataError, ParameterError

# Half-power widths of the squared transform of a unit-length weight, in units of its reciprocal length.
# F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66(1),
# 1978, Table I prints 0.89 and 1.30 (from memory); more digits by bisection of the closed forms.
WIDTH = {"rectangle": 0.885893, "hamming": 1.302982}
# Peak sidelobes: 20 log10 of the extremum of sinc, and of 0.54 sinc(x) + 0.23 (sinc(x - 1) + sinc(x + 1)).
SIDELOBE_DB = {"rectangle": -13.261, "hamming": -42.675}


def amplitude(x, weight):
    """Point response of a band of unit width."""
    if weight == "rectangle":
        return np.sinc(x)
    return (0.54 * np.sinc(x) + 0.23 * (np.sinc(x - 1) + np.sinc(x + 1))) / 0.54


def target(place, pixels_per_width, weight, *, n=97):
    """Intensity of a point at ``place`` pixels from the middle pixel; spacing as asked for on each axis."""
    lines = []
    for at, fine in zip(place, pixels_per_width, strict=True):
        x = (np.arange(n) - n // 2 - at) * WIDTH[weight] / fine
        lines.append(amplitude(x, weight) ** 2)
    return np.outer(*lines)


@pytest.mark.parametrize(("weight", "fine"), [("rectangle", (1.8, 3.0)), ("hamming", (2.6, 4.0))])
@pytest.mark.parametrize("seed", range(6))
def test_width_and_place_come_back_at_any_subpixel_place(weight, fine, seed):
    place = np.random.default_rng(seed).uniform(-0.5, 0.5, 2)
    image = 7 * target(place, fine, weight)
    r = point_response(image, pixel_m=(0.05, 0.01), origin_m=(100, -30), half_size_m=(2, 0.4))
    # 0.1 %: half the widths asked for in practice is 2 %; the method itself is good to 0.01 % here.
    assert_allclose(r.along.width_m, fine[0] * 0.05, rtol=1e-3)
    assert_allclose(r.across.width_m, fine[1] * 0.01, rtol=1e-3)
    assert_allclose(r.along.summed_width_m, fine[0] * 0.05, rtol=1e-3)  # separable: every cut is alike
    assert_allclose(r.peak_along_m, 100 + (48 + place[0]) * 0.05, atol=0.001 * 0.05)
    assert_allclose(r.peak_across_m, -30 + (48 + place[1]) * 0.01, atol=0.001 * 0.01)
    assert_allclose(r.peak, 7, rtol=1e-3)


@pytest.mark.parametrize(("weight", "fine", "error"), [("rectangle", 1.6, 0.04), ("hamming", 2.2, 0.005)])
def test_coarse_sampling_costs_what_the_notes_say(weight, fine, error):
    rng = np.random.default_rng(1)
    got = []
    for _ in range(12):
        r = point_response(target(rng.uniform(-0.5, 0.5, 2), (fine, fine), weight), pixel_m=(1, 1))
        got.append(r.along.width_m / fine - 1)
    assert 0.2 * error < np.max(np.abs(got)) < error


@pytest.mark.parametrize("weight", ["rectangle", "hamming"])
def test_sidelobes_are_the_published_ones(weight):
    r = point_response(target((0.3, -0.2), (3, 3), weight), pixel_m=(1, 1))
    for axis in (r.along, r.across):
        assert_allclose(
            axis.peak_sidelobe_db, SIDELOBE_DB[weight], atol=0.05
        )  # dB; evaluated 32 times a pixel


def test_main_lobe_ends_at_the_first_nulls():
    r = point_response(target((0.1, 0.4), (4, 3), "rectangle"), pixel_m=(1, 1))
    null = 4 / WIDTH["rectangle"]
    assert_allclose([r.along.minimum_before_m, r.along.minimum_after_m], [-null, null], atol=2 / 32)


def test_integrated_sidelobes_are_the_integral_between_main_lobe_and_reach():
    from scipy import integrate

    r = point_response(target((0.0, 0.0), (2, 2), "rectangle"), pixel_m=(1, 1))
    unit = WIDTH["rectangle"] / 2
    reach = -r.along.reach_m[0] * unit
    main = integrate.quad(lambda x: np.sinc(x) ** 2, 0, 1)[0]
    side = integrate.quad(lambda x: np.sinc(x) ** 2, 1, reach, limit=200)[0]
    assert_allclose(r.along.integrated_sidelobe_db, 10 * np.log10(side / main), atol=0.05)
    # Without end it is (1 - 0.9028)/0.9028, -9.68 dB.
    assert -10.6 < r.along.integrated_sidelobe_db < -9.68


def test_summed_width_differs_from_the_cut_where_the_response_is_sheared():
    # A Gaussian ellipse: variance along track of the summed profile exceeds that of the cut by 1/(1 - rho^2).
    n, s, rho = 97, 3.0, 0.6
    a, b = np.meshgrid(np.arange(n) - 48.2, np.arange(n) - 47.7, indexing="ij")
    image = np.exp(-(a**2 - 2 * rho * a * b + b**2) / (2 * s**2 * (1 - rho**2)))
    r = point_response(image, pixel_m=(1, 1), sum_half_width_m=(20, 20))
    full = 2 * np.sqrt(2 * np.log(2)) * s
    assert_allclose(r.along.summed_width_m, full, rtol=2e-3)
    assert_allclose(r.along.width_m, full * np.sqrt(1 - rho**2), rtol=2e-3)


def test_background_from_the_corners_restores_width_and_peak():
    image = target((0.2, 0.1), (3, 3), "hamming") + 0.1
    raw = point_response(image, pixel_m=(1, 1))
    clean = point_response(image, pixel_m=(1, 1), background="corners")
    given = point_response(image, pixel_m=(1, 1), background=0.1)
    assert raw.along.width_m > 3.1
    assert_allclose(clean.along.width_m, 3, rtol=2e-3)
    assert_allclose(clean.background, 0.1, rtol=1e-3)
    assert_allclose([clean.peak, given.peak], 1, rtol=2e-3)


def test_the_named_target_is_measured_not_the_brightest():
    image = target((-20, -20), (3, 3), "hamming") + 4 * target((25, 25), (3, 3), "hamming")
    r = point_response(image, pixel_m=(0.1, 0.2), near_m=(2.9, 5.5), half_size_m=(2, 4))
    assert_allclose([r.peak_along_m, r.peak_across_m], [2.8, 5.6], atol=0.002)
    assert_allclose(r.peak, 1, rtol=1e-2)
    assert_allclose(point_response(image, pixel_m=(0.1, 0.2), half_size_m=(2, 4)).peak, 4, rtol=1e-2)


def test_unseen_pixels_elsewhere_do_not_matter_but_are_refused_in_the_patch():
    image = target((0, 0), (3, 3), "rectangle")
    image[:8] = np.nan
    assert_allclose(point_response(image, pixel_m=(1, 1)).along.width_m, 3, rtol=1e-3)
    image[30, 30] = np.nan
    with pytest.raises(DataError, match="1 of 4225 pixels around the peak were not seen"):
        point_response(image, pixel_m=(1, 1))


def test_speckle_spreads_the_width_as_the_notes_say():
    rng = np.random.default_rng(5)
    x = np.arange(-40, 41) / 3
    band = np.abs(np.fft.fftfreq(162)) <= 0.5 / 3
    got = []
    for _ in range(60):
        place = rng.uniform(-0.2, 0.2, 2)
        noise = np.fft.fft2(rng.standard_normal((162, 162)) + 1j * rng.standard_normal((162, 162)))
        field = np.fft.ifft2(noise * np.outer(band, band))[:81, :81] / np.sqrt(2) / band.mean()
        point = np.outer(np.sinc(x - place[0]), np.sinc(x - place[1]))
        image = np.abs(point + 10 ** (-30 / 20) * field) ** 2
        r = point_response(image, pixel_m=(1, 1), background="corners")
        got.append(r.along.width_m / (3 * WIDTH["rectangle"]) - 1)
    # 60 trials know a standard deviation to 9 %; three of those.
    assert_allclose(np.std(got), 0.33 * 10 ** (-30 / 20), rtol=0.3)


def test_wrong_input_is_refused_in_words():
    image = target((0, 0), (3, 3), "rectangle")
    with pytest.raises(ParameterError, match="pixel_m is"):
        point_response(image, pixel_m=(0, 1))
    with pytest.raises(ParameterError, match="two numbers"):
        point_response(image, pixel_m=3)
    with pytest.raises(ParameterError, match=r"near_m is \(500\.0, 0\.0\)"):
        point_response(image, pixel_m=(1, 1), near_m=(500, 0))
    with pytest.raises(ParameterError, match="or 'corners'"):
        point_response(image, pixel_m=(1, 1), background="edges")
    with pytest.raises(ParameterError, match="finite intensity"):
        point_response(image, pixel_m=(1, 1), background=np.nan)
    with pytest.raises(DataError, match="above its background"):
        point_response(image, pixel_m=(1, 1), background=2.0)
    with pytest.raises(DataError, match="from the border"):
        point_response(image[46:], pixel_m=(1, 1))
    with pytest.raises(DataError, match="finer grid"):
        point_response(target((0, 0), (1.2, 3), "rectangle"), pixel_m=(1, 1))
    with pytest.raises(DataError, match="half power"):
        point_response(image + 5, pixel_m=(1, 1))
    with pytest.raises(DataError, match="no pixel was seen"):
        point_response(np.full((50, 50), np.nan), pixel_m=(1, 1))
