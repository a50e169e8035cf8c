"""A product as pages of PNG."""

from __future__ import annotations

from pathlib import Path

from pingloom.imaging.errors import ParameterError
from pingloom.io.product import Product, read_product

__all__ = ["draw_product", "level_label"]


def level_label(product: Product) -> str:
    """What a product's grey scale shows, with its unit."""
    if product.calibrated:
        return "seabed backscatter [dB re 1 m² per m²]"
    return "relative seabed backscatter [dB]"


def draw_product(
    path: Path, picture: Path, *, limits_db: tuple[float, float] | None = None, page_m=None
) -> list[Path]:
    """Draw a product as pages of PNG."""
    if not picture.parent.is_dir():
        raise ParameterError(f"{picture.parent} is no folder; allowed: an existing one. Make it first.")
    from pingloom.bench.pictures import strip_picture

    with read_product(path) as product:
        return strip_picture(
            picture,
            product.read("intensity"),
            along_m=product.along_track_m,
            across_m=product.across_track_m,
            title=product.title,
            quantity=level_label(product),
            limits_db=limits_db,
            page_m=page_m,
        )
