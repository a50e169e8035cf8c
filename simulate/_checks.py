"""How tables refuse a value: what was got, what is allowed, what to do."""

from __future__ import annotations

import math
from typing import NoReturn

from pingloom.imaging.errors import ParameterError

__all__ = ["above_zero", "refuse", "within"]


def refuse(name: str, got: object, allowed: str, remedy: str = "") -> NoReturn:
    """Raise :class:`ParameterError` for the setting ``name``."""
    raise ParameterError(f"{name} is {got}; allowed: {allowed}." + (f" {remedy}" if remedy else ""))


def above_zero(table: str, owner: object, *names: str) -> None:
    """Refuse fields of ``owner`` that are neither None nor above 0 and finite."""
    for name in names:
        value = getattr(owner, name)
        if value is not None and not (value > 0 and math.isfinite(value)):
            refuse(f"{table}.{name}", f"{value:g}", "above 0")


def within(table: str, owner: object, low: float, high: float, *names: str) -> None:
    """Refuse fields of ``owner`` that are neither None nor from ``low`` to ``high``."""
    for name in names:
        value = getattr(owner, name)
        if value is not None and not low <= value <= high:
            refuse(f"{table}.{name}", f"{value:g}", f"from {low:g} to {high:g}")
