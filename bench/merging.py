"""Parts of one line's pings, imaged apart, added up to the product of the whole line.

Each part was laid on the same grid and carries the sums that its layers were made of. Sums of the same pixels are added, and the
layers made of them anew: up to single precision the image is that of all pings in one run.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.bench.ping_counts import PING_COUNTS, added_counts
from pingloom.imaging._sums import COUNT, N_SUM
from pingloom.imaging.average import SUM_LAYERS, Accumulator
from pingloom.imaging.errors import DataError
from pingloom.imaging.records import Quality
from pingloom.io.product import Product, read_product
from pingloom.io.product_writer import ProductWriter

__all__ = ["merge_parts"]

_ROWS = 256
_OWN = ("provenance", "first_along", "first_across", "date_created", *PING_COUNTS)
"""Root attributes in which parts may differ."""


def merge_parts(paths: Sequence[str | Path], target: Path, *, overwrite: bool = False) -> list[int]:
    """Add parts up and write the product; return the numbers of parts that were not given.

    Raises
    ------
    ParameterError
        If there is something at ``target`` already.
    DataError
        If the files aren't parts of one line imaged alike, or one is given twice.
    """
    with ExitStack() as stack:
        parts = [stack.enter_context(read_product(path)) for path in paths]
        numbers, of = _check(parts)
        first = parts[0]
        about = first.provenance
        about.pop("part")
        missing = sorted(set(range(1, of + 1)) - set(numbers))
        known = {"Conventions", "pingloom_format", "format_version", "title", "method", "sides", "calibrated"}
        known |= {"strip_origin_north", "strip_origin_east", "strip_heading", "cell_along", "cell_across"}
        known |= {"settings", *_OWN}
        writer = ProductWriter(
            target,
            method=first.method,
            along_m=first.along_m,
            across_m=first.across_m,
            sides=first.sides,
            strip_origin_north_m=first.strip_origin_north_m,
            strip_origin_east_m=first.strip_origin_east_m,
            strip_heading_rad=first.strip_heading_rad,
            calibrated=first.calibrated,
            settings=first.settings,
            provenance={**about, "merged": {"parts": sorted(numbers), "of": of}},
            georeference=first.georeference,
            title=first.title,
            attributes={k: v for k, v in first.attributes.items() if k not in known},
            overwrite=overwrite,
        )
        with writer:
            _add(parts, writer)
            writer.say(**added_counts([part.attributes for part in parts]))
    return missing


def _check(parts: Sequence[Product]) -> tuple[list[int], int]:
    """Numbers of the parts and how many there are."""
    first, numbers, of = parts[0], [], 0
    for part in parts:
        told = part.provenance.get("part")
        if not isinstance(told, dict) or not set(SUM_LAYERS) <= set(part.layers):
            raise DataError(
                f"{part.path} is no part of a line; allowed: what pingloom image --part made. Give those files."
            )
        for name, value in _same(first).items():
            if json.dumps(_same(part)[name], default=str) != json.dumps(value, default=str):
                raise DataError(
                    f"{part.path} and {first.path} differ in {name}; allowed: parts of one line, imaged alike and with one table "
                    "of corrections."
                )
        number, of = int(told["number"]), int(told["of"])
        if number in numbers:
            raise DataError(f"{part.path} is part {number} again; allowed: each once. Leave one out.")
        numbers.append(number)
    return numbers, of


def _same(part: Product) -> dict[str, Any]:
    """What parts must have in common."""
    about = part.provenance
    of = about.pop("part")["of"]
    attributes = {k: v for k, v in part.attributes.items() if k not in _OWN}
    return {**attributes, "provenance": about, "number of parts": of}


def _add(parts: Sequence[Product], writer: ProductWriter) -> None:
    start = [(int(p.attributes["first_along"]), int(p.attributes["first_across"])) for p in parts]
    low = [min(s[axis] for s in start) for axis in (0, 1)]
    high = [max(s[axis] + p.shape[axis] for s, p in zip(start, parts, strict=True)) for axis in (0, 1)]
    n_column = high[1] - low[1]
    usual = np.zeros(n_column, np.float32)
    for row in range(low[0], high[0], _ROWS):
        n_row = min(_ROWS, high[0] - row)
        sums = np.zeros((N_SUM, n_row, n_column), np.float32)
        known = False
        left_out = np.zeros((n_row, n_column), np.uint8)
        for part, (first_along, first_across) in zip(parts, start, strict=True):
            begin, end = max(row, first_along), min(row + n_row, first_along + part.shape[0])
            if begin >= end:
                continue
            rows = slice(begin - first_along, end - first_along)
            left = first_across - low[1]
            place = slice(begin - row, end - row), slice(left, left + part.shape[1])
            for name, k in {**SUM_LAYERS, "coverage": COUNT}.items():
                sums[k][place] += _numbers(part.read(name, rows))
            flags = part.read("quality", rows)
            left_out[place] |= flags & Quality.PING_LEFT_OUT
            known |= bool(np.any((flags & (Quality.NOT_SEEN | Quality.NOISE_UNKNOWN)) == 0))
        open_rows = Accumulator.of_rows(sums, usual, row)
        tile = open_rows.finish(n_row, "starboard", noise_known=known)
        quality = tile.quality | left_out
        writer.write(replace(tile, side=parts[0].sides[0], first_across=low[1], quality=quality))


def _numbers(values: NDArray[Any]) -> NDArray[np.float32]:
    """Sums of a window; what no look reached holds nothing."""
    return np.nan_to_num(values.astype(np.float32))
