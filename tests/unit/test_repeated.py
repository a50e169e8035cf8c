"""A line repeated end to end: times and places go on, echoes come again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.bench.imaging_run import ImageSettings, image_recording
from pingloom.bench.repeated import Repeated
from pingloom.imaging.errors import ParameterError
from pingloom.io.product import read_product
from pingloom.io.recording import open_recording
from pingloom.io.settings import apply
from tests.unit.line_samples import INTERVAL_S, PIXELS, SPEED_M_S, START_NS, line


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return line(tmp_path_factory.mktemp("line") / "r.h5", 30)


def test_time_and_place_go_on_and_echoes_come_again(recording):
    with open_recording(recording) as own:
        many = Repeated(own, 4)
        assert (many.n_ping("port"), many.sides) == (120, ("port", "starboard"))
        assert many.duration_s == pytest.approx(120 * INTERVAL_S)
        assert many.way_m == pytest.approx(120 * INTERVAL_S * SPEED_M_S)
        wanted = START_NS + np.round(np.arange(120) * INTERVAL_S * 1e9).astype(np.uint64)
        assert_array_equal(many.ping_time_ns("port"), wanted)
        platform = many.platform()
        second = (platform.time_ns.astype(np.int64) - START_NS) * 1e-9
        assert_allclose(platform.north_m, SPEED_M_S * second, atol=1e-9)
        assert (second[0], second[-1]) == (pytest.approx(-1.0), pytest.approx(13.9))
        order = [(p.side, p.number, p.time_ns) for p in many.pings()]
        assert order == sorted(order, key=lambda p: (p[2], p[0]))
        assert [p[1] for p in order if p[0] == "starboard"] == list(range(120))
        first, again = many.read_ping("port", 7), many.read_ping("port", 97)
        assert_array_equal(first.echo, again.echo)
        assert again.time_ns == wanted[97]
        assert many.identity() != own.identity()


def test_a_repeated_line_is_one_long_strip_with_every_ping_in_it(recording, tmp_path):
    chosen = apply(ImageSettings(), PIXELS)
    once = image_recording(recording, tmp_path / "a", settings=chosen)
    thrice = image_recording(recording, tmp_path / "b", settings=chosen, repeat=3, checkpoint_pings=50)
    assert (once.n_ping, thrice.n_ping, thrice.left_out) == (60, 180, {})
    with read_product(once.product) as short, read_product(thrice.product) as long:
        lap = round(30 * INTERVAL_S * SPEED_M_S / 0.1)
        assert long.shape == (short.shape[0] + 2 * lap, short.shape[1])
        # In the middle of each lap the same pings lie the same; the noise before it was heard for longer.
        rows = slice(short.shape[0] // 2 - 5, short.shape[0] // 2 + 5)
        later = slice(rows.start + lap, rows.stop + lap)
        assert_array_equal(long.read("coverage", later), short.read("coverage", rows))
        assert_allclose(
            np.nanmean(long.read("intensity", later)), np.nanmean(short.read("intensity", rows)), rtol=0.02
        )


def test_too_little_or_too_much_is_refused(recording, tmp_path):
    with open_recording(recording) as own, pytest.raises(ParameterError, match="repeat is 0; allowed: 1 to"):
        Repeated(own, 0)
    one = line(tmp_path / "one.h5", 1)
    with open_recording(one) as own, pytest.raises(ParameterError, match="two or more"):
        Repeated(own, 2)
