"""One value and its evidence."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from pingloom.imaging.errors import ParameterError

__all__ = ["Kind", "Outcome", "Row", "Sheet"]

Kind = Literal[
    "published",  # printed in the source that is named
    "library",  # from an independent general-purpose library, called now or when the value was taken down
    "computed",  # from a simulation or an integral that does not use the formula in question
    "derived",  # worked out by hand from first principles
    "memory",  # as the source is remembered; a pointer, not a proof
    "common practice",  # a fact of the trade
]

Number = float | Callable[[], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a row's computation gave."""

    expected: float
    got: float
    allowed: float
    """Largest permitted distance, absolute."""

    @property
    def passed(self) -> bool:
        """Whether the value lies within its tolerance; NaN never does."""
        return abs(self.got - self.expected) <= self.allowed


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A quantity, the value a source gives for it, and the function that computes ours."""

    section: str
    quantity: str
    source: str
    kind: Kind
    expected: Number
    """A number, or a function that asks an independent library now."""
    tolerance: float
    """Absolute in ``unit``, or relative to the expected value."""
    relative: bool = False
    reason: str
    """Why the tolerance is what it is."""
    compute: Callable[[], float]
    unit: str = ""
    needs: tuple[str, ...] = ()
    """Packages that the row needs beyond the workbench's own."""

    @property
    def missing(self) -> list[str]:
        """Which of ``needs`` is not installed."""
        return [name for name in self.needs if importlib.util.find_spec(name) is None]

    def run(self) -> Outcome:
        """Compute both sides."""
        expected = float(self.expected() if callable(self.expected) else self.expected)
        allowed = self.tolerance * abs(expected) if self.relative else self.tolerance
        # A step of rounding more: a tolerance of the last printed digit may be met exactly.
        return Outcome(expected=expected, got=float(self.compute()), allowed=allowed * (1 + 1e-9))


@dataclass(slots=True)
class Sheet:
    """Collects rows that share a section and, until changed, a source."""

    section: str
    source: str = ""
    kind: Kind = "derived"
    rows: list[Row] = field(default_factory=list)

    def cite(self, kind: Kind, source: str) -> None:
        """Set the source of the rows that follow."""
        self.kind, self.source = kind, source

    def add(
        self,
        quantity: str,
        expected: Number,
        tolerance: float,
        compute: Callable[[], float],
        *,
        unit: str = "",
        relative: bool = False,
        reason: str = "last printed digit",
        needs: tuple[str, ...] = (),
    ) -> None:
        """Add one row."""
        if not tolerance > 0:
            raise ParameterError(f"tolerance of '{quantity}' is {tolerance:g}; allowed: above 0.")
        self.rows.append(
            Row(
                section=self.section,
                quantity=quantity,
                source=self.source,
                kind=self.kind,
                expected=expected,
                tolerance=tolerance,
                relative=relative,
                reason=reason,
                compute=compute,
                unit=unit,
                needs=needs,
            )
        )
