"""Seabeds and targets that are refused by name before any echo is made."""

from __future__ import annotations

import dataclasses
import tomllib

import numpy as np
import pytest

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.io import settings
from pingloom.simulate.ground import Ground
from pingloom.simulate.outline import inside, is_simple, overlap
from pingloom.simulate.scenario import Scenario, SeabedTable, Target
from pingloom.simulate.seabed_tables import Patch, Ripples, Texture

HERE = dict(along_m=5.0, across_m=20.0, strength_db=-20.0)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Texture(), "texture is empty; allowed: order with correlation_m, or image"),
        (lambda: Texture(order=2.0), "has one of order and correlation_m; allowed: both or none"),
        (lambda: Texture(image="gravel"), "has one of image and pixel_m"),
        (lambda: Texture(order=1.0, correlation_m=1.0, span_db=3.0), "span_db is given without image"),
        (lambda: Texture(order=-1.0, correlation_m=1.0), "texture.order is -1; allowed: above 0"),
        (lambda: Ripples(wavelength_m=0.5, height_m=0.2), "height_m is 0.2; allowed: at most 0.111"),
        (
            lambda: Patch(lambert_db=-20.0, along_m=(0, 1)),
            "no clear outline; allowed: along_m with across_m, or",
        ),
        (lambda: Patch(lambert_db=-20.0, along_m=(2, 1), across_m=(0, 1)), "is empty; allowed: .*ascend"),
        (lambda: Patch(lambert_db=-20.0, polygon_m=((0, 0), (1, 1))), "has 2 corners; allowed: at least 3"),
        (lambda: Patch(lambert_db=0.0, along_m=(0, 1), across_m=(0, 1)), "is 0; allowed: at most -4.97"),
        (lambda: SeabedTable(grazing_deg=(0.0, 9.0)), "don't pair up; allowed: two lists of equal length"),
        (
            lambda: SeabedTable(grazing_deg=(9.0, 9.0), grazing_db=(-30.0, -20.0)),
            "allowed: ascending angles from 0 to 90",
        ),
        (lambda: SeabedTable(slope_across_deg=40.0), "slope_across_deg is 40; allowed: from -30 to 30"),
        (lambda: Target(kind="sphere", **HERE), "'sphere' lacks radius_m; radius_m belongs to sphere, cyl"),
        (lambda: Target(kind="box", radius_m=1.0, **HERE), "'box' can't use radius_m"),
        (lambda: Target(kind="sphere", radius_m=1.0, tilt_deg=3.0, **HERE), "can't use tilt_deg"),
        (
            lambda: Target(kind="sphere", radius_m=1.0, along_m=1.0, across_m=9.0),
            "strength_db is 0; allowed: at most -4.97, a skin that loses nothing. A rough body has about -20",
        ),
        (
            lambda: Target(kind="ring", radius_m=0.3, tube_m=0.3, **HERE),
            "tube_m is 0.3; allowed: below radius_m",
        ),
        (lambda: Target(kind="depression", radius_m=0.3, depth_m=0.5, **HERE), "walls of at most 60 degrees"),
        (
            lambda: Target(kind="rope", radius_m=0.01, path_m=((0, 0, 1),), **HERE),
            "path_m is 1 corners; allowed: at least 2",
        ),
        (
            lambda: Target(kind="debris", count=9, piece_m=(0.5, 0.1), **HERE),
            "piece_m is .*; allowed: a smallest and a largest size",
        ),
    ],
)
def test_value_out_of_bounds_is_refused_by_name(make, message):
    with pytest.raises(ParameterError, match=message):
        make()


def square(low, high, name):
    return Patch(name=name, lambert_db=-20.0, along_m=(low, high), across_m=(10.0, 20.0))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"seabed": SeabedTable(ripples=(Ripples(wavelength_m=0.3, height_m=0.02, direction_deg=0.0),))},
            r"ripples\[0\].wavelength_m is 0.3; allowed: at least 0.5\d*, 4 of the scatterers' steps",
        ),
        (
            {"seabed": SeabedTable(texture=Texture(order=2.0, correlation_m=0.1))},
            r"correlation_m is 0.1; allowed: at least 0.29\d, the resolution cell at the end",
        ),
        (
            {"seabed": SeabedTable(texture=Texture(image="gravel", pixel_m=0.02))},
            "pixel_m is 0.02; allowed: at least",
        ),
        (
            {"seabed": SeabedTable(patches=(square(0, 9, "mud"), square(8, 12, "rock")))},
            "'rock' overlaps seabed.patches: 'mud'; allowed: patches that share an edge at most",
        ),
        ({"seabed": SeabedTable(patches=(square(900, 910, "mud"),))}, "'mud' outline is outside the scene"),
        (
            {
                "seabed": SeabedTable(
                    patches=(Patch(lambert_db=-9.0, polygon_m=((0, 9), (9, 19), (9, 9), (0, 19))),)
                )
            },
            "'0' crosses itself or is empty",
        ),
        ({"seabed": SeabedTable(slope_along_deg=20.0)}, "m high below the leg; allowed: at most 5.5"),
        (
            {"seabed": SeabedTable(slope_across_deg=20.0)},
            "within the sonar's range; allowed: below the surface",
        ),
        (
            {
                "targets": (
                    Target(kind="sphere", radius_m=0.5, along_m=5.0, across_m=59.8, strength_db=-20.0),
                )
            },
            "'sphere' extent is 0.5 m about 5 m along, 59.8 m across; allowed: within the sonar's range",
        ),
        (
            {"targets": (Target(kind="sphere", radius_m=9.0, **HERE),)},
            "'sphere' top is 18 m high; allowed: below the surface, 16 m up",
        ),
        (
            {"targets": (Target(kind="plate", size_m=(2.0, 2.0, 0.1), **HERE),)},
            "facets is .* allowed: at most 2000000. Set specular = false or make it smaller",
        ),
        (
            {"targets": (Target(kind="depression", radius_m=0.1, depth_m=0.05, **HERE),)},
            "radius_m is 0.1; allowed: at least .*two of the scatterers' steps",
        ),
        (
            {"targets": (Target(kind="rope", radius_m=0.1, path_m=((0, 0, 0), (1, 0, 0)), **HERE),)},
            "above the seabed at its lowest; allowed: at least its radius, 0.1",
        ),
    ],
)
def test_tables_that_contradict_each_other_are_refused(changes, message):
    with pytest.raises(ParameterError, match=message):
        dataclasses.replace(Scenario(), **changes)


