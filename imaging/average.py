"""Averaging looks: weights, what they are worth, and the accumulators that wait for a tile to be finished.

Three weightings are known. *Equalised* divides each look by its expected gain and counts all alike, down to a
floor of gain below which a look counts the less the weaker it is: most looks. *Plain* averages as received,
which weights each look by its gain. *SNR* weights by the gain's square: best for finding weak things in noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ._finish_kernels import BLOCK_ROWS, finish_rows
from ._lanes import LANES
from ._sums import COUNT, N_SUM, NOISE_SUM, SQUARE, TOTAL, WEIGHT, WEIGHT_SQUARE
from .aligned import aligned_zeros
from .errors import ParameterError
from .lay import Grid
from .records import Tile

__all__ = [
    "SUM_LAYERS",
    "Accumulator",
    "AverageSettings",
    "field_correlation",
]

SUM_LAYERS = {
    "sum_intensity": TOTAL,
    "sum_weight": WEIGHT,
    "sum_weight_pairs": WEIGHT_SQUARE,
    "sum_noise": NOISE_SUM,
    "sum_square": SQUARE,
}
"""Sums by name that parts of a line carry, to be added, in the order of their places; the count is their coverage."""

_NOT_PRIMED = np.empty((0, 0, 0), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class AverageSettings:
    """How looks are averaged."""

    weighting: Literal["equalised", "plain", "snr"] = "equalised"
    """equalised: most looks; plain: as received; snr: best detection in noise."""
    equalising_floor_db: float = -10.0
    """Looks whose expected gain lies further below the best count in proportion to their gain. [dB]"""

    def __post_init__(self) -> None:
        if self.weighting not in ("equalised", "plain", "snr"):
            raise ParameterError(f"average.weighting is {self.weighting!r}; allowed: equalised, plain, snr.")
        if not -40 <= self.equalising_floor_db <= 0:
            raise ParameterError(
                f"average.equalising_floor_db is {self.equalising_floor_db:g}; allowed: -40 to 0."
            )

    @property
    def power(self) -> int:
        """Of its relative two-way gain that an equalised look is weighted with."""
        return {"equalised": 0, "plain": 1, "snr": 2}[self.weighting]

    @property
    def floor(self) -> float:
        """Gain below which an equalised look counts in proportion to its gain."""
        return 10 ** (self.equalising_floor_db / 10)


def field_correlation(
    along_m: NDArray[np.float64], shading: NDArray[np.float64], shift_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Correlation coefficient of the speckle fields of looks taken ``shift_m`` apart along the array.

    Transmitter and receivers move together, so the two-way aperture moves twice the way: the overlap is the
    autocorrelation of the shading at twice the shift; for a uniform line of length L it is 1 - 2 d / L.
    Each receiver stands for the share of the line around it.
    """
    edge = np.concatenate([[along_m[0]], (along_m[1:] + along_m[:-1]) / 2, [along_m[-1]]])
    edge[0] -= edge[1] - along_m[0]
    edge[-1] += along_m[-1] - edge[-2]
    fine = np.linspace(edge[0], edge[-1], 2001)
    density = shading / np.diff(edge)
    weight = density[np.clip(np.searchsorted(edge, fine, side="right") - 1, 0, density.size - 1)]
    power = np.sum(weight**2)
    step = fine[1] - fine[0]
    out = np.empty(np.shape(shift_m))
    for i, d in enumerate(np.abs(2 * np.ravel(shift_m)) / step):
        k = round(float(d))
        out.flat[i] = np.sum(weight[k:] * weight[: weight.size - k]) / power if k < weight.size else 0.0
    return out


