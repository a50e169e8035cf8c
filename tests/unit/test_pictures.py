"""Pictures show the pixels they should, in the right place, and the same bytes each time."""

import subprocess
import sys

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image

from pingloom.bench._picture_canvas import NOT_SEEN, Layer, View, limits_of, to_db
from pingloom.bench.measure.contrast import Region
from pingloom.bench.pictures import (
    Chart,
    Curve,
    Inset,
    Marker,
    Panel,
    profile_picture,
    side_by_side,
    strip_picture,
)
from pingloom.imaging.errors import DataError, ParameterError

BLUE = tuple(int(NOT_SEEN[k : k + 2], 16) for k in (1, 3, 5))


def strip(n_along=240, n_across=120, *, along_pixel=0.25, across_pixel=0.25, seed=0):
    rng = np.random.default_rng(seed)
    image = rng.gamma(4, 0.25e-3, size=(n_along, n_across)).astype(np.float32)
    along = (np.arange(n_along) + 0.5) * along_pixel
    across = (np.arange(n_across) + 0.5) * across_pixel
    return image, along, across


def pixels(path):
    with Image.open(path) as picture:
        assert picture.format == "PNG"
        assert not {"Software", "Creation Time", "date"} & set(picture.info)
        return np.asarray(picture.convert("RGB"))


def where(rgb, colour):
    """Rows and columns of the box around all pixels of one colour."""
    hit = (rgb == np.array(colour)).all(axis=2)
    rows, columns = np.flatnonzero(hit.any(axis=1)), np.flatnonzero(hit.any(axis=0))
    return rows[0], rows[-1], columns[0], columns[-1], int(hit.sum())


def test_strip_picture_has_the_width_asked_for_and_equal_bytes_each_time(tmp_path):
    image, along, across = strip()
    names = [strip_picture(tmp_path / f"{k}.png", image, along_m=along, across_m=across) for k in "ab"]
    assert [len(n) for n in names] == [1, 1]
    assert names[0][0].read_bytes() == names[1][0].read_bytes()
    rgb = pixels(names[0][0])
    assert rgb.shape[1] == 1600
    assert 700 < rgb.shape[0] < 1000  # 60 m by 30 m on 1360 columns
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "b.png"]


def test_picture_does_not_depend_on_the_users_plot_settings_and_leaves_them(tmp_path):
    import matplotlib

    image, along, across = strip()
    plain = strip_picture(tmp_path / "a.png", image, along_m=along, across_m=across)[0].read_bytes()
    with matplotlib.rc_context({"font.size": 30, "axes.facecolor": "red", "savefig.dpi": 30}):
        again = strip_picture(tmp_path / "b.png", image, along_m=along, across_m=across)[0].read_bytes()
        assert matplotlib.rcParams["font.size"] == 30
    assert plain == again


