"""``pingloom contact``: one contact cut out, with the height that its shadow tells."""

from __future__ import annotations

from pathlib import Path

import click

from pingloom.bench.console import CAUTIONS, Report, common_options

__all__ = ["command"]

_MARK = "contact.json"
"""The file that tells a contact's folder from any other."""
_HEIGHT_CAUTION = (
    "The height holds for a flat seabed, the altitude given and a vehicle on the strip's line that points along it "
    "(against a current shadows lie slanted and read short); it is no clearance."
)


@click.command(epilog="Example: pingloom contact images/multilook.nc --at 8.0 14.0 --altitude 6 -o contact-1")
@click.argument("product", type=click.Path(path_type=Path))
@click.option(
    "--at",
    "at_m",
    type=(float, float),
    required=True,
    metavar="A X",
    help="Where the contact lies: along and across track, port negative. [m]",
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="Folder to write the contact to."
)
@click.option(
    "--size", "size_m", type=float, default=8.0, show_default=True, metavar="M", help="Side of the crop. [m]"
)
@click.option(
    "--altitude",
    "altitude_m",
    type=float,
    metavar="M",
    help="Of the array above the seabed; default what the product tells. [m]",
)
@click.option(
    "--shadow",
    "marked_m",
    type=(float, float),
    metavar="START END",
    help="Mark the shadow by hand: across track from where the top is drawn to the shadow's end. [m]",
)
@click.option("--overwrite", is_flag=True, help="Replace a contact's folder.")
@common_options
def command(product, at_m, output, size_m, altitude_m, marked_m, overwrite, as_json, quiet) -> None:
    """Cut a contact out of PRODUCT and measure its shadow.

    Leaves contact.json (place, shadow, height), contact.png and crop.tif (backscatter in dB with its place on
    the ground). The shadow is found behind the place unless it is marked; without an altitude there is no height.
    """
    from pingloom.bench.contact import cut_contact, find_shadow
    from pingloom.imaging.errors import DataError
    from pingloom.io.folders import FreshFolder, write_json
    from pingloom.io.product import read_product

    report = Report(as_json=as_json, quiet=quiet)
    with read_product(product) as image, FreshFolder(output, _MARK, overwrite=overwrite) as folder:
        contact = cut_contact(image, at_m, size_m)
        note = ""
        try:
            shadow = _marked(at_m, marked_m) if marked_m else find_shadow(contact, at_m)
        except DataError as error:
            shadow, note = None, str(error)
        facts = _facts(image, contact, at_m, shadow, altitude_m)
        facts["note"] = note or None
        _draw(folder.part / "contact.png", image, contact, shadow, facts)
        _crop(folder.part / "crop.tif", image, contact)
        write_json(folder.part / _MARK, facts)
        folder.commit()
    report.data = {"folder": str(output), **facts}
    _say(report, output, facts)
    report.finish()


def _marked(at_m, marked_m):
    from pingloom.bench.contact import Shadow
    from pingloom.imaging.errors import ParameterError

    start, end = (abs(v) for v in marked_m)
    if marked_m[0] * marked_m[1] <= 0 or marked_m[0] * at_m[1] <= 0 or not start < end:
        raise ParameterError(
            f"shadow is {marked_m[0]:g} to {marked_m[1]:g} m; allowed: both on the contact's side, the end farther "
            "from the track."
        )
    return Shadow(
        start_m=start, end_m=end, along_m=(at_m[0], at_m[0]), found=False, level_db=None, whole=True
    )


def _facts(image, contact, at_m, shadow, altitude_m) -> dict:
    from pingloom.bench.contact import known_altitude_m, shadow_height_m

    told = altitude_m if altitude_m is not None else known_altitude_m(image, contact.side)
    facts = {
        "product": image.path.name,
        "title": image.title,
        "method": image.method,
        "recording": image.provenance.get("recording"),
        "side": contact.side,
        "along_m": at_m[0],
        "across_m": at_m[1],
        **_place(image, at_m),
        "altitude_m": told,
        "altitude_from": None if told is None else ("given" if altitude_m is not None else "product"),
        "shadow": None,
        "height_m": None,
        "height_uncertainty_m": None,
        "cautions": [CAUTIONS[0], CAUTIONS[1], _HEIGHT_CAUTION],
    }
    if shadow is None:
        return facts
    facts["shadow"] = {
        "found": shadow.found,
        "start_across_m": shadow.start_m,
        "end_across_m": shadow.end_m,
        "length_m": shadow.length_m,
        "width_along_m": shadow.along_m[1] - shadow.along_m[0] if shadow.found else None,
        "level_db": shadow.level_db,
        "end_within_crop": shadow.whole,
    }
    if told is not None:
        edge = _edge_error_m(image, contact.side)
        height, uncertainty = shadow_height_m(shadow, told, edge_error_m=edge)
        facts |= {"height_m": height, "height_uncertainty_m": uncertainty}
    return facts


