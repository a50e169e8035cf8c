"""Segments made one recording: they must agree on the sonar, and their navigation is joined."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Platform, Sonar

from .recording_segment import Segment, digest

__all__ = ["check_agreement", "join_platform"]

_NAN_MEANS_UNKNOWN = ("altitude_m", "sound_speed_at_array_m_s")


def check_agreement(segments: Sequence[Segment]) -> None:
    first = segments[0]
    for other in segments[1:]:
        if other.sides != first.sides:
            raise DataError(
                f"{other.path} has sides {', '.join(other.sides)}; allowed: {', '.join(first.sides)}, "
                f"as {first.path.name}. Keep other recordings in other folders."
            )
        for side in first.sides:
            if other.sonar_digest[side] != first.sonar_digest[side]:
                field = next(
                    f.name
                    for f in fields(Sonar)
                    if digest(getattr(other.sonars[side], f.name))
                    != digest(getattr(first.sonars[side], f.name))
                )
                raise DataError(
                    f"{other.path}: /{side} differs from {first.path.name} in {field}; allowed: segments of one "
                    "sonar. Keep other recordings in other folders."
                )


def join_platform(segments: Sequence[Segment], path: Path) -> Platform:
    parts = [s.platform_columns for s in segments if s.platform_columns["time_ns"].size]
    if not parts:
        raise DataError(f"{path}: /platform has no row; allowed: one or more. Write the navigation.")
    names = {name for part in parts for name in part}
    names -= {n for n in names if not _may_be_missing(n) and any(n not in part for part in parts)}
    time = np.concatenate([part["time_ns"] for part in parts])
    _, order = np.unique(time, return_index=True)  # sorted; of equal times the first
    columns = {
        name: np.concatenate([part.get(name, _filler(name, part)) for part in parts])[order] for name in names
    }
    attributes = {name: value for name, value in segments[0].platform_attributes.items() if value is not None}
    try:
        return Platform(**columns, **attributes)
    except ParameterError as error:
        raise DataError(f"{path}: /platform: {error}") from error


def _may_be_missing(name: str) -> bool:
    return name in _NAN_MEANS_UNKNOWN or name == "status"


def _filler(name: str, part: dict[str, NDArray[Any]]) -> NDArray[Any]:
    n_row = part["time_ns"].size
    return np.zeros(n_row, np.int64) if name == "status" else np.full(n_row, np.nan)
