"""The README's own code runs, and its promises hold."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pingloom.bench.cli import COMMANDS, main

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()


def block(marker: str) -> str:
    """The fenced code between ``<!-- marker -->`` and ``<!-- /marker -->``."""
    found = re.search(rf"<!-- {marker} -->\n```\w*\n(.*?)```\n<!-- /{marker} -->", README, re.S)
    assert found, f"README.md has no block {marker}"
    return found.group(1)


def test_own_data_can_be_written_validated_and_imaged(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    exec(compile(block("own-data"), "README.md", "exec"), {})
    assert main(["validate", "mine.h5"]) == 0
    assert main(["image", "mine.h5", "-o", "mine", "--no-picture"]) == 0
    assert (tmp_path / "mine" / "multilook.nc").is_file()


def test_the_picture_of_the_readme_is_there() -> None:
    for name in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / name).is_file(), name


@pytest.mark.parametrize("name", re.findall(r"^\| `pingloom (\w+)", README, re.M))
def test_commands_of_the_readme_exist(name: str) -> None:
    assert name in COMMANDS


def test_the_cautions_are_said() -> None:
    for words in ("not an all-clear", "Not for navigation", "marine mammals", "divers"):
        assert words in README
