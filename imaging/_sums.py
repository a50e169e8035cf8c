"""Where a pixel's sums lie in an array (panel, row slot, sum, 16): sixteen columns, a panel, side by side."""

from __future__ import annotations

__all__ = ["COUNT", "NOISE_SUM", "N_SUM", "SQUARE", "TOTAL", "WEIGHT", "WEIGHT_SQUARE"]

TOTAL, WEIGHT, WEIGHT_SQUARE, NOISE_SUM, COUNT, SQUARE = 0, 1, 2, 3, 4, 5
N_SUM = 6
