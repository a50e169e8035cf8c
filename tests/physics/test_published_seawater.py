"""Sea water: what single values don't show - broadcasting, range of the default, traps, refusals."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pingloom.imaging import seawater
from pingloom.imaging.errors import ParameterError

MODELS = ["chen-millero", "del-grosso", "mackenzie", "medwin", "marczak"]


def grid():
    return np.meshgrid(np.linspace(0, 30, 16), np.linspace(0, 38, 20), [0.0, 50.0, 100.0], indexing="ij")


def largest_difference(model, keep=lambda salinity: salinity >= 0):
    gsw = pytest.importorskip("gsw")
    t, s, p = grid()
    reference = gsw.sound_speed_t_exact(s * 35.16504 / 35, t, p)
    error = np.abs(seawater.sound_speed_m_s(t, s, -gsw.z_from_p(p, 45.0), model=model) - reference)
    return error[keep(s)].max()


def test_the_default_is_the_nearest_to_teos_10_from_lake_to_sea():
    assert largest_difference("chen-millero") < 0.19
    for other in ("del-grosso", "mackenzie", "medwin"):
        assert largest_difference(other) > 3 * largest_difference("chen-millero")


def test_del_grosso_is_nearer_at_sea():
    assert largest_difference("del-grosso", lambda s: s > 30) < 0.07


def test_mackenzie_is_low_in_a_lake():
    gsw = pytest.importorskip("gsw")
    t = np.array([4.0, 10.0, 15.0, 20.0])
    low = gsw.sound_speed_t_exact(0.0, t, 0.0) - seawater.sound_speed_m_s(t, 0, 0, model="mackenzie")
    assert ((low > 0.5) & (low < 0.9)).all()


def test_pressure_follows_depth_as_the_library_says():
    gsw = pytest.importorskip("gsw")
    depth = np.array([1.0, 10.0, 100.0, 1000.0])
    for latitude in (0.0, 45.0, 80.0):
        # Saunders' constants against TEOS-10: 0.03 %, worth 0.004 m/s at 1000 m
        assert_allclose(seawater.pressure_dbar(depth, latitude), gsw.p_from_z(-depth, latitude), rtol=6e-4)


@pytest.mark.parametrize("model", MODELS)
def test_sound_speed_broadcasts_in_float64(model):
    c = seawater.sound_speed_m_s(np.linspace(2, 20, 4, dtype=np.float32), 35, 10, model=model)
    assert c.shape == (4,)
    assert c.dtype == np.float64
    assert np.isscalar(seawater.sound_speed_m_s(10.0, 35.0, 5.0, model=model).item())


def test_absorption_broadcasts_and_grows_with_frequency():
    alpha = seawater.absorption_db_m(
        np.array([50e3, 100e3, 400e3])[:, None], np.array([4.0, 20.0, 25.0]), 35, 10
    )
    assert alpha.shape == (3, 3)
    assert (np.diff(alpha, axis=0) > 0).all()


def test_water_term_switches_polynomials_without_a_step():
    below, above = (seawater.absorption_db_m(900e3, t, 0, 0) for t in (20.0, 20.0 + 1e-9))
    assert 0 < abs(above / below - 1) < 1e-3  # the published pieces differ by 0.05 %


def test_fresh_water_has_no_boric_acid():
    with_acid, without = (seawater.absorption_db_m(50e3, 10, 0, 5, ph) for ph in (8.5, 6.0))
    assert with_acid == without


def test_noise_adds_powers_not_decibels():
    total = seawater.noise_level_db(100e3, 5.0)
    parts = [seawater.thermal_noise_db(100e3), seawater.wind_noise_db(100e3, 5.0)]
    assert max(parts) < total < max(parts) + 3.02
    assert_allclose(seawater.noise_level_db(400e3, 0.0), seawater.thermal_noise_db(400e3), atol=0.01)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: seawater.sound_speed_m_s(283.15, 35, 0), r"temperature_c is 283.15; allowed: from -4 to 60"),
        (lambda: seawater.sound_speed_m_s(10, 35, -5), "depth_m is -5"),
        (lambda: seawater.sound_speed_m_s(10, np.nan, 0), "salinity is nan"),
        (lambda: seawater.sound_speed_m_s([10, -9], 35, 0), "temperature_c is -9"),
        (lambda: seawater.sound_speed_m_s(10, 35, 0, model="chen-milero"), "did you mean 'chen-millero'"),
        (lambda: seawater.absorption_db_m(0, 10, 35, 0), "frequency_hz is 0"),
        (lambda: seawater.absorption_db_m(4e5, 10, 35, 0, 14), "ph is 14"),
        (
            lambda: seawater.absorption_db_m(4e5, 10, 35, 0, model="francois"),
            "did you mean 'francois-garrison'",
        ),
        (lambda: seawater.noise_level_db(4e5, -1), "wind_speed_m_s is -1"),
    ],
)
def test_what_no_water_can_be_is_refused(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
