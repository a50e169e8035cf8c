"""What commands share: common options, output for people and machines, progress."""

from __future__ import annotations

import json
import math
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from pingloom.imaging.errors import ParameterError

__all__ = [
    "CAUTIONS",
    "Ending",
    "Interrupted",
    "Interruption",
    "Report",
    "as_json",
    "common_options",
    "news_line",
    "print_table",
    "progress",
    "refuse_existing",
]

CAUTIONS = (
    "An image is not an all-clear: no target in it is no evidence that an area is free of ordnance or obstructions.",
    "Not for navigation: charted depths come from the hydrographic authority.",
    "Figures from simulation describe the simulated scene, not performance at sea.",
    "Transmitting can harm divers and marine mammals and may be regulated: local rules, permits and licensed practice decide.",
)
"""Said wherever an image or a plan is read."""


def common_options(function: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--json`` and ``--quiet`` to a command."""
    function = click.option("--quiet", is_flag=True, help="Print nothing but errors.")(function)
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object for machines.")(
        function
    )


class Interrupted(Exception):
    """Ctrl-C, noticed at a safe place; its text says what is left, where something is."""


class Interruption:
    """Turns Ctrl-C into a question that is asked at safe places; use it in a ``with`` block.

    Python raises KeyboardInterrupt wherever the main thread happens to be, and libraries that run callbacks while a
    file is closed swallow it there: the work would go on as if nothing had been said.
    """

    def __init__(self) -> None:
        self.wanted = False

    def __enter__(self) -> Interruption:
        # Only the main thread may set handlers; elsewhere nobody can press Ctrl-C on us either.
        self._ours = threading.current_thread() is threading.main_thread()
        if self._ours:
            self._before = signal.signal(signal.SIGINT, self._note)
        return self

    def __exit__(self, *exception: object) -> None:
        if self._ours:
            signal.signal(signal.SIGINT, self._before)
        if exception[0] is None:
            self.check()

    def _note(self, number: int, frame: Any) -> None:
        self.wanted = True

    def check(self) -> None:
        """Raise :class:`Interrupted` if Ctrl-C was pressed."""
        if self.wanted:
            raise Interrupted


class Ending(Interruption):
    """Takes the first Ctrl-C as the wish to end well with what there is; a second one interrupts."""

    def __init__(self) -> None:
        super().__init__()
        self.asked = False

    def _note(self, number: int, frame: Any) -> None:
        self.asked, self.wanted = True, self.asked


class Report:
    """Collects what a command has to say and prints it once, for people or for machines."""

    def __init__(self, *, as_json: bool, quiet: bool) -> None:
        self.as_json = as_json
        self.quiet = quiet
        self.data: dict[str, Any] = {}

    @property
    def chatty(self) -> bool:
        """Whether lines for people are wanted."""
        return not (self.as_json or self.quiet)

    def line(self, text: str = "") -> None:
        """Print one line for people."""
        if self.chatty:
            click.echo(text)

    def table(self, title: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
        """Print a table for people."""
        if self.chatty:
            print_table(title, columns, rows)

    def finish(self) -> None:
        """Print the JSON object, if that was asked for."""
        if self.as_json and not self.quiet:
            click.echo(as_json(self.data))


def as_json(data: Any) -> str:
    """Write plain values, numpy's and paths as JSON; what is not a number becomes null, which JSON knows."""
    return json.dumps(_plain(data), indent=2, allow_nan=False)


def _plain(value: Any) -> Any:
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return str(value) if isinstance(value, Path) else value


def print_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print ``rows`` under ``columns``, first column left-aligned, the others right-aligned."""
    rows = [list(map(str, row)) for row in rows]
    width = [max(len(r[k]) for r in [list(columns), *rows]) for k in range(len(columns))]
    if title:
        click.echo(title)
    for row in [list(columns), *rows]:
        cells = [row[0].ljust(width[0])] + [c.rjust(w) for c, w in zip(row[1:], width[1:], strict=True)]
        click.echo("  " + "  ".join(cells).rstrip())


@contextmanager
def progress(label: str, total: int | None, *, show: bool) -> Iterator[Callable[..., None]]:
    """Yield ``advance(n, total)``, whose total may be left out once it is known; a bar with the time left appears only
    on a terminal."""
    if not show or not sys.stderr.isatty():
        yield lambda n=1, total=None: None
        return
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    from rich.console import Console

    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=total)
        yield lambda n=1, total=None: bar.update(task, advance=n, total=total)


@contextmanager
def news_line(*, show: bool) -> Iterator[Callable[[str], None]]:
    """Yield ``say(text)``, which keeps one line up to date; it appears only on a terminal."""
    if not show or not sys.stderr.isatty():
        yield lambda text: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as line:
        task = line.add_task("", total=None)
        yield lambda text: line.update(task, description=text)


def refuse_existing(path: Path, *, overwrite: bool) -> None:
    """Refuse to write over ``path`` unless told to.

    Raises
    ------
    ParameterError
        If ``path`` exists and ``overwrite`` is false.
    """
    if path.exists() and not overwrite:
        raise ParameterError(f"{path} exists; allowed: a new name. Give another name or add --overwrite.")
