"""Predictions: limits and symmetries that tables of single values don't show, and refusals."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging.errors import ParameterError
from pingloom.imaging.theory import (
    aperture,
    array,
    detection,
    geometry,
    levels,
    multipath,
    pulse,
    registration,
    windows,
)


def test_one_bin_of_uniform_weights_is_the_first_null():
    assert windows.response_db(np.ones(64), 1.0) < -250


@pytest.mark.parametrize("sidelobe_db", [20.0, 25.0, 30.0, 40.0])
def test_taylor_keeps_its_sidelobes(sidelobe_db):
    weights = windows.taper("taylor", 2048, sidelobe_db=sidelobe_db, n_equal=6)
    assert_allclose(
        windows.peak_sidelobe_db(weights), -sidelobe_db, atol=0.3
    )  # Taylor's design is nearly equal


def test_noise_bandwidth_is_the_integral_of_the_response():
    weights = windows.taper("taylor", 64, sidelobe_db=25.0)
    offset = (np.arange(6400) + 0.5) / 100 - 32  # one period
    integral = np.mean(10 ** (windows.response_db(weights, offset) / 10)) * 64
    assert_allclose(windows.noise_bandwidth_bins(weights), integral, rtol=1e-9)  # a periodic sum is exact


def test_a_dead_element_widens_nothing_but_raises_sidelobes():
    weights = np.ones(32)
    weights[12] = 0
    assert windows.peak_sidelobe_db(weights) > windows.peak_sidelobe_db(np.ones(32)) + 0.5
    assert_allclose(
        windows.half_power_width_bins(weights), windows.half_power_width_bins(np.ones(32)), rtol=0.05
    )


def test_many_elements_become_a_line():
    spacing = 0.5 / 400
    assert_allclose(
        array.array_width_rad(np.ones(400), spacing, 3.75e-3), array.line_width_rad(0.5, 3.75e-3), rtol=1e-5
    )


def test_equivalent_widths_exceed_half_power_widths_of_a_line_by_a_known_factor():
    assert_allclose(array.equivalent_along_width_m(3.75e-3, 25, 0.5) / array.along_width_m(3.75e-3, 25, 0.5), 1 / 0.8859,
                    rtol=1e-4)  # fmt: skip
    assert_allclose(pulse.equivalent_range_width_m(30e3), 1500 / 60e3, rtol=1e-12)


def test_depth_of_focus_is_where_half_the_power_is_left():
    near, far = array.focus_depth_limits_m(0.5, 3.75e-3, 10.0)
    for r in (near, far):
        edge = np.pi * 0.5**2 / (4 * 3.75e-3) * (1 / r - 1 / 10.0)
        assert_allclose(array.quadratic_phase_loss_db(edge), -10 * np.log10(2), atol=1e-6)
    assert array.focus_depth_limits_m(0.5, 3.75e-3, 30.0)[1] == np.inf
    # Small beside the range, the two agree: 7 wavelength (R/L)^2.
    near, far = array.focus_depth_limits_m(0.5, 3.75e-3, 1.0)
    assert_allclose(far - near, array.depth_of_focus_m(0.5, 3.75e-3, 1.0), rtol=3e-3)


def test_no_grating_lobe_at_the_largest_pitch():
    steer = np.radians(15)
    pitch = array.largest_spacing_m(1.0, steer)
    assert array.grating_lobes_rad(0.999 * pitch, 1.0, steer).size == 0
    assert array.grating_lobes_rad(1.001 * pitch, 1.0, steer).size == 1


def test_a_down_sweep_shifts_the_other_way():
    up = pulse.doppler_delay_shift_s(300.0, 2e-3, 30e3)
    assert_allclose(pulse.doppler_delay_shift_s(300.0, 2e-3, -30e3), -up)
    assert up < 0


def test_doppler_loss_vanishes_at_rest():
    assert pulse.doppler_loss_db(0.0, 450e3, 30e3, 2e-3) == 0


def test_detection_needs_more_when_asked_for_more():
    assert detection.square_law_snr_db(0.95, 1e-6, 4) > detection.square_law_snr_db(0.9, 1e-6, 4)
    assert detection.square_law_snr_db(0.9, 1e-7, 4) > detection.square_law_snr_db(0.9, 1e-6, 4)
    assert_allclose(detection.pd_bright(1.0, 0.01, 5), 0.01)  # no contrast: false alarms only
    assert_allclose(detection.pd_shadow(1.0, 0.01, 5), 0.01)
    assert_allclose(detection.pd_square_law(-200.0, 0.01, 5), 0.01, rtol=1e-9)


def test_required_signal_gives_the_probability_back():
    for looks in (1, 7, 60):
        snr = detection.square_law_snr_db(0.8, 1e-5, looks)
        assert_allclose(detection.pd_square_law(snr, 1e-5, looks), 0.8, rtol=1e-9)
        assert_allclose(
            detection.pd_swerling_2(detection.swerling_2_snr_db(0.8, 1e-5, looks), 1e-5, looks), 0.8
        )


def test_a_sum_of_unequal_looks_detects_as_drawn():
    gain, weight = np.array([1.0, 0.9, 0.7, 0.5, 0.3, 0.2]), np.array([1.0, 1.1, 1.4, 2.0, 3.0, 4.0])
    rng = np.random.default_rng(61)
    noise = (rng.standard_normal((2, 200_000, 6)) + 1j * rng.standard_normal((2, 200_000, 6))) / np.sqrt(2)
    silent = np.abs(noise[0]) ** 2 @ weight
    echo = np.abs(noise[1] + np.sqrt(10**0.5 * gain)) ** 2 @ weight
    drawn = np.mean(echo > np.quantile(silent, 0.99))
    # 3 standard errors of 200 000 draws, and those of the drawn threshold
    assert_allclose(detection.pd_weighted_looks(5.0, 0.01, gain, weight), drawn, atol=0.01)


def test_contrast_to_noise_of_a_shadow_in_speckle():
    # background 1 with N looks, shadow 0.1: |0.9| / sqrt(1/N + 0.01/N)
    assert_allclose(detection.contrast_to_noise(0.1, 0.1 / 3, 1.0, 1 / 3), 0.9 * 3 / np.sqrt(1.01))


def test_reflection_at_normal_incidence_is_that_of_impedances():
    z = 1.6 * 1.05
    assert_allclose(multipath.bottom_reflection(np.pi / 2, 1.6, 1.05), (z - 1) / (z + 1))


def test_losses_in_the_bottom_take_from_total_reflection():
    grazing = np.radians(15)
    lossless = abs(multipath.bottom_reflection(grazing, 1.9, 1.1))
    assert abs(multipath.bottom_reflection(grazing, 1.9, 1.1, loss=0.02)) < lossless


def test_a_bounce_arrives_later_and_is_drawn_farther():
    bounce = multipath.surface_bounces(3.0, 8.0, np.array([5.0, 30.0, 60.0]))
    assert (bounce.delay_one_s > 0).all()
    assert (bounce.ghost_two_m > bounce.ghost_one_m).all()
    # the mirrored sonar sees the bounce on a straight line
    assert_allclose(np.tan(bounce.specular_grazing_rad) * bounce.specular_m, 3.0)


def test_shadow_and_height_are_inverse():
    for height in (0.1, 0.5, 2.0):
        top = geometry.top_slant_range_m(30.0, 5.0, height)
        end = np.hypot(geometry.shadow_end_m(30.0, 5.0, height), 5.0)
        assert_allclose(geometry.height_from_shadow_m(5.0, top, end), height)
        assert geometry.layover_ground_range_m(30.0, 5.0, height) < 30.0


def test_the_water_column_has_no_ground():
    assert np.isnan(geometry.ground_range_m([4.9, 5.0, 6.0], 5.0)).tolist() == [True, False, False]


def test_formulas_broadcast_and_leave_their_arguments_alone():
    r = np.array([10.0, 20.0])
    before = r.copy()
    assert array.along_width_m(3.75e-3, r, 0.5).shape == (2,)
    assert levels.transmission_loss_db(r[:, None], np.array([0.0, 0.1, 0.2])).shape == (2, 3)
    assert registration.delay_std_s(0.0, 30e3, 2e-3, np.array([0.3, 0.6])).dtype == np.float64
    assert_allclose(r, before)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: windows.taper("haming", 8), "did you mean 'hamming'"),
        (lambda: windows.half_power_width_bins([1.0]), "stays above"),
        (lambda: windows.peak_sidelobe_db([1.0]), "no sidelobe"),
        (lambda: windows.coherent_gain([[1.0]]), "one axis of finite real weights"),
        (lambda: windows.coherent_gain([1.0, -1.0]), "sum above 0"),
        (lambda: pulse.range_width_m(-30e3), "bandwidth_hz is -30000; allowed: finite numbers above 0"),
        (lambda: pulse.doppler_peak_loss_db(31e3, 30e3), "overlap_of_the_bands"),
        (lambda: array.quadratic_phase_edge_rad(7.0), "loss_db is 7; allowed: from 0 to 6"),
        (lambda: array.along_width_m(np.nan, 25, 0.5), "wavelength_m is nan"),
        (
            lambda: detection.albersheim_snr_db(1.0, 1e-6),
            "pd is 1; allowed: finite numbers above 0 and below 1",
        ),
        (lambda: detection.square_law_snr_db(0.001, 0.01), "pd is 0.001; allowed: above pfa"),
        (lambda: detection.swerling_2_snr_db(0.001, 0.01), "excess_of_pd_over_pfa"),
        (lambda: detection.shnidman_snr_db(0.999, 1e-6), "pd is 0.999; allowed: from 0.1 to 0.99"),
        (lambda: detection.pd_weighted_looks(3, 1e-3, [1, 1], [1, 1]), "two equal rows of 5 or more looks"),
        (
            lambda: detection.pd_weighted_looks(3, 1e-9, np.ones(9), np.ones(9)),
            "pfa is 1e-09; allowed: from 1e-5",
        ),
        (lambda: registration.delay_std_s(0, 30e3, 2e-3, 1.0), "coherence is 1"),
        (lambda: geometry.shadow_end_m(20, 5, 5), "height_m is 5; allowed: below altitude_m=5"),
        (lambda: geometry.height_from_shadow_m(5, 20, 19), "a shadow lies behind"),
        (lambda: geometry.nadir_gap_m(5, 60), "Use radians"),
        (lambda: multipath.surface_bounces(9, 8, 20), "must float"),
        (lambda: levels.transmission_loss_db(0, 0.1), "range_m is 0"),
        (
            lambda: levels.transmission_loss_db(1, -0.1),
            "absorption_db_m is -0.1; allowed: finite numbers at least 0",
        ),
        (lambda: aperture.phase_error_gain(-1), "phase_std_rad is -1"),
    ],
)
def test_nonsense_is_refused_by_name(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