def _edge_error_m(image, side: str) -> float:
    """Half the slant resolution or a pixel, whichever is larger: how well an edge can be placed."""
    cells = image.provenance.get("cells") or {}
    cell = cells.get(side) or {}
    slant = cell["sound_speed_m_s"] / (2 * cell["bandwidth_hz"]) if "bandwidth_hz" in cell else 0.0
    return max(slant / 2, image.across_m)


def _place(image, at_m) -> dict:
    where = image.georeference
    if where is None:
        return {"epsg": None, "x_m": None, "y_m": None}
    x, y = (v[0] + v[1] * at_m[0] + v[2] * at_m[1] for v in (where.x_m, where.y_m))
    return {"epsg": where.epsg, "x_m": x, "y_m": y}


def _draw(path: Path, image, contact, shadow, facts) -> None:
    from pingloom.bench.pictures import Marker, strip_picture
    from pingloom.bench.product_picture import level_label

    sign = -1 if contact.side == "port" else 1
    markers = []
    if shadow is not None:
        middle = sum(shadow.along_m) / 2
        markers = [
            Marker(along_m=middle, across_m=sign * shadow.start_m, label="top"),
            Marker(along_m=middle, across_m=sign * shadow.end_m, label="end of shadow"),
        ]
    strip_picture(
        path,
        contact.intensity,
        along_m=contact.along_m,
        across_m=contact.across_m,
        title=f"Contact at {facts['along_m']:g} m along, {facts['across_m']:g} m across",
        quantity=level_label(image),
        markers=markers,
        caption=_height_text(facts),
    )


def _crop(path: Path, image, contact) -> None:
    """Forward up and starboard to the right, as tiles are."""
    from pingloom.io.geotiff import write_geotiff

    where = image.georeference
    top = float(contact.along_m[-1]) + image.along_m / 2
    left = float(contact.across_m[0]) - image.across_m / 2
    affine = (0.0, 1.0, 0.0, 0.0, 0.0, -1.0)
    if where is not None:
        affine = tuple(
            float(value)
            for v in (where.x_m, where.y_m)
            for value in (v[0] + v[1] * top + v[2] * left, v[2] * image.across_m, -v[1] * image.along_m)
        )
    level = image.read("backscatter", contact.rows, contact.columns)[::-1]
    write_geotiff(
        path,
        level,
        affine=affine,
        epsg=None if where is None else where.epsg,
        nodata=float("nan"),
        about={"layer": "backscatter", "product": image.path.name, "title": image.title},
    )


def _height_text(facts: dict) -> str:
    if facts["shadow"] is None:
        return "No shadow found."
    shadow = f"Shadow {facts['shadow']['length_m']:.2f} m"
    if facts["height_m"] is None:
        return f"{shadow}; no altitude known, so no height."
    least = "" if facts["shadow"]["end_within_crop"] else "at least "
    return (
        f"{shadow}, height {least}{facts['height_m']:.2f} ± {facts['height_uncertainty_m']:.2f} m at "
        f"{facts['altitude_m']:g} m of altitude."
    )


def _say(report: Report, output: Path, facts: dict) -> None:
    report.line(f"{output}: contact.json, contact.png, crop.tif")
    if facts["epsg"] is not None:
        report.line(f"  EPSG:{facts['epsg']} {facts['x_m']:.2f} {facts['y_m']:.2f}")
    report.line(f"  {_height_text(facts)}")
    if facts["shadow"] is not None:
        s = facts["shadow"]
        how = f"found, {s['level_db']:.1f} dB against the seabed" if s["found"] else "marked by hand"
        report.line(f"  across track {s['start_across_m']:.2f} to {s['end_across_m']:.2f} m ({how})")
        if not s["end_within_crop"]:
            report.line("  the shadow runs out of the crop: raise --size")
    if facts["note"]:
        report.line(f"  {facts['note']}")
    if facts["altitude_m"] is None:
        report.line("  no altitude is known: give --altitude for a height")
    for caution in facts["cautions"]:
        report.line(caution)