def test_no_window_system_is_asked_for_and_importing_costs_no_plotting_library():
    code = (
        "import sys; import pingloom.bench.pictures as p; assert 'matplotlib' not in sys.modules\n"
        "import numpy as np, tempfile, pathlib\n"
        "d = tempfile.mkdtemp(); x = np.arange(9.0)\n"
        "p.strip_picture(pathlib.Path(d) / 'a.png', np.arange(81.0).reshape(9, 9), along_m=x, across_m=x)\n"
        "assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize(("page_m", "count"), [(None, 1), (60, 1), (59.9, 2), (20, 3), (16, 4)])
def test_long_strips_are_cut_into_equal_pages_of_at_most_the_length_asked_for(tmp_path, page_m, count):
    image, along, across = strip()
    paths = strip_picture(
        tmp_path / "line.png", image, along_m=along, across_m=across, page_m=page_m, width_px=800
    )
    assert len(paths) == count
    assert len({pixels(p).shape for p in paths}) == 1
    expected = ["line.png"] if count == 1 else [f"line-page-{k + 1:02d}.png" for k in range(count)]
    assert [p.name for p in paths] == expected


def test_pages_share_one_grey_scale(tmp_path):
    # First half flat at one level, second half at another: with limits a page each, both would be alike.
    image, along, across = strip()
    image[:] = 1e-4
    image[120:] = 1e-3
    paths = strip_picture(tmp_path / "x.png", image, along_m=along, across_m=across, page_m=30)
    dark, light = (pixels(p)[300, 700, 0] for p in paths)
    assert dark < 20
    assert light > 235


def test_unseen_pixels_are_flat_blue_where_they_lie_forward_right_and_starboard_down(tmp_path):
    image, along, across = strip()
    image[180:, 90:] = np.nan  # the last quarter of the track, the outer quarter to starboard
    rgb = pixels(strip_picture(tmp_path / "x.png", image, along_m=along, across_m=across)[0])
    first_row, last_row, first_column, last_column, n = where(rgb, BLUE)
    assert_allclose(last_column - first_column + 1, 1360 / 4, atol=2)
    assert_allclose(last_row - first_row + 1, 680 / 4, atol=2)
    assert n >= 0.98 * (last_column - first_column) * (last_row - first_row)
    assert first_column > 1000
    assert first_row > 500


def test_wide_strips_are_drawn_forward_up_and_starboard_right(tmp_path):
    image, along, across = strip(60, 240)
    image[45:, 180:] = np.nan
    rgb = pixels(strip_picture(tmp_path / "x.png", image, along_m=along, across_m=across)[0])
    first_row, last_row, first_column, _, _ = where(rgb, BLUE)
    assert first_column > 1000
    assert first_row < 80
    assert_allclose(last_row - first_row + 1, 340 / 4, atol=2)


def test_shown_pixels_are_means_of_intensity_whatever_the_ratio():
    image, along, across = strip(97, 53)
    layer = Layer.of(image, along, across)
    shown = layer.shown(layer.area, 31, 17)
    assert_allclose(shown.mean(), image.mean(), rtol=1e-6)  # equal cells share the image without rest
    exact = layer.shown(layer.area, 97, 53)
    assert_allclose(exact, image, rtol=1e-6)
    double = layer.shown(layer.area, 194, 106)
    assert_allclose(double[::2, ::2], image, rtol=1e-6)
    coarse = strip(96, 48)
    layer = Layer.of(*coarse)
    assert_allclose(
        layer.shown(layer.area, 24, 12), coarse[0].reshape(24, 4, 12, 4).mean(axis=(1, 3)), rtol=1e-5
    )


def test_unseen_pixels_do_not_darken_their_neighbours_and_half_seen_cells_count():
    image, along, across = strip(8, 8)
    image[:] = 2.0
    image[0] = np.nan
    image[4:7] = np.nan
    layer = Layer.of(image, along, across)
    shown = layer.shown(layer.area, 2, 2)
    assert_allclose(shown[0], 2)  # 3 of 4 rows seen
    assert np.isnan(shown[1]).all()  # 1 of 4


def test_an_area_beyond_the_image_is_not_seen():
    image, along, across = strip(40, 40)
    area = Region(along_min_m=-10, along_max_m=10, across_min_m=0, across_max_m=10)
    shown = Layer.of(image, along, across).shown(area, 8, 4)
    assert np.isnan(shown[:4]).all()
    assert np.isfinite(shown[4:]).all()


def test_limits_are_percentiles_of_levels_and_never_closer_than_a_decibel():
    db = np.linspace(-60, -10, 1001)
    assert_allclose(limits_of([db, np.array([np.nan, -np.inf])], (1, 99)), (-59.5, -10.5))
    assert_allclose(limits_of([np.full(5, -30.0)], (1, 99)), (-30.5, -29.5))
    with pytest.raises(DataError, match="positive intensity"):
        limits_of([to_db(np.array([-1.0, 0.0, np.nan]))], (1, 99))


def test_level_at_or_below_noise_is_black_not_blue(tmp_path):
    image, along, across = strip()
    image[100:140, 40:80] = -1e-3
    rgb = pixels(strip_picture(tmp_path / "x.png", image, along_m=along, across_m=across)[0])
    assert tuple(rgb[64 + 340, 100 + 680]) == (0, 0, 0)
    assert not (rgb == np.array(BLUE)).all(axis=2).any()


def test_equal_aspect_within_half_a_pixel():
    view = View(Region(along_min_m=0, along_max_m=37.3, across_min_m=-5, across_max_m=8.1), True)
    w, h = view.fit(1360, 1100)
    assert abs(h - w * 13.1 / 37.3) <= 0.5


def test_markers_are_drawn_where_the_target_lies(tmp_path):
    image, along, across = strip()
    at = Marker(along_m=45.0, across_m=7.5, label="")
    plain = pixels(strip_picture(tmp_path / "a.png", image, along_m=along, across_m=across)[0]).astype(int)
    marked = pixels(
        strip_picture(tmp_path / "b.png", image, along_m=along, across_m=across, markers=[at])[0]
    ).astype(int)
    rows, columns = np.nonzero(np.abs(plain - marked).sum(axis=2))
    assert_allclose([rows.mean(), columns.mean()], [64 + 680 / 4, 100 + 1360 * 0.75], atol=1.5)
    outside = Marker(along_m=450.0, across_m=7.5, label="far")
    far = strip_picture(tmp_path / "c.png", image, along_m=along, across_m=across, markers=[outside])[0]
    assert far.read_bytes() == (tmp_path / "a.png").read_bytes()


def panels(n):
    out = []
    for k in range(n):
        image, along, across = strip(seed=k)
        out.append(Panel(title=f"image {k}", intensity=image, along_m=along, across_m=across))
    return out


@pytest.mark.parametrize("n", [1, 2, 3])
@pytest.mark.parametrize("n_inset", [0, 2])
def test_side_by_side_opens_at_its_width_and_repeats(tmp_path, n, n_inset):
    regions = [Region.around(20 + 10 * k, 12, half_along_m=3, half_across_m=2) for k in range(n_inset)]
    insets = [Inset(region=r, label="target") for r in regions]
    paths = [side_by_side(tmp_path / f"{k}.png", panels(n), title="two ways", insets=insets) for k in "ab"]
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert pixels(paths[0]).shape[1] == 1600
    assert pixels(paths[0]).shape[0] < 2000


def test_panels_of_different_grids_show_the_same_area_at_the_same_grey(tmp_path):
    fine, along, across = strip(400, 400, along_pixel=0.1, across_pixel=0.1)
    fine[:] = np.where(along[:, None] < 20, 1e-4, 1e-3)
    coarse = fine.reshape(100, 4, 50, 8).mean(axis=(1, 3))
    both = [
        Panel(title="fine", intensity=fine, along_m=along, across_m=across),
        Panel(
            title="coarse",
            intensity=coarse,
            along_m=(np.arange(100) + 0.5) * 0.4,
            across_m=(np.arange(50) + 0.5) * 0.8,
        ),
    ]
    rgb = pixels(side_by_side(tmp_path / "x.png", both, limits_db=(-45, -25)))
    row = rgb[400]
    grey = [round(255 * share) for share in (5 / 20, 15 / 20)]
    runs = [int(np.abs(row.astype(int) - g).max(axis=1).__le__(2).sum()) for g in grey]
    assert runs[0] > 400
    assert_allclose(runs[0], runs[1], atol=8)


def chart(**more):
    x = np.linspace(-1, 1, 50)
    curves = [
        Curve(label="predicted", x=x, y=x**2, spread=0.1 + 0 * x),
        Curve(label="measured", x=x[::5], y=x[::5] ** 2, spread=0.1 + 0 * x[::5], points=True),
    ]
    return Chart(curves=curves, x_label="offset [m]", y_label="level [dB]", **more)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_profile_picture_opens_at_its_size_and_repeats(tmp_path, n):
    charts = [chart(title="cut", levels={"half power": 0.5}, x_limits=(-1, 1), y_limits=(0, 1))] * n
    paths = [profile_picture(tmp_path / f"{k}.png", charts, title="cuts") for k in "ab"]
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert pixels(paths[0]).shape == (760, 1600, 3)


def test_a_power_law_is_straight_on_logarithmic_axes(tmp_path):
    x = np.array([0.25, 1.0, 4.0])
    law = {
        slope: profile_picture(
            tmp_path / f"{slope}.png",
            [
                Chart(
                    curves=[Curve(label="law", x=x, y=x**slope)],
                    x_label="size",
                    y_label="time [ms]",
                    x_limits=(0.25, 4),
                    y_limits=(0.25, 4),
                    logarithmic=True,
                )
            ],
        )
        for slope in (1, 0)
    }
    # In proportion it is one straight line; the key in the corner is as blue.
    blue = (pixels(law[1]).astype(int) - (0x00, 0x72, 0xB2)).__abs__().max(axis=2) < 40
    row, column = np.nonzero(blue[96:560, 500:1500])
    line = np.polyfit(column, row, 1)
    assert np.abs(row - np.polyval(line, column)).max() < 6
    assert line[0] < -0.2
    assert law[0].read_bytes() != law[1].read_bytes()


def test_a_failed_write_leaves_nothing_behind(tmp_path):
    image, along, across = strip()
    with pytest.raises(OSError, match="none"):
        strip_picture(tmp_path / "none" / "x.png", image, along_m=along, across_m=across)
    assert list(tmp_path.iterdir()) == []


def test_wrong_input_is_refused_in_words(tmp_path):
    image, along, across = strip()
    grid = {"along_m": along, "across_m": across}
    with pytest.raises(ParameterError, match=r"ends in \.png"):
        strip_picture(tmp_path / "x.jpg", image, **grid)
    with pytest.raises(ParameterError, match="page_m is 0"):
        strip_picture(tmp_path / "x.png", image, **grid, page_m=0)
    with pytest.raises(ParameterError, match="at most 999"):
        strip_picture(tmp_path / "x.png", image, **grid, page_m=0.01)
    with pytest.raises(ParameterError, match="width_px is 100"):
        strip_picture(tmp_path / "x.png", image, **grid, width_px=100)
    with pytest.raises(ParameterError, match="limits_db"):
        strip_picture(tmp_path / "x.png", image, **grid, limits_db=(0, -10))
    with pytest.raises(ParameterError, match="percentiles"):
        strip_picture(tmp_path / "x.png", image, **grid, percentiles=(90, 10))
    with pytest.raises(ParameterError, match=r"along_m has shape \(120,\)"):
        strip_picture(tmp_path / "x.png", image, along_m=across, across_m=across)
    with pytest.raises(ParameterError, match="evenly spaced"):
        strip_picture(tmp_path / "x.png", image, along_m=along**2, across_m=across)
    with pytest.raises(ParameterError, match="intensity is complex"):
        strip_picture(tmp_path / "x.png", image + 0j, **grid)
    with pytest.raises(DataError, match="no seen pixel"):
        strip_picture(tmp_path / "x.png", image * np.nan, **grid)
    with pytest.raises(ParameterError, match="1 to 6 panels"):
        side_by_side(tmp_path / "x.png", [])
    with pytest.raises(ParameterError, match="1 to 3"):
        profile_picture(tmp_path / "x.png", [])
    with pytest.raises(ParameterError, match="0 curves"):
        profile_picture(tmp_path / "x.png", [Chart(curves=[], x_label="", y_label="")])
    odd = Chart(curves=[Curve(label="odd", x=np.arange(3), y=np.arange(4))], x_label="", y_label="")
    with pytest.raises(ParameterError, match=r"curve 'odd' has x \(3,\)"):
        profile_picture(tmp_path / "x.png", [odd])
