"""Published and independent values beside what the project computes: each value stands once, here.

The command ``pingloom evidence`` prints them as a table and the tests run over the same rows. A row says where
its expected value comes from and what kind of evidence that is (:data:`Kind`).
"""

from __future__ import annotations

import importlib

from pingloom.imaging.errors import ParameterError, nearest_name

from .row import Kind, Outcome, Row

__all__ = ["SECTIONS", "Kind", "Outcome", "Row", "rows"]

SECTIONS = {
    "sound-speed": "water",
    "absorption": "water",
    "noise": "water",
    "target-strength": "levels",
    "sonar-equation": "levels",
    "arrays": "arrays",
    "windows": "windows",
    "pulse": "pulse",
    "speckle": "speckle",
    "looks": "looks",
    "detection": "detection",
    "aperture": "aperture",
    "multipath": "paths",
    "bounces": "bounces",
    "rays": "paths",
    "geometry": "paths",
    "registration": "position",
    "georeference": "position",
}
"""Every section and the file it stands in, in the order of the table."""


def rows(section: str | None = None) -> list[Row]:
    """Rows of one section, or of all.

    Raises
    ------
    ParameterError
        If there is no such section.
    """
    if section is not None and section not in SECTIONS:
        raise ParameterError(f"no section '{section}'{nearest_name(section, SECTIONS)}.")
    modules = dict.fromkeys(SECTIONS.values() if section is None else [SECTIONS[section]])
    found = [row for name in modules for row in importlib.import_module(f".{name}", __name__).rows()]
    order = list(SECTIONS)
    found.sort(key=lambda row: order.index(row.section))  # stable: rows keep their order in a section
    return [row for row in found if section in (None, row.section)]
