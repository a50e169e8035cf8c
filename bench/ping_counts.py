"""What a product says of the pings that it was made of: how many, and why some were left out."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from pingloom.bench.run_report import Counts

__all__ = ["PING_COUNTS", "added_counts", "ping_counts", "reasons_of"]

PING_COUNTS = ("pings", "pings_left_out", "pings_left_out_by_reason")
"""Names of the root attributes."""


def ping_counts(counts: Counts) -> dict[str, Any]:
    """Root attributes of one leg's product."""
    return _attributes(counts.imaged + counts.left_out.total(), counts.left_out)


def added_counts(parts: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Root attributes of what several products add up to; none where one of them does not say."""
    if not all("pings" in part for part in parts):
        return {}
    left_out: Counter[str] = Counter()
    for part in parts:
        left_out.update(reasons_of(part))
    return _attributes(sum(int(part["pings"]) for part in parts), left_out)


def reasons_of(attributes: Mapping[str, Any]) -> dict[str, int]:
    """Counts by reason; empty where the product does not say."""
    try:
        found = json.loads(str(attributes.get(PING_COUNTS[2], "{}")))
    except ValueError:
        return {}
    return {str(k): int(v) for k, v in found.items()} if isinstance(found, dict) else {}


def _attributes(pings: int, left_out: Counter[str]) -> dict[str, Any]:
    by_reason = json.dumps(dict(sorted(left_out.items())))
    return dict(zip(PING_COUNTS, (pings, left_out.total(), by_reason), strict=True))
