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

from ._lanes import LANES
from ._sums import COUNT, N_SUM, NOISE_SUM, SQUARE, TOTAL, WEIGHT, WEIGHT_SQUARE
from .aligned import aligned_zeros
from .errors import ParameterError
from .lay import Grid
from .records import Quality, Tile

__all__ = [
    "SUM_LAYERS",
    "Accumulator",
    "AverageSettings",
    "field_correlation",
    "finished_tile",
]

SUM_LAYERS = {
    "sum_intensity": TOTAL,
    "sum_weight": WEIGHT,
    "sum_weight_pairs": WEIGHT_SQUARE,
    "sum_noise": NOISE_SUM,
    "sum_square": SQUARE,
}
"""Sums by name that parts of a line carry, to be added; the count is their coverage."""

_LEAST_LOOKS = 1.1
"""Fewer tell nothing of their spread."""
_LEAST_SQUARE = 1e-33
"""Mean square intensity below which single precision has lost it."""


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

    def read(self, first_row: int, n_row: int) -> NDArray[np.float32]:
        """Sums of open rows, shape (sum, row, column); a copy."""
        slot = first_row % self.ring_rows
        slots = (first_row + np.arange(n_row)) % self.ring_rows
        # Rows that lie in one piece are copied once, by the transposition alone.
        whole = slot + n_row <= self.ring_rows
        sums = self.sums[:, slice(slot, slot + n_row) if whole else slots].transpose(2, 1, 0, 3).copy("C")
        return sums.reshape(N_SUM, n_row, -1)[:, :, : self.usual.size]

    def finish(self, n_row: int, side: str, *, noise_known: bool) -> Tile:
        """Take the lowest ``n_row`` rows out as a tile and free their slots."""
        slots = (self.first_row + np.arange(n_row)) % self.ring_rows
        sums = self.read(self.first_row, n_row)
        if self.primed is not None:
            before = self.primed[:, slots].transpose(1, 0, 2).reshape(n_row, -1)
            sums[COUNT] -= before[:, : self.usual.size]
            self.primed[:, slots] = 0
        filled = self.filled[:, slots].transpose(1, 0, 2).reshape(n_row, -1)[:, : self.usual.size]
        tile = finished_tile(
            sums, filled, self.usual, side=side, first_row=self.first_row, noise_known=noise_known
        )
        self.sums[:, slots] = 0
        self.filled[:, slots] = False
        self.first_row += n_row
        return tile


def finished_tile(
    sums: NDArray[np.float32],
    filled: NDArray[np.bool_],
    usual: NDArray[np.float32],
    *,
    side: str,
    first_row: int,
    noise_known: bool,
) -> Tile:
    """Turn sums of rows, (sum, row, column) from the track outward, into what a tile says of them.

    ``usual`` (column,) is the most looks seen so far at each distance, and is raised row by row: what a row is called does
    not depend on how rows are cut into tiles.
    """
    total, weight, weight_square, noise = (sums[k] for k in (TOTAL, WEIGHT, WEIGHT_SQUARE, NOISE_SUM))
    seen = weight > 0
    safe = np.where(seen, weight, 1).astype(np.float32, copy=False)
    looks = np.where(seen, safe**2 / np.where(seen, weight_square, 1), 0).astype(np.float32, copy=False)
    floor = np.where(seen, noise / safe, np.nan).astype(np.float32, copy=False)
    intensity = np.where(seen, total / safe, np.nan).astype(np.float32, copy=False)
    spread = _spread(intensity, sums[SQUARE] / safe, looks, sums[COUNT])
    if noise_known:
        intensity -= floor
    else:
        floor = np.full_like(floor, np.nan)
    most = np.maximum.accumulate(np.concatenate([usual[None], looks]), axis=0)
    usual[:] = most[-1]
    quality = np.zeros(seen.shape, np.uint8)
    quality[~seen] |= Quality.NOT_SEEN
    quality[seen & (looks < 0.5 * most[1:])] |= Quality.FEW_LOOKS
    quality[seen & filled] |= Quality.GAP_FILLED
    if noise_known:
        # One standard deviation of the noise's mean: below it an echo can't be told from none.
        quality[seen & (intensity < floor / np.sqrt(np.maximum(looks, 1)))] |= Quality.BELOW_NOISE
    else:
        quality[seen] |= Quality.NOISE_UNKNOWN
    layers = [intensity, looks, sums[COUNT].astype(np.uint16), floor, quality, spread]
    first = 0
    if side == "port":
        layers = [layer[:, ::-1] for layer in layers]
        first = -usual.size
    layers = [np.ascontiguousarray(layer) for layer in layers]
    kept = {name: sums[k] if side == "starboard" else sums[k][:, ::-1] for name, k in SUM_LAYERS.items()}
    return Tile(
        side=side,
        first_along=first_row,
        first_across=first,
        intensity=layers[0],
        looks=layers[1],
        coverage=layers[2],
        noise_equivalent=layers[3],
        quality=layers[4],
        extra={"spread": layers[5]},
        sums=kept,
    )


def _spread(
    mean: NDArray[np.float32],
    mean_square: NDArray[np.float32],
    looks: NDArray[np.float32],
    count: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Standard deviation of the looks over their mean, noise included; NaN of fewer than two or hardly more than one.

    The looks' variance about their own mean falls short of their variance by 1/N, N the effective number of looks, also
    where they are correlated and weighted: E[sum w I^2 / sum w - m^2] = sigma^2 (1 - 1/N). That is made good.
    """
    told = (count >= 2) & (looks > _LEAST_LOOKS) & (mean_square > _LEAST_SQUARE) & np.isfinite(mean_square)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        ratio = (mean_square / mean.astype(np.float64) ** 2 - 1) * looks / (looks - 1)
        out = np.sqrt(np.maximum(ratio, 0))
    return np.where(told, out, np.nan).astype(np.float32)