def test_patches_may_share_an_edge():
    patches = (square(0, 9, "mud"), square(9, 12, "rock"))
    assert dataclasses.replace(Scenario(), seabed=SeabedTable(patches=patches)).seabed.patches == patches


def test_texture_too_fine_for_the_scene_is_refused_before_it_is_drawn():
    seabed = SeabedTable(texture=Texture(order=2.0, correlation_m=0.02), cell_along_m=0.01)
    scenario = Scenario(seabed=dataclasses.replace(seabed, texture=None))
    # Past the check against the cell, which would refuse it first.
    object.__setattr__(scenario, "seabed", seabed)
    with pytest.raises(ParameterError, match=r"correlation_m is 0.02; allowed: at least 0\.\d+ in a scene"):
        Ground.of(scenario)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "no file; allowed: a file or a bundled picture"),
        (np.ones(4), "has shape .4,. of float64; allowed: two axes"),
        (np.array([[1.0, -1.0], [1.0, 1.0]]), "values below 0"),
        (b"no picture", "can't be read"),
    ],
)
def test_picture_that_is_none_is_refused(content, message, tmp_path):
    path = tmp_path / ("a.png" if isinstance(content, bytes) else "a.npy")
    if isinstance(content, bytes):
        path.write_bytes(content)
    elif content is not None:
        np.save(path, content)
    seabed = SeabedTable(texture=Texture(image=str(path), pixel_m=0.5))
    with pytest.raises(DataError, match=message):
        Ground.of(Scenario(seabed=seabed))


def test_misspelt_bundled_picture_is_named():
    with pytest.raises(DataError, match=r"did you mean 'gravel'\?"):
        Ground.of(Scenario(seabed=SeabedTable(texture=Texture(image="gravl", pixel_m=0.5))))


def test_all_new_settings_survive_text(tmp_path):
    scenario = Scenario(
        seabed=SeabedTable(
            slope_across_deg=0.5,
            texture=Texture(order=2.0, correlation_m=0.5, image="grass", pixel_m=0.2, span_db=8.0),
            ripples=(Ripples(wavelength_m=0.8, height_m=0.05),),
            patches=(square(0, 9, "mud"), Patch(lambert_db=-9.0, polygon_m=((0, 25), (9, 25), (4, 30)))),
        ),
        targets=(
            Target(kind="rope", radius_m=0.01, path_m=((0, 0, 0.1), (1, 2, 0.1)), **HERE),
            Target(kind="debris", count=3, piece_m=(0.1, 0.4), **HERE),
        ),
    )
    text = scenario.to_toml()
    assert Scenario.from_dict(tomllib.loads(text)) == scenario
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    assert settings.read(tmp_path / "s.toml", Scenario) == scenario


def test_inside_counts_crossings():
    arrow = ((0, 0), (4, 0), (4, 4), (2, 1))
    got = inside(arrow, [1.0, 3.9, 2.0, 2.5, -1.0, 5.0], [0.2, 3.5, 2.0, 1.5, 0.0, 1.0])
    assert got.tolist() == [True, True, False, True, False, False]
    assert is_simple(arrow)
    assert not is_simple(((0, 0), (1, 1), (1, 0), (0, 1)))


def test_overlap_knows_crossing_nested_equal_and_touching():
    big, small = ((0, 0), (4, 0), (4, 4), (0, 4)), ((1, 1), (2, 1), (2, 2), (1, 2))
    assert overlap(big, small)
    assert overlap(small, big)
    assert overlap(big, big)
    assert overlap(big, ((2, -1), (3, -1), (3, 9), (2, 9)))
    assert not overlap(big, ((4, 0), (8, 0), (8, 4), (4, 4)))
    assert not overlap(big, ((5, 5), (6, 5), (6, 6)))
