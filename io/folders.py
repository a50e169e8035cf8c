"""A folder that appears under its name only when it is whole, and never in place of anything but its own kind."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pingloom.imaging.errors import ParameterError

from .hdf5_write import sync_folder

__all__ = ["FreshFolder", "check_folder", "write_json"]


class FreshFolder:
    """Make a folder; use it in a ``with`` block: fill :attr:`part`, then :meth:`commit`.

    Parameters
    ----------
    path : Path
        The folder to make.
    mark : str
        The file in it that tells folders of this kind.
    overwrite : bool
        Replace a folder of this kind.

    Raises
    ------
    ParameterError
        If something else is there already.
    """

    def __init__(self, path: Path, mark: str, *, overwrite: bool = False) -> None:
        self.path = Path(path)
        self.part = self.path.with_name(f".{self.path.name}.part")
        check_folder(self.path, mark, overwrite=overwrite)
        if not self.path.parent.is_dir():
            raise ParameterError(f"{self.path.parent} is no folder; allowed: an existing one. Make it first.")
        shutil.rmtree(self.part, ignore_errors=True)
        self.part.mkdir()

    def commit(self) -> None:
        """Give the folder its name."""
        old = self.path.with_name(f".{self.path.name}.old")
        shutil.rmtree(old, ignore_errors=True)
        if self.path.exists():
            os.replace(self.path, old)
        os.replace(self.part, self.path)
        shutil.rmtree(old, ignore_errors=True)
        sync_folder(self.path.parent)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        shutil.rmtree(self.part, ignore_errors=True)


def check_folder(path: Path, mark: str, *, overwrite: bool) -> None:
    """Refuse to replace anything but a folder that holds ``mark``, and that only when told to.

    Raises
    ------
    ParameterError
        If ``path`` may not be written.
    """
    if not path.exists() and not path.is_symlink():
        return
    own = path.is_dir() and not path.is_symlink()
    if own and (not any(path.iterdir()) or (overwrite and (path / mark).is_file())):
        return
    if overwrite:
        raise ParameterError(
            f"{path} isn't what this command makes; allowed: replacing a folder that holds {mark}. Give another name."
        )
    raise ParameterError(f"{path} exists; allowed: a new name. Give another name or add --overwrite.")


def write_json(path: Path, value: Any) -> None:
    """Write JSON that is the same each time; NaN is refused."""
    path.write_text(json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")
