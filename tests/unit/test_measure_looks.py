"""What noise leaves of the looks, against drawn looks that overlap and whose noise does not."""

from __future__ import annotations

import numpy as np
import pytest

from pingloom.bench.measure.contrast import Region
from pingloom.bench.measuring import measure_patch


class Drawn:
    """The layers of a product, made of drawn looks."""

    def __init__(self, noise_over_signal: float, *, n_look: int = 16, overlap: float = 0.45) -> None:
        rng, shape = np.random.default_rng(11), (120, 120)

        def field(*size: int) -> np.ndarray:
            return (rng.standard_normal(size) + 1j * rng.standard_normal(size)) / np.sqrt(2)

        # Neighbouring looks share `overlap` of their field, a moving average of two draws: a b = overlap, a^2 + b^2 = 1.
        a, b = (np.sqrt(1 + 2 * overlap) + np.sqrt(1 - 2 * overlap) * np.array([1, -1])) / 2
        draws = field(n_look + 1, *shape)
        looks = a * draws[:-1] + b * draws[1:] + np.sqrt(noise_over_signal) * field(n_look, *shape)
        intensity = np.mean(np.abs(looks) ** 2, axis=0) - noise_over_signal
        shared = (n_look + 2 * (n_look - 1) * overlap**2) / n_look**2
        self.layers = {
            "intensity": intensity,
            "looks": np.full(shape, 1 / shared),
            "coverage": np.full(shape, n_look),
            "noise_equivalent_backscatter": np.full(shape, 10 * np.log10(max(noise_over_signal, 1e-12))),
        }
        self.along_track_m = self.across_track_m = np.arange(120) + 0.5

    def read(self, layer: str, rows: slice, columns: slice) -> np.ndarray:
        return self.layers[layer][rows, columns]


@pytest.mark.parametrize("noise_over_signal", [0.0, 0.1, 0.3, 1.0, 3.0])
def test_looks_are_predicted_as_noise_leaves_them(noise_over_signal: float) -> None:
    region = Region(along_min_m=0.0, along_max_m=120.0, across_min_m=0.0, across_max_m=120.0)
    found = measure_patch(Drawn(noise_over_signal), region, cell_pixels=1.0)
    # 14 400 cells: the variance of nearly normal values is known to sqrt(2 / 14400), 1.2 %.
    assert found.ratio == pytest.approx(1, abs=0.05)
