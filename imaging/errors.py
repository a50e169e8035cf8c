"""The two ways in which work is refused.

Every message says what was got, what is allowed and what to do about it, in one line.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["DataError", "ParameterError", "PingloomError", "nearest_name"]


class PingloomError(Exception):
    """Anything that pingloom refuses to do, with a message meant for a person."""


class ParameterError(PingloomError, ValueError):
    """A value that someone chose is not allowed."""


class DataError(PingloomError, ValueError):
    """A file or an array does not hold what it should."""


def nearest_name(name: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the known name nearest to ``name``, else the list of known names."""
    known = sorted(known)
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    if near:
        return f"; did you mean '{near[0]}'?"
    return f"; known are: {', '.join(known)}"
