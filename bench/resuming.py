"""Going on with an interrupted run: its state on disk beside the products that it makes.

A state is written every so many pings, and when Ctrl-C comes after the first one: which leg, how many pings, what
became of them, the chain's and the estimators' own states, and how far the finished tiles reach in their spool. All sums are made in the same order
of pings whether a run was interrupted or not, so the bytes are the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pingloom.bench.correctors import LiveState
from pingloom.bench.legs import PingOrder
from pingloom.bench.run_report import Counts
from pingloom.imaging.chain import ChainState
from pingloom.imaging.errors import DataError
from pingloom.io.checkpoint import read_checkpoint, write_checkpoint
from pingloom.io.tile_spool import TileSpool

__all__ = ["Keeper", "Saved"]


@dataclass(slots=True, kw_only=True, eq=False)
class Saved:
    """Where a run stands between two pings."""

    leg: int = 0
    """The one being imaged."""
    position: int = 0
    """Places done in the order of pings."""
    order: PingOrder | None = None
    counts: Counts = field(default_factory=Counts)
    """Of all legs before and of the turns."""
    own: Counts = field(default_factory=Counts)
    """Of this leg."""
    chain: ChainState | None = None
    """None: this leg has not begun."""
    spool: dict[str, Any] | None = None
    """Mark of this leg's tiles."""
    estimated: LiveState | None = None
    """What the estimators remember."""


class Keeper:
    """Keeps the state of one run; use it in a ``with`` block.

    When the block ends well, or ends by an exception before the first state was written, nothing is left behind.

    Parameters
    ----------
    targets : sequence of Path
        The legs' products.
    every : int
        Pings from one state to the next; 0 keeps none.
    resume : bool
        Go on from a state that is there; without one begin at the beginning.
    key : callable
        Tells this work from other work; it may take a while and is called only when it is needed.

    Raises
    ------
    DataError
        If the state that is there is of other work, or damaged.
    """

    def __init__(self, targets: Sequence[Path], *, every: int, resume: bool, key: Callable[[], str]) -> None:
        first = targets[0]
        self.path = first.with_name(f".{first.stem}.state")
        self.saved: Saved | None = None
        self._spools = [target.with_name(f".{target.name}.spool") for target in targets]
        self._every = every
        self._key = key
        self._since = 0
        self._kept = False
        if resume and self.path.exists():
            self.saved = self._load()
            self._kept = True
        elif every:
            self._clear()

    def _load(self) -> Saved:
        content = read_checkpoint(self.path)
        if not (isinstance(content, dict) and isinstance(content.get("saved"), Saved)):
            raise DataError(
                f"{self.path} holds no state of imaging; allowed: one as it was written. {_AFRESH}"
            )
        if content.get("key") != self._key():
            raise DataError(
                f"{self.path} is of other work: the recording, a setting, the corrections or the version differs; "
                f"allowed: going on with the same. {_AFRESH}"
            )
        return content["saved"]

    @property
    def kept(self) -> bool:
        """Whether a state is on disk."""
        return self._kept

    def spool(self, leg: int, folder: Path) -> TileSpool | None:
        """Where the tiles of a leg wait; None leaves that to the product's writer."""
        if not self._every and self.saved is None:
            return None
        mark = self.saved.spool if self.saved is not None and self.saved.leg == leg else None
        return TileSpool(folder, self._spools[leg], mark)

    def due(self) -> bool:
        """Whether a state should be written after this ping."""
        self._since += 1
        return bool(self._every) and self._since >= self._every

    def save(self, saved: Saved) -> None:
        """Write a state down."""
        write_checkpoint(self.path, {"key": self._key(), "saved": saved})
        self._since = 0
        self._kept = True

    def leg_done(self, saved: Saved) -> None:
        """A leg's product has its name: its tiles are not needed any more."""
        if self._kept:
            self.save(saved)
        self._spools[saved.leg - 1].unlink(missing_ok=True)

    def _clear(self) -> None:
        # The state first: without it the spools mean nothing, without them it could not be followed.
        self.path.unlink(missing_ok=True)
        for path in self._spools:
            path.unlink(missing_ok=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if kind is None or not self._kept:
            self._clear()


_AFRESH = "Leave out --resume to begin afresh."
