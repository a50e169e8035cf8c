"""A product as pages of PNG."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pingloom.bench.normalise import normalised
from pingloom.imaging.errors import ParameterError
from pingloom.io.product import Product, read_product

__all__ = ["draw_product", "level_label"]


def level_label(product: Product) -> str:
    """What a product's grey scale shows, with its unit."""
    if product.calibrated:
        return "seabed backscatter [dB re 1 m² per m²]"
    return "relative seabed backscatter [dB]"


def draw_product(
    path: Path,
    picture: Path,
    *,
    limits_db: tuple[float, float] | None = None,
    page_m: float | None = None,
    normalise_m: float | None = None,
) -> list[Path]:
    """Draw a product as pages of PNG; ``normalise_m`` shows its level over the mean of so many metres of track around. [m]"""
    if not picture.parent.is_dir():
        raise ParameterError(f"{picture.parent} is no folder; allowed: an existing one. Make it first.")
    from pingloom.bench.pictures import strip_picture

    with read_product(path) as product:
        intensity, quantity = product.read("intensity"), level_label(product)
        if normalise_m is not None:
            steps = [float(np.diff(axis[:2])[0]) for axis in (product.along_track_m, product.across_track_m)]
            intensity = normalised(
                intensity, along_m=normalise_m, pixel_along_m=steps[0], pixel_across_m=steps[1]
            )
            quantity = f"backscatter over its mean of {normalise_m:g} m x 1 m around [dB]"
        return strip_picture(
            picture,
            intensity,
            along_m=product.along_track_m,
            across_m=product.across_track_m,
            title=product.title,
            quantity=quantity,
            limits_db=limits_db,
            page_m=page_m,
        )
