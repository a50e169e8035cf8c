"""The strip grid, reading between beams, weights of looks, and the sums that wait for their tile."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pingloom.imaging._lanes import load, spread, store
from pingloom.imaging._lay_kernels import weigh
from pingloom.imaging._look_kernels import share_speckle, tabulate_gain
from pingloom.imaging._sums import COUNT, NOISE_SUM, SQUARE, TOTAL, WEIGHT, WEIGHT_SQUARE
from pingloom.imaging.average import (
    Accumulator,
    AverageSettings,
    field_correlation,
)
from pingloom.imaging.beamform import Beamformer, BeamformSettings
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.errors import ParameterError
from pingloom.imaging.lay import Grid, GridSettings, choose_grid
from pingloom.imaging.records import Quality, Tile
from tests.unit.make import make_sonar

C = 1500.0


def grid_of(
    *, window: str = "none", shading: str = "uniform", altitude_m: float = 6.0, **settings: Any
) -> Grid:
    sonar = make_sonar(n_sample=1700)
    compressor = Compressor.prepare(sonar, CompressSettings(window=window))
    beams = Beamformer.prepare(
        sonar, compressor, BeamformSettings(shading=shading), sound_speed_m_s=C, nearest_range_m=6.0
    )
    return choose_grid(
        GridSettings(**settings), [(compressor, beams)], sound_speed_m_s=C, altitude_m=altitude_m
    )


class TestGrid:
    def test_the_finest_cell_holds_two_and_a_half_pixels_and_little_more(self) -> None:
        grid = grid_of(steepest_grazing_deg=70.0)
        cell_along = 0.886 * C / 450e3 / 0.6 * 6.0 / np.sin(np.deg2rad(70))
        cell_slant = 0.886 * C / 2 / 30e3
        # 0.38 of a cell, rounded down to two digits: 10 % finer at most. Never more than half of a cell, which would
        # lose some of the intensity's bandwidth.
        assert 0.34 * cell_along < grid.along_m <= 0.385 * cell_along
        assert 0.34 * cell_slant < grid.across_m <= 0.39 * cell_slant
        for step in (grid.along_m, grid.across_m):
            assert float(f"{step:.2g}") == pytest.approx(step, rel=1e-12)

    def test_wider_responses_allow_coarser_pixels(self) -> None:
        fine, coarse = grid_of(), grid_of(window="hamming", shading="taylor")
        assert coarse.along_m > fine.along_m
        assert coarse.across_m == pytest.approx(1.303 / 0.886 * fine.across_m, rel=0.12)

    def test_settings_take_precedence(self) -> None:
        grid = grid_of(along_m=0.123, across_m=0.0456, range_m=10.0)
        assert (grid.along_m, grid.across_m) == (0.123, 0.0456)
        assert grid.n_column == int(10.0 / 0.0456)

    def test_columns_reach_as_far_as_whole_echoes_were_recorded(self) -> None:
        grid = grid_of(across_m=0.05)
        slant = C / 2 * (1700 - 81) / 40e3
        assert grid.n_column == int(np.sqrt(slant**2 - 6.0**2) / 0.05)
        assert grid_of(across_m=0.05, range_m=1e4).n_column == grid.n_column

    def test_a_seabed_beyond_the_recorded_echoes_is_refused(self) -> None:
        with pytest.raises(ParameterError, match=r"recorded echoes end at 30\.4 m .* 35 m of altitude"):
            grid_of(altitude_m=35.0)

    @pytest.mark.parametrize(
        ("wrong", "message"),
        [
            (dict(along_m=0.0), r"grid\.along_m is 0; allowed: above 0"),
            (dict(across_m=-1.0), r"grid\.across_m is -1; allowed: above 0"),
            (dict(range_m=1e6), r"grid\.range_m is 1e\+06; allowed: above 0"),
            (dict(steepest_grazing_deg=90.0), r"grid\.steepest_grazing_deg is 90; allowed: 5 to 89"),
            (dict(heading_bound_deg=31.0), r"grid\.heading_bound_deg is 31; allowed: 0 to 30"),
            (dict(course_pings=0), r"grid\.course_pings is 0; allowed: 1 or more"),
            (dict(tile_rows=0), r"grid\.tile_rows is 0; allowed: 1 to"),
        ],
    )
    def test_settings_out_of_range_are_refused_by_name(self, wrong: dict, message: str) -> None:
        with pytest.raises(ParameterError, match=message):
            GridSettings(**wrong)


@numba.njit
def weigh_sixteen(at, table, power, floor, out):
    weight, per_gain = weigh(load(at, 0), table, power, spread(np.float32(floor)))
    store(out, 0, weight)
    store(out, 16, per_gain)


class TestWeights:
    gain = np.array([1.0, 0.5, 0.1, 0.05, 0.001])

    def weights(self, gain: np.ndarray | None = None, **settings: Any) -> np.ndarray:
        """At sixteen places, a quarter of the way from gain to gain apart."""
        average = AverageSettings(**settings)
        gain = self.gain if gain is None else gain
        table, found = np.zeros(32, np.float32), np.zeros((2, 16), np.float32)
        tabulate_gain(gain, table)
        at = np.arange(16, dtype=np.float32)
        weigh_sixteen(at, table, average.power, average.floor, found.reshape(-1))
        here = np.interp(at / 16, np.linspace(0, 1, gain.size), gain)
        assert_allclose(found[1], found[0] / here, rtol=1e-5)
        return found[0]

    def test_equalised_looks_count_alike_down_to_the_floor(self) -> None:
        assert_allclose(self.weights(equalising_floor_db=-10.0)[::4], [1, 1, 1, 0.5], rtol=1e-6)
        assert self.weights(equalising_floor_db=-10.0)[15] == pytest.approx(
            (0.05 + 3 * 0.001) / 4 / 0.1, rel=1e-5
        )

    def test_plain_and_snr_weigh_by_gain_and_its_square(self) -> None:
        # Intensities are divided by the gain before they are weighed: as received is gain once, best SNR twice.
        assert_allclose(self.weights(weighting="plain")[::4], self.gain[:-1])
        assert_allclose(self.weights(weighting="snr")[::4], self.gain[:-1] ** 2, rtol=1e-6)

    def test_gains_are_linear_between_their_nodes(self) -> None:
        found = self.weights(np.array([0.2, 1.0, 0.6]), weighting="plain")
        assert_allclose(found, [*(0.2 + 0.1 * np.arange(8)), *(1 - 0.05 * np.arange(8))], rtol=1e-6)
        table = np.zeros(32, np.float32)
        tabulate_gain(np.array([0.2, 1.0, 0.6]), table)
        assert table[15] + table[31] == pytest.approx(0.6)

    @pytest.mark.parametrize(
        ("wrong", "message"),
        [
            (dict(weighting="best"), r"average\.weighting is 'best'; allowed: equalised, plain, snr"),
            (dict(equalising_floor_db=1.0), r"average\.equalising_floor_db is 1; allowed: -40 to 0"),
        ],
    )
    def test_settings_out_of_range_are_refused_by_name(self, wrong: dict, message: str) -> None:
        with pytest.raises(ParameterError, match=message):
            AverageSettings(**wrong)


class TestCorrelation:
    along = (np.arange(32) - 15.5) * 0.01875

    def test_a_uniform_line_correlates_as_a_triangle(self) -> None:
        shift = np.array([0.0, 0.05, 0.1636, 0.25, 0.3, 0.4])
        got = field_correlation(self.along, np.full(32, 1 / 32), shift)
        assert_allclose(got, np.maximum(0, 1 - 2 * shift / 0.6), atol=2e-3)  # 2001 steps over the line
        assert_allclose(got, field_correlation(self.along, np.full(32, 1 / 32), -shift))

    def test_a_tapered_line_correlates_as_its_shading_does_with_itself(self) -> None:
        taper = np.hanning(34)[1:-1]
        shift = np.arange(0, 16) * 0.01875 / 2  # whole receivers, as twice the shift counts
        own = np.correlate(taper, taper, "full")[31:]
        got = field_correlation(self.along, taper / taper.sum(), shift)
        assert_allclose(got, (own / own[0])[:16], atol=5e-3)

    def shares(self, places_m: list[float], overlap: np.ndarray, step_m: float) -> list[np.ndarray]:
        """What looks taken one after the other along the array share with those before them."""
        history, shares = np.full((16, 3), np.nan), []
        axis = np.array([0.6, 0.0, 0.8])
        for place in places_m:
            shared = np.zeros(16, np.float32)
            # Transmitter and receivers stand apart: half way between them counts.
            apart = np.array([0.1, 0.2, -0.3])
            n = share_speckle(
                place * axis + apart, place * axis - apart, axis, step_m, overlap, history, shared
            )
            shares.append(shared[:n])
        return shares

    def test_a_look_shares_with_those_before_it_newest_first(self) -> None:
        overlap = np.array([1.0, 0.8, 0.45, 0.1, 0.0, 0.0])
        first, second, third, fourth = self.shares([0.0, 0.1, 0.25, 2.0], overlap, 0.1)
        assert first.size == 0
        assert_allclose(second, [2 * 0.64], rtol=1e-6)
        assert_allclose(third, [2 * 0.625**2, 2 * 0.275**2], rtol=1e-6)
        assert fourth.size == 0

    @pytest.mark.parametrize("spacing_m", [0.055, 0.164, 0.327])
    def test_the_effective_number_of_looks_is_that_of_the_double_sum(self, spacing_m: float) -> None:
        n = 14
        d = np.abs(np.subtract.outer(np.arange(n), np.arange(n))) * spacing_m
        brute = n**2 / np.sum(np.maximum(0, 1 - 2 * d / 0.6) ** 2)
        distance = np.linspace(0, 0.31, 129)
        overlap = field_correlation(self.along, np.full(32, 1 / 32), distance)
        shares = self.shares(list(spacing_m * np.arange(n)), overlap, distance[1])
        total = sum(1 + share.sum() for share in shares)
        assert n**2 / total == pytest.approx(brute, rel=3e-3)


class TestAccumulator:
    grid = Grid(0.1, 0.05, 3)

    def filled(self, first: int = -2, ring: int = 6) -> Accumulator:
        """Rows hold ten times their row number plus the column, two looks each."""
        acc = Accumulator.allocate(self.grid, ring, first)
        for row in range(first, first + ring):
            slot = acc.sums[0, row % ring, :, :3]
            slot[TOTAL] = 2 * (10 * row + np.arange(3) + 100)
            slot[WEIGHT] = 2
            slot[WEIGHT_SQUARE] = 2
            slot[NOISE_SUM] = 2 * 5.0
            slot[COUNT] = 2
        acc.touched[:] = first, first + ring
        return acc

    def value(self, row: int, columns: Any = slice(None)) -> np.ndarray:
        return (10.0 * row + np.arange(3) + 100)[columns]

    def test_rows_come_out_in_order_however_the_ring_lies(self) -> None:
        acc = self.filled()
        assert acc.past_row == 4
        first = acc.finish(2, "starboard", noise_known=False)
        second = acc.finish(3, "starboard", noise_known=False)
        assert (first.first_along, second.first_along, acc.first_row) == (-2, 0, 3)
        assert_allclose(first.intensity, [self.value(-2), self.value(-1)])
        assert_allclose(second.intensity, [self.value(0), self.value(1), self.value(2)])

    def test_a_finished_rows_slot_is_free_for_the_row_a_ring_later(self) -> None:
        acc = self.filled()
        acc.finish(2, "starboard", noise_known=False)
        assert acc.past_row == 6
        tile = acc.finish(6, "starboard", noise_known=False)
        assert_array_equal(np.isnan(tile.intensity).all(axis=1), [False] * 4 + [True] * 2)
        assert_array_equal(tile.coverage[4:], 0)
        assert_array_equal(tile.quality[4:] & Quality.NOT_SEEN, Quality.NOT_SEEN)

    def test_a_wider_ring_holds_the_same_rows(self) -> None:
        acc = self.filled(first=5)
        wide = acc.widened(20)
        assert (wide.first_row, wide.past_row) == (5, 20)
        tile = wide.finish(15, "starboard", noise_known=False)
        assert_allclose(tile.intensity[:6], [self.value(row) for row in range(5, 11)])
        assert not tile.coverage[6:].any()

    def test_port_is_mirrored_so_that_across_ascends(self) -> None:
        tile = self.filled().finish(1, "port", noise_known=False)
        assert tile.first_across == -3
        assert_allclose(tile.intensity[0], self.value(-2)[::-1])
        assert self.filled().finish(1, "starboard", noise_known=False).first_across == 0

    def test_noise_is_subtracted_where_it_is_known(self) -> None:
        plain = self.filled().finish(1, "starboard", noise_known=False)
        less = self.filled().finish(1, "starboard", noise_known=True)
        assert_allclose(less.intensity, plain.intensity - 5)
        assert_allclose(less.noise_equivalent, 5)
        assert np.isnan(plain.noise_equivalent).all()
        assert (plain.quality == Quality.NOISE_UNKNOWN).all()
        assert not less.quality.any()

    def test_quality_tells_few_looks_filled_gaps_and_what_lies_below_the_noise(self) -> None:
        acc = self.filled()
        acc.sums[0, -2 % 6, WEIGHT_SQUARE, 0] = 5  # looks 4/5 where others have 2
        acc.filled[0, -2 % 6, 1] = True
        acc.sums[0, -2 % 6, TOTAL, 2] = (
            2 * 5.5
        )  # half of the noise above it: below one standard deviation of two looks
        tile = acc.finish(1, "starboard", noise_known=True)
        assert tile.quality[0].tolist() == [0, Quality.GAP_FILLED, Quality.BELOW_NOISE]
        acc.finish(1, "starboard", noise_known=True)
        acc.sums[0, 0, WEIGHT_SQUARE, 0] = 5
        tile = acc.finish(1, "starboard", noise_known=True)
        assert tile.quality[0, 0] == Quality.FEW_LOOKS

    def test_looks_are_the_weights_sum_squared_over_the_sum_of_squares(self) -> None:
        acc = self.filled()
        acc.sums[:, 4, WEIGHT] = 3.0
        acc.sums[:, 4, WEIGHT_SQUARE] = 4.5
        tile = acc.finish(1, "starboard", noise_known=False)
        assert_allclose(tile.looks[0], 2.0)

    def test_spread_is_the_unbiased_deviation_of_correlated_weighted_looks_over_their_mean(self) -> None:
        rng = np.random.default_rng(8)
        n, draws = 6, 60_000
        rho = 0.8 ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        field = np.linalg.cholesky(rho) @ (rng.normal(size=(n, draws)) + 1j * rng.normal(size=(n, draws)))
        # A steady echo on top, so that the mean is known well and its error, which goes with the deviation's, does not
        # bias their ratio: by twice the third moment over N sigma^2 mu, one per cent here.
        looks = 300 + np.abs(field) ** 2
        weight = np.array([0.2, 0.7, 1, 1, 0.8, 0.3])[:, None]
        acc = Accumulator.allocate(Grid(0.1, 0.05, draws), 1, 0)
        for name, value in {
            TOTAL: (weight * looks).sum(axis=0),
            SQUARE: (weight * looks**2).sum(axis=0),
            WEIGHT: weight.sum(),
            WEIGHT_SQUARE: weight[:, 0] @ rho**2 @ weight[:, 0],
            COUNT: n,
        }.items():
            acc.sums[:, 0, name] = np.reshape(np.broadcast_to(value, draws), (-1, 16))
        tile = acc.finish(1, "starboard", noise_known=False)
        spread = tile.extra["spread"][0]
        # A field of power 2 has a standard deviation of 2, on a mean of 302.
        assert np.mean(spread**2) == pytest.approx((2 / 302) ** 2, rel=0.025)
        assert tile.looks[0, 0] < 3.5

    def test_spread_is_nothing_in_steady_looks_and_untold_of_one(self) -> None:
        acc = self.filled()
        acc.sums[:, :, SQUARE] = acc.sums[:, :, TOTAL] ** 2 / 2
        tile = acc.finish(6, "port", noise_known=False)
        assert_allclose(tile.extra["spread"], 0, atol=2e-3)  # single precision squared
        acc = self.filled()
        acc.sums[:, :, SQUARE] = acc.sums[:, :, TOTAL] ** 2
        acc.sums[:, :, COUNT] = 1
        assert np.isnan(acc.finish(6, "port", noise_known=False).extra["spread"]).all()

    def test_flags_do_not_depend_on_how_rows_are_cut_into_tiles(self) -> None:
        def flags(*rows: int) -> np.ndarray:
            acc = self.filled()
            acc.sums[:, :, WEIGHT_SQUARE] = np.array([2, 4, 9, 1, 3, 8])[None, :, None]
            return np.concatenate([acc.finish(n, "port", noise_known=False).quality for n in rows])

        assert_array_equal(flags(6), flags(1, 1, 3, 1))
        assert (flags(6) & Quality.FEW_LOOKS).any()

    @pytest.mark.parametrize("n_column", [37, 64])
    @pytest.mark.parametrize("side", ["port", "starboard"])
    @pytest.mark.parametrize("known", [True, False])
    def test_layers_are_their_formulas_row_by_row(self, side: str, known: bool, n_column: int) -> None:
        rng = np.random.default_rng(n_column)
        first, n_row, ring = -5, 19, 23
        count = rng.integers(0, 6, (n_row, n_column)).astype(np.float32)
        weight = (count * rng.uniform(0.2, 1, count.shape)).astype(np.float32)
        sums = np.zeros((6, n_row, n_column), np.float32)
        level = rng.exponential(1, count.shape)
        sums[[COUNT, WEIGHT, TOTAL]] = count, weight, weight * level
        sums[WEIGHT_SQUARE] = weight * rng.uniform(0.3, 2, count.shape)
        sums[NOISE_SUM] = weight * rng.exponential(1, count.shape)
        sums[SQUARE] = weight * level**2 * rng.uniform(0.9, 3, count.shape)
        filled, primed = rng.random(count.shape) < 0.1, np.minimum(count, rng.integers(0, 3, count.shape))
        acc = Accumulator.allocate(Grid(0.1, 0.05, n_column), ring, first)
        acc.primed = np.zeros((*acc.filled.shape[:2], 16), np.float32)
        for row in range(n_row):
            for column in range(n_column):
                panel, slot, lane = column // 16, (first + row) % ring, column % 16
                acc.sums[panel, slot, :, lane] = sums[:, row, column]
                acc.filled[panel, slot, lane] = filled[row, column]
                acc.primed[panel, slot, lane] = primed[row, column]
        acc.usual[:] = usual = rng.uniform(0, 3, n_column).astype(np.float32)
        tiles = [acc.finish(n, side, noise_known=known, keep_sums=True) for n in (8, 11)]
        assert not acc.sums.any()
        assert not acc.filled.any()
        assert not acc.primed.any()

        def told(name: str) -> np.ndarray:
            layer = np.concatenate([t.extra.get(name, t.sums.get(name, getattr(t, name, 0))) for t in tiles])
            return layer[:, ::-1] if side == "port" else layer

        seen = weight > 0
        with np.errstate(all="ignore"):
            mean, floor, square = (sums[k] / weight for k in (TOTAL, NOISE_SUM, SQUARE))
            looks = np.where(seen, weight**2 / sums[WEIGHT_SQUARE], 0)
            spread = np.sqrt(np.maximum((square / mean.astype(float) ** 2 - 1) * looks / (looks - 1), 0))
        most = np.maximum.accumulate(np.concatenate([usual[None], looks]))
        left = count - primed
        clean = mean - floor if known else mean
        assert_allclose(told("looks"), looks, rtol=1e-6)
        assert_array_equal(told("coverage"), left)
        assert_allclose(told("intensity"), clean, rtol=1e-6, atol=1e-6)
        assert_allclose(told("noise_equivalent"), floor if known else np.nan * floor, rtol=1e-6)
        assert_allclose(
            told("spread"), np.where((left >= 2) & (looks > np.float32(1.1)), spread, np.nan), rtol=1e-5
        )
        flags = Quality.FEW_LOOKS * (looks < 0.5 * most[1:]) + Quality.GAP_FILLED * filled
        if known:
            flags = flags + Quality.BELOW_NOISE * (clean < floor / np.sqrt(np.maximum(looks, 1)))
        else:
            flags = flags + Quality.NOISE_UNKNOWN
        assert_array_equal(told("quality"), np.where(seen, flags, Quality.NOT_SEEN))
        assert_array_equal(told("sum_square"), sums[SQUARE])
        assert_array_equal(told("sum_noise"), sums[NOISE_SUM])
        assert_array_equal(acc.usual, most[-1])

    def test_rows_of_added_parts_are_finished_alike(self) -> None:
        acc = self.filled()
        sums = acc.sums[0, np.arange(-2, 4) % 6, :, :3].transpose(1, 0, 2)
        added = Accumulator.of_rows(sums, np.zeros(3, np.float32), -2).finish(
            6, "starboard", noise_known=True
        )
        tile = acc.finish(6, "starboard", noise_known=True)
        for name in ("intensity", "looks", "coverage", "noise_equivalent", "quality"):
            assert_array_equal(getattr(added, name), getattr(tile, name))

    def test_layers_have_the_types_of_a_product(self) -> None:
        tile: Tile = self.filled().finish(2, "port", noise_known=True)
        for name, dtype in dict(
            intensity=np.float32,
            looks=np.float32,
            coverage=np.uint16,
            noise_equivalent=np.float32,
            quality=np.uint8,
        ).items():
            layer = getattr(tile, name)
            assert layer.dtype == dtype
            assert layer.flags.c_contiguous
