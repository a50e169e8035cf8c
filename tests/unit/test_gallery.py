"""The gallery: truth in the strip's own frame, outlines where the targets are, refusals before any work."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose

from pingloom.bench.commands.gallery import command
from pingloom.bench.commands.simulate import record_scenario
from pingloom.bench.gallery_pictures import expected_backscatter, target_outlines, truth_picture
from pingloom.bench.imaging_run import image_recording
from pingloom.imaging.errors import ParameterError
from pingloom.io.product import read_product
from pingloom.simulate.scenario import Scenario, SonarTable, Target, VehicleTable

SCENARIO = Scenario(
    title="Small (invented)",
    sonar=SonarTable(n_channel=8, channel_pitch_m=0.075, receive_along_m=0.01875, range_stop_m=16.0),
    vehicle=VehicleTable(
        altitude_m=6.0, n_ping=8, speed_m_s=1.0, heading_deg=60.0, start_north_m=5.0, start_east_m=-9.0
    ),
    targets=(
        Target(kind="box", name="box", along_m=0.3, across_m=9.0, orientation_deg=25.0, strength_db=-20.0),
        Target(kind="sphere", name="ball", along_m=0.2, across_m=12.0, radius_m=0.4, strength_db=-20.0),
        Target(name="dot", along_m=0.1, across_m=7.0),
        Target(
            kind="debris",
            along_m=0.3,
            across_m=11.0,
            size_m=(0.5, 0.5, 1.0),
            count=5,
            piece_m=(0.05, 0.1),
            strength_db=-20.0,
        ),
    ),
)


@pytest.fixture(scope="module")
def product(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gallery")
    record_scenario(SCENARIO, folder / "r.h5")
    run = image_recording(folder / "r.h5", folder / "images")
    with read_product(run.products[0]) as opened:
        yield opened


def test_truth_of_a_flat_seabed_is_lamberts_law(product):
    found = expected_backscatter(SCENARIO, product)
    across = product.across_track_m
    # The strip's middle line is the mean course; the vehicle holds it to rounding here.
    expected = 10**-2.7 * 36 / (36 + across**2)
    assert_allclose(found, np.broadcast_to(expected, found.shape), rtol=1e-6)


def test_outlines_lie_where_the_targets_are(product):
    outlines = {o.name: o.along_across_m for o in target_outlines(SCENARIO, product)}
    # The strip begins where the product says; along differs from the leg's by a shift, across not at all.
    dot = outlines["dot"][0][0]
    shift = dot[0] - 0.1
    assert_allclose(dot[1], 7.0, atol=1e-6)
    (box,) = outlines["box"]
    assert len(box) == 5
    assert_allclose(box[0], box[-1])
    assert_allclose(box[:4].mean(axis=0), [0.3 + shift, 9.0], atol=1e-6)
    reach = 0.5 * np.cos(np.deg2rad(25)) + 0.3 * np.sin(np.deg2rad(25))
    assert_allclose(np.ptp(box[:, 0]) / 2, reach)
    (ball,) = outlines["ball"]
    assert_allclose(np.hypot(ball[:, 0] - 0.2 - shift, ball[:, 1] - 12), 0.4, atol=1e-6)
    assert_allclose(outlines["debris"][0], [[0.3 + shift, 11.0]], atol=1e-6)


def test_picture_has_the_same_bytes_twice(product, tmp_path):
    first, second = (truth_picture(tmp_path / f"{k}.png", SCENARIO, product) for k in "ab")
    assert first.read_bytes() == second.read_bytes()
    assert first.read_bytes()[:4] == b"\x89PNG"


def test_picture_with_an_image_without_something_has_a_third_panel(product, tmp_path):
    from PIL import Image

    one = truth_picture(tmp_path / "one.png", SCENARIO, product)
    two = truth_picture(tmp_path / "two.png", SCENARIO, product, without=("multipath", product))
    pixels = [np.asarray(Image.open(path).convert("L")) for path in (one, two)]
    # This short strip's panels lie below each other: three need half as much again.
    assert 1.3 < pixels[1].shape[0] / pixels[0].shape[0] < 1.6
    assert pixels[1].shape[1] == pixels[0].shape[1]


def test_unknown_preset_and_existing_picture_are_refused_before_any_work(tmp_path):
    def refused(*words):
        return CliRunner().invoke(command, ["-o", str(tmp_path), *words]).exception

    assert "did you mean 'open_sand'" in str(refused("--only", "open_snd"))
    (tmp_path / "open_sand.png").write_bytes(b"")
    error = refused("--only", "open_sand")
    assert isinstance(error, ParameterError)
    assert "--overwrite" in str(error)
    assert [p.name for p in tmp_path.iterdir()] == ["open_sand.png"]
