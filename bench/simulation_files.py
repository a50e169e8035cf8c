"""Simulations on disk: one file, or a folder of segments that grows while it is read and can be taken up again."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

import numpy as np

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.imaging.records import Platform
from pingloom.io.recording import RecordingWriter, open_recording
from pingloom.simulate import echoes
from pingloom.simulate.scenario import Scenario

__all__ = ["Pace", "SegmentsRun", "new_writer", "record_segments", "write_truth"]

_SLICE_S = 0.1  # an interruption is obeyed within that while waiting


def new_writer(scenario: Scenario, path: Path, *, capacity: int, **more: Any) -> RecordingWriter:
    """Return the writer of a file with room for ``capacity`` pings of a scenario."""
    return RecordingWriter(
        path,
        sonars=echoes.sonars(scenario),
        water=echoes.water(scenario),
        origin_latitude_deg=scenario.navigation.origin_latitude_deg,
        origin_longitude_deg=scenario.navigation.origin_longitude_deg,
        title=scenario.title,
        capacity=capacity,
        scenario=scenario.to_toml(),
        seed=scenario.seed,
        durable=False,
        echo_dtype=scenario.instrument.converter.storage,
        **more,
    )


def write_truth(writer: RecordingWriter, scenario: Scenario) -> None:
    """Write what is true of a scenario beside its echoes."""
    names = ", ".join(t.name or t.kind for t in scenario.targets)
    for name, array in echoes.truth(scenario).items():
        if array.size:
            extra = {"names": names} if name == "target_position_m" else {}
            writer.write_truth(name, array, **extra)


# ---- a folder of segments --------------------------------------------------------------------------------


class Pace:
    """Holds pings back until the sonar would have heard them out.

    Parameters
    ----------
    clock, sleep : callable
        Seconds that only go forward, and waiting.
    """

    def __init__(
        self, clock: Callable[[], float] = time.monotonic, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._clock, self._sleep = clock, sleep
        self._start_s: float | None = None
        self.most_late_s = 0.0
        """By how much the slowest ping came after its time."""

    def wait(self, due_s: float, check: Callable[[], None]) -> None:
        """Wait until ``due_s``, on a time scale that begins with the first call."""
        if self._start_s is None:
            self._start_s = self._clock() - due_s
        while (left := self._start_s + due_s - self._clock()) > 0:
            self._sleep(min(left, _SLICE_S))
            check()
        self.most_late_s = max(self.most_late_s, -left)


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentsRun:
    """What :func:`record_segments` did."""

    n_segment: int
    n_made: int
    """Pings made now; the others were there already."""
    most_late_s: float
    """By how much the slowest ping came after its time; 0 at full speed."""
    n_byte: int


def record_segments(
    scenario: Scenario,
    folder: Path,
    *,
    seconds: float,
    mode: str = "fast",
    threads: int | None = None,
    overwrite: bool = False,
    resume: bool = False,
    pace: Pace | None = None,
    on_ping: Callable[[int, int], None] | None = None,
    check: Callable[[], None] = lambda: None,
) -> SegmentsRun:
    """Simulate a scenario into a folder of segments, each readable while it is written.

    The bytes don't depend on interruptions, threads or pace: every segment is a function of the scenario alone. A run
    that is taken up again makes its last segment anew, since nothing tells whether that one was finished.

    Parameters
    ----------
    scenario : Scenario
    folder : Path
    seconds : float
        Length of a segment; a whole number of pings.
    mode, threads, on_ping
        As for :func:`pingloom.simulate.echoes.simulate`.
    overwrite : bool
        Replace the segments that are there.
    resume : bool
        Go on behind the segments that are there.
    pace : Pace, optional
        Real time; without one, as fast as it goes.
    check : callable
        Called between pings; raises to interrupt. Segments stay, readable as far as they go.

    Raises
    ------
    ParameterError
        If there is something else in the folder, or ``seconds`` is shorter than a ping.
    DataError
        If the segments to go on from came from another scenario, mode or length.
    """
    per_segment = round(seconds * scenario.vehicle.ping_rate_hz)
    if per_segment < 1:
        least = 1 / scenario.vehicle.ping_rate_hz
        raise ParameterError(f"--segments is {seconds:g} s; allowed: at least {least:.3g} s, one ping.")
    history = f"simulated in {mode} mode, {per_segment} pings a segment"
    folder = Path(folder)
    found = _segments_there(folder, overwrite=overwrite, resume=resume)
    done = _whole(scenario, found, per_segment, history) if resume else 0
    for path in found[done:]:
        path.unlink()
    folder.mkdir(exist_ok=True)
    first = done * per_segment
    pings = echoes.simulate(scenario, mode=mode, threads=threads, first=first, on_ping=on_ping)  # type: ignore[arg-type]
    plan = _Segments(scenario, folder, per_segment, history)
    try:
        plan.write(pings, first, pace, check)
    finally:
        pings.close()  # type: ignore[attr-defined]
    made = sorted(folder.glob("segment-*.h5"))
    return SegmentsRun(
        n_segment=len(made),
        n_made=scenario.vehicle.n_ping - first,
        most_late_s=0.0 if pace is None else pace.most_late_s,
        n_byte=sum(path.stat().st_size for path in made),
    )


def _segments_there(folder: Path, *, overwrite: bool, resume: bool) -> list[Path]:
    if not folder.exists():
        return []
    if not folder.is_dir():
        raise ParameterError(f"{folder} is a file; allowed: a folder. Give another name.")
    found = sorted(folder.glob("segment-*.h5"))
    other = [p.name for p in folder.iterdir() if p not in found and not p.name.startswith(".")]
    if other:
        raise ParameterError(f"{folder} holds {other[0]}; allowed: a folder of segments. Give another name.")
    if found and not (overwrite or resume):
        raise ParameterError(
            f"{folder} exists; allowed: a new name. Give another name, or add --resume or --overwrite."
        )
    return found


def _whole(scenario: Scenario, found: list[Path], per_segment: int, history: str) -> int:
    """How many segments can stay: all whole ones from the first, except the last that there is."""
    for number, path in enumerate(found[:-1]):
        if path.name != f"segment-{number:06d}.h5":
            return number
        with open_recording(path) as recording:
            if recording.scenario != scenario.to_toml() or recording.history != history:
                raise DataError(
                    f"{path} came of another scenario, seed, mode or length of segments; allowed: the same. "
                    "Give those again, or another name."
                )
            if any(recording.n_ping(side) != per_segment for side in recording.sides):
                return number
    return max(0, len(found) - 1)


class _Segments:
    """One folder: which pings and which navigation rows belong to each of its files."""

    def __init__(self, scenario: Scenario, folder: Path, per_segment: int, history: str) -> None:
        self._scenario, self._folder = scenario, folder
        self._per_segment, self._history = per_segment, history
        self._platform = echoes.platform(scenario)
        self._times_ns = echoes.ping_times_ns(scenario).astype(np.int64)
        # A row is there once it was logged, whatever its own clock says; a ping once it was heard out.
        offset_ns = round((scenario.navigation.clock_offset_s or 0.0) * 1e9)
        logged_ns = self._platform.time_ns.astype(np.int64) - offset_ns
        self._heard_s = 2 * scenario.sonar.range_stop_m / scenario.sound_speed_m_s
        self._row_stop = np.searchsorted(logged_ns, self._times_ns + int(self._heard_s * 1e9), side="right")
        self._row_stop[-1] = logged_ns.size

    def write(self, pings: Any, first: int, pace: Pace | None, check: Callable[[], None]) -> None:
        n_side, n_ping = len(self._scenario.sonar.side_names), self._times_ns.size
        for begin in range(first, n_ping, self._per_segment):
            stop = min(begin + self._per_segment, n_ping)
            with self._writer(begin, stop) as writer:
                for number in range(begin, stop):
                    both = [next(pings)[0] for _ in range(n_side)]
                    check()
                    if pace is not None:
                        due_ns = self._times_ns[number] - self._times_ns[0]
                        pace.wait(due_ns / 1e9 + self._heard_s, check)
                    self._write_rows(writer, number)
                    for ping in both:
                        writer.write_ping(ping)

    def _writer(self, begin: int, stop: int) -> RecordingWriter:
        start = datetime.fromtimestamp(int(self._times_ns[0]) // 10**9, tz=timezone.utc)  # noqa: UP017
        columns = [f.name for f in dataclasses.fields(Platform) if self._is_column(f.name)]
        writer = new_writer(
            self._scenario,
            self._folder / f"segment-{begin // self._per_segment:06d}.h5",
            capacity=stop - begin,
            more_follow=stop < self._times_ns.size,
            platform_columns=columns,
            platform_capacity=int(self._row_stop[stop - 1] - self._rows_before(begin)),
            history=self._history,
            date_created=start.strftime("%Y-%m-%dT%H:%M:%SZ"),
        )
        if begin == 0:
            write_truth(writer, self._scenario)
        return writer

    def _is_column(self, name: str) -> bool:
        return isinstance(getattr(self._platform, name), np.ndarray)

    def _rows_before(self, number: int) -> int:
        return int(self._row_stop[number - 1]) if number else 0

    def _write_rows(self, writer: RecordingWriter, number: int) -> None:
        rows = slice(self._rows_before(number), int(self._row_stop[number]))
        if rows.stop == rows.start:
            return
        names = [f.name for f in dataclasses.fields(Platform) if self._is_column(f.name)]
        part = {name: getattr(self._platform, name)[rows] for name in names}
        writer.write_platform(dataclasses.replace(self._platform, **part))