@dataclass(slots=True, eq=False)
class Accumulator:
    """Sums of one side over the rows not finished yet: plain arrays, sixteen columns (a panel) side by side.

    Rows from ``first_row`` (global index) up to ``first_row + ring`` are held in slots ``row % ring``.
    """

    first_row: int
    sums: NDArray[np.float32]
    """(panel, ring row, sum, 16): see ``_sums.py``."""
    filled: NDArray[np.bool_]
    """(panel, ring row, 16)"""
    usual: NDArray[np.float32]
    """(column,) most looks seen at this distance so far."""
    touched: NDArray[np.int64]
    """(2,) lowest and past-highest row that any look may have reached."""
    primed: NDArray[np.float32] | None = None
    """(panel, ring row, 16) looks counted here that another part of the line images; None: none."""
    closed_row: int = -(2**62)
    """Rows below were safe to finish, though their tile may not be full: no later look reaches them, however rows are
    cut into tiles."""

    @classmethod
    def allocate(cls, grid: Grid, ring_rows: int, first_row: int) -> Accumulator:
        """Empty sums for a ring of ``ring_rows`` rows."""
        n_panel = -(-grid.n_column // LANES)
        return cls(
            first_row=first_row,
            sums=aligned_zeros(n_panel, ring_rows, N_SUM, LANES),
            filled=np.zeros((n_panel, ring_rows, LANES), np.bool_),
            usual=np.zeros(grid.n_column, np.float32),
            touched=np.array([np.iinfo(np.int64).max, np.iinfo(np.int64).min]),
        )

    @property
    def ring_rows(self) -> int:
        """Rows that the ring holds."""
        return self.sums.shape[1]

    @property
    def open_row(self) -> int:
        """First row that looks are laid on."""
        return max(self.first_row, self.closed_row)

    @property
    def past_row(self) -> int:
        """First row beyond the ring."""
        return self.first_row + self.ring_rows

    def restart(self, first_row: int) -> None:
        """Go on at another row, after all open rows have been finished."""
        self.first_row = first_row
        self.touched[:] = np.iinfo(np.int64).max, np.iinfo(np.int64).min

    def widened(self, past_row: int) -> Accumulator:
        """The same sums in a ring that also holds the rows up to ``past_row``."""
        new = past_row - self.first_row
        rows = self.first_row + np.arange(self.ring_rows)
        grown = {"sums": aligned_zeros(self.sums.shape[0], new, *self.sums.shape[2:])}
        for name in ("sums", "filled") if self.primed is None else ("sums", "filled", "primed"):
            array = getattr(self, name)
            wide = grown.setdefault(name, np.zeros((array.shape[0], new, *array.shape[2:]), array.dtype))
            wide[:, rows % new] = array[:, rows % self.ring_rows]
        return replace(self, **grown)

    def forget_count(self) -> None:
        """Leave the looks counted so far out of the coverage: others image them."""
        self.primed = self.sums[:, :, COUNT].copy()

    @classmethod
    def of_rows(cls, sums: NDArray[np.float32], usual: NDArray[np.float32], first_row: int) -> Accumulator:
        """Sums of rows, (sum, row, column) from the track outward; ``usual`` (column,) goes on being raised."""
        n_sum, n_row, n_column = sums.shape
        n_panel = -(-n_column // LANES)
        wide = np.zeros((n_sum, n_row, n_panel * LANES), np.float32)
        wide[:, :, :n_column] = sums
        # Row r of the ring holds the rows that are r modulo the ring.
        panels = np.roll(
            wide.reshape(n_sum, n_row, n_panel, LANES).transpose(2, 1, 0, 3), first_row % n_row, axis=1
        )
        return cls(
            first_row=first_row,
            sums=np.ascontiguousarray(panels),
            filled=np.zeros((n_panel, n_row, LANES), np.bool_),
            usual=usual,
            touched=np.array([first_row, first_row + n_row]),
        )

    def read(self, first_row: int, n_row: int) -> NDArray[np.float32]:
        """Sums of open rows, shape (sum, row, column); a copy."""
        slot = first_row % self.ring_rows
        slots = (first_row + np.arange(n_row)) % self.ring_rows
        # Rows that lie in one piece are copied once, by the transposition alone.
        whole = slot + n_row <= self.ring_rows
        sums = self.sums[:, slice(slot, slot + n_row) if whole else slots].transpose(2, 1, 0, 3).copy("C")
        return sums.reshape(N_SUM, n_row, -1)[:, :, : self.usual.size]

    def finish(self, n_row: int, side: str, *, noise_known: bool, keep_sums: bool = False) -> Tile:
        """Take the lowest ``n_row`` rows out as a tile and free their slots.

        Columns count from the track outward, so to port they are mirrored. What a row is called does not depend on how rows
        are cut into tiles. With ``keep_sums`` the tile comes with the sums that it was made of.
        """
        shape = n_row, self.usual.size
        tile = Tile(
            side=side,
            first_along=self.first_row,
            first_across=-self.usual.size if side == "port" else 0,
            intensity=np.empty(shape, np.float32),
            looks=np.empty(shape, np.float32),
            coverage=np.empty(shape, np.uint16),
            noise_equivalent=np.empty(shape, np.float32),
            quality=np.empty(shape, np.uint8),
            extra={"spread": np.empty(shape, np.float32)},
        )
        kept = np.empty((len(SUM_LAYERS), *shape) if keep_sums else (0, 0, 0), np.float32)
        n_panel = self.sums.shape[0]
        flags = np.empty((BLOCK_ROWS, n_panel * LANES), np.uint8)
        finish_rows(
            self.sums.reshape(-1),
            self.filled.view(np.uint64),
            _NOT_PRIMED if self.primed is None else self.primed,
            self.first_row,
            self.usual,
            side == "port",
            noise_known,
            np.empty(BLOCK_ROWS * N_SUM * n_panel * LANES, np.float32),
            flags.view(np.uint64),
            flags,
            np.empty((N_SUM + 1, self.usual.size), np.float32),
            tile.intensity,
            tile.looks,
            tile.coverage,
            tile.noise_equivalent,
            tile.quality,
            tile.extra["spread"],
            kept,
        )
        tile.sums.update(zip(SUM_LAYERS, kept, strict=False))
        self.first_row += n_row
        return tile
