"""Scenarios that come with pingloom, all in invented places."""

from __future__ import annotations

import tomllib
from importlib import resources

from pingloom.imaging.errors import ParameterError, nearest_name

from ..scenario import Scenario

__all__ = ["load_preset", "preset_names", "preset_text"]


def preset_names() -> list[str]:
    """Names of the scenarios that come with pingloom, in alphabetical order."""
    here = resources.files(__name__)
    return sorted(item.name.removesuffix(".toml") for item in here.iterdir() if item.name.endswith(".toml"))


def preset_text(name: str) -> str:
    """TOML text of a preset.

    Raises
    ------
    ParameterError
        If there is no such preset.
    """
    if name not in preset_names():
        raise ParameterError(f"there is no preset '{name}'{nearest_name(name, preset_names())}")
    return (resources.files(__name__) / f"{name}.toml").read_text(encoding="utf-8")


def load_preset(name: str) -> Scenario:
    """Scenario of a preset.

    Raises
    ------
    ParameterError
        If there is no such preset.
    """
    return Scenario.from_dict(tomllib.loads(preset_text(name)))
