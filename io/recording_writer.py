"""Writing recordings: for simulations, for converting data from elsewhere, and for recording live."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pingloom.imaging.errors import DataError, ParameterError, nearest_name
from pingloom.imaging.records import Ping, Platform, Sonar, Water

from . import layout
from ._writer_checks import (
    COLUMNS,
    check_columns,
    check_degrees,
    checked_capacity,
    checked_sonars,
    date,
    segments_in,
)
from .segment_file import SegmentFile, SegmentPlan

__all__ = ["RecordingWriter"]

_ECHO_DTYPES = {"complex64": np.dtype("<c8"), "int16": np.dtype("<i2")}
_REQUIRED = {item.field for item in layout.PLATFORM_COLUMNS if item.required}
_MAY_BE_UNKNOWN = {"altitude_m", "sound_speed_at_array_m_s", "status"}
_UNCERTAINTIES = tuple(item.field for item in layout.PLATFORM_ATTRIBUTES)


class RecordingWriter:
    """Write a recording, ping by ping, so that a crash loses no ping that was written.

    Use it in a ``with`` block. Each file is made complete at once, with room for ``capacity`` pings, and filled in
    place; a ping exists once :meth:`write_ping` has returned. A file that isn't full when it is closed is
    rewritten without the empty space; one whose writer was killed stays as it is and is read as far as it goes.

    Parameters
    ----------
    path : str or path
        The file to make, or the folder where ``segment_folder`` is true.
    sonars : mapping of str to Sonar
        By side, ``"port"`` or ``"starboard"``.
    water : Water
        As the recording believes it.
    origin_latitude_deg, origin_longitude_deg : float
        The point from which north and east count. [degrees]
    title : str
        What this recording is called.
    capacity : int or mapping of str to int
        Pings that a file has room for, on each side. Without ``segment_folder`` this is the most that can be written.
    platform_columns : sequence of str, optional
        Optional columns of the navigation that will be written, by their names as fields of
        :class:`~pingloom.imaging.records.Platform`. By default those of the first rows, if rows come before the first ping; else there is room for all.
    platform_capacity : int, optional
        Navigation rows that a file has room for; by default 16 a ping and side and 4096 more.
    echo_dtype : {"complex64", "int16"}
        How echoes are stored; ``"int16"`` rounds the real and the imaginary part to whole numbers.
    scenario : str, optional
        TOML text of the scenario of a simulated recording.
    seed : int, optional
        Of its chance.
    history : str, optional
        What was done to the data.
    date_created : str, optional
        As in ``"2026-01-31T12:00:00Z"``; by default the time of the first ping or row, so that equal input gives equal bytes.
    overwrite : bool
        Replace what is there.
    durable : bool
        Wait for the disk, so that even a power failure loses no ping. Where a run can be repeated, False is faster.
    segment_folder : bool
        Write a folder of files and begin a new one when one is full.
    keep_on_error : bool
        Whether the files stay when the ``with`` block ends by an exception.
    more_follow : bool
        Another writer will go on with further segments: closing this one does not mark the recording as closed.

    Raises
    ------
    ParameterError
        If something is there already, or a value isn't allowed.

    Examples
    --------
    Data of your own, a line of one side, with the navigation at its own rate::

        import numpy as np
        from pingloom.imaging.records import Ping, Sonar, Water
        from pingloom.io.recording import RecordingWriter

        along = (np.arange(32) - 15.5) * 0.01875          # 32 receivers from aft to fore [m]
        position = np.zeros((1, 32, 3))                   # (row, channel, forward-starboard-down)
        position[0, :, 0] = along
        sonar = Sonar(
            side="starboard", frequency_start_hz=435e3, frequency_stop_hz=465e3, pulse_duration_s=2e-3,
            centre_frequency_hz=450e3, sample_interval_s=1 / 40e3, first_sample_delay_s=0.0, n_sample=3200,
            transmit_position_m=(0, 0, 0), transmit_size_m=(0.028, 0.015), receive_size_m=(0.01875, 0.015),
            depression_rad=np.radians(20), element_position_m=position)

        with RecordingWriter("line.h5", sonars={"starboard": sonar}, water=Water(sound_speed_m_s=1490),
                             origin_latitude_deg=10.0, origin_longitude_deg=20.0, title="my line",
                             capacity=1000) as writer:
            for row in my_navigation:
                writer.write_pose(time_ns=row.time_ns, north_m=row.north, east_m=row.east, depth_m=row.depth,
                                  heading_rad=np.radians(row.heading_deg), pitch_rad=np.radians(row.pitch_deg),
                                  roll_rad=np.radians(row.roll_deg), altitude_m=row.altitude)
            for k, (time_ns, echo) in enumerate(my_pings):    # echo: (row, channel, sample)
                writer.write_ping(Ping(side="starboard", number=k, time_ns=time_ns,
                                       echo=echo.astype(np.complex64)))

    Then ``pingloom validate line.h5`` tells, line by line, whether it will do.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        sonars: Mapping[str, Sonar],
        water: Water,
        origin_latitude_deg: float,
        origin_longitude_deg: float,
        title: str,
        capacity: int | Mapping[str, int],
        platform_columns: Sequence[str] | None = None,
        platform_capacity: int | None = None,
        echo_dtype: Literal["complex64", "int16"] = "complex64",
        scenario: str | None = None,
        seed: int | None = None,
        history: str | None = None,
        date_created: str | None = None,
        overwrite: bool = False,
        durable: bool = True,
        segment_folder: bool = False,
        keep_on_error: bool = True,
        more_follow: bool = False,
    ) -> None:
        self.path = Path(path)
        self._sonars = checked_sonars(sonars)
        self._water = water
        if echo_dtype not in _ECHO_DTYPES:
            raise ParameterError(f"echo_dtype is {echo_dtype!r}; allowed: {', '.join(_ECHO_DTYPES)}.")
        self._echo_dtype = _ECHO_DTYPES[echo_dtype]
        self._capacity = checked_capacity(capacity, self._sonars)
        self._platform_capacity = platform_capacity
        if platform_columns is not None:
            check_columns(platform_columns)
        self._platform_columns = platform_columns
        check_degrees(origin_latitude_deg, origin_longitude_deg)
        self._attributes = {
            "Conventions": "CF-1.11",
            "pingloom_format": layout.FORMAT,
            "format_version": layout.FORMAT_VERSION,
            "title": title,
            "date_created": date_created,
            "history": history or "written as a pingloom recording",
            "origin_latitude": float(origin_latitude_deg),
            "origin_longitude": float(origin_longitude_deg),
            "scenario": scenario,
            "seed": seed,
        }
        self._durable = durable
        self._in_folder = segment_folder
        self._keep_on_error = keep_on_error
        self._more_follow = more_follow
        self._refuse_existing(overwrite)

        self._segment: SegmentFile | None = None
        self._made: list[Path] = []
        self._columns: tuple[str, ...] | None = None
        self._seen: set[str] = set()
        self._uncertainty: dict[str, float | None] = dict.fromkeys(_UNCERTAINTIES)
        self._truth: dict[str, tuple[NDArray[Any], Mapping[str, Any]]] = {}
        self._truth_written: set[str] = set()
        self._last_ping_ns = dict.fromkeys(self._sonars, -1)
        self._last_row_ns = 0
        self._n_written = dict.fromkeys(self._sonars, 0)
        self._closed = False

    def _refuse_existing(self, overwrite: bool) -> None:
        if not self.path.exists():
            if not self.path.parent.is_dir():
                raise ParameterError(
                    f"{self.path.parent} is no folder; allowed: an existing one. Make it first."
                )
            return
        if self.path.is_dir() != self._in_folder:
            kind = "a folder" if self.path.is_dir() else "a file"
            raise ParameterError(f"{self.path} is {kind}; allowed: a new name. Give another name.")
        self._old = segments_in(self.path) if self._in_folder else []
        if not overwrite and (self._old or not self._in_folder):
            raise ParameterError(
                f"{self.path} exists; allowed: a new name. Give another name or overwrite=True."
            )

    # ---- pings -------------------------------------------------------------------------------------------

    def write_ping(self, ping: Ping) -> None:
        """Write one ping; once this returns, the ping survives a crash.

        Parameters
        ----------
        ping : Ping
            Of one of the sides, later than that side's last. Its ``number`` isn't stored: pings count in the
            order in which they are written.

        Raises
        ------
        ParameterError
            If its side, shape or time doesn't fit, or there is no room for it.
        """
        self._check_ping(ping)
        stored = self._stored(ping.echo)
        segment = self._segment_with_room(ping)
        sequence = self._n_written[ping.side] + 1
        segment.write_ping(ping.side, ping.time_ns, ping.receiver_gain_db, stored, sequence, self._durable)
        self._n_written[ping.side] = sequence
        self._last_ping_ns[ping.side] = ping.time_ns

    def _check_ping(self, ping: Ping) -> None:
        self._check_not_closed()
        if ping.side not in self._sonars:
            raise ParameterError(f"ping.side is {ping.side!r}; allowed here: {', '.join(self._sonars)}.")
        sonar = self._sonars[ping.side]
        wanted = (sonar.n_row, sonar.n_channel, sonar.n_sample)
        if ping.echo.shape != wanted:
            raise ParameterError(
                f"ping.echo has shape (row, channel, sample) = {ping.echo.shape}; allowed: {wanted}, as the sonar "
                "says. Put the axes in that order."
            )
        if ping.time_ns <= self._last_ping_ns[ping.side]:
            raise ParameterError(
                f"ping.time_ns is {ping.time_ns} after {self._last_ping_ns[ping.side]} on the {ping.side} side; "
                "allowed: later times. Write the pings in order of time."
            )

    def _stored(self, echo: NDArray[np.complex64]) -> NDArray[Any]:
        if self._echo_dtype.kind == "c":
            return echo
        parts = np.rint(np.ascontiguousarray(echo).view(np.float32).reshape(*echo.shape, 2))
        limit = np.iinfo(np.int16)
        if not (parts.min() >= limit.min and parts.max() <= limit.max):
            raise ParameterError(
                f"ping.echo reaches {np.abs(parts).max():g}; allowed for int16: {limit.min} to {limit.max}. Divide the "
                "echoes by a factor and give it as the sonar's echo_scale."
            )
        return parts.astype("<i2")

    def _segment_with_room(self, ping: Ping) -> SegmentFile:
        segment = self._segment
        if segment is not None and segment.n_ping[ping.side] >= segment.plan.capacity[ping.side]:
            self._roll(
                f"the {ping.side} side is full at {segment.n_ping[ping.side]} pings; allowed: its capacity"
            )
        return self._segment or self._begin(ping.time_ns)

    # ---- navigation --------------------------------------------------------------------------------------

    def write_pose(self, **columns: float) -> None:
        """Write one row of navigation.

        Parameters
        ----------
        **columns : float
            By their names as fields of :class:`~pingloom.imaging.records.Platform`: ``time_ns``, ``north_m``,
            ``east_m``, ``depth_m``, ``heading_rad``, ``pitch_rad``, ``roll_rad`` and what else is known.
            Each row must bring the columns of the first; altitude, sound speed and status may be left out.

        Raises
        ------
        ParameterError
            If a name is unknown or missing, or a value isn't allowed.
        """
        for name in columns:
            if name not in COLUMNS:
                raise ParameterError(f"write_pose has no column '{name}'{nearest_name(name, COLUMNS)}")
        missing = sorted(_REQUIRED - set(columns))
        if missing:
            raise ParameterError(
                f"write_pose lacks {', '.join(missing)}; allowed: all of {', '.join(sorted(_REQUIRED))}."
            )
        # The record checks types, ranges and that speeds and rates come in threes.
        self.write_platform(Platform(**{name: [value] for name, value in columns.items()}))

    def write_platform(self, platform: Platform) -> None:
        """Write rows of navigation, all later than those before.

        Rows written before the first ping find room whatever their number; later ones need ``platform_capacity``.

        Raises
        ------
        ParameterError
            If a row isn't later than the last, or brings other columns, or there is no room.
        """
        self._check_not_closed()
        columns = {name: getattr(platform, name) for name in COLUMNS if getattr(platform, name) is not None}
        first_ns = int(platform.time_ns[0])
        if first_ns <= self._last_row_ns:
            raise ParameterError(
                f"platform.time_ns is {first_ns} after {self._last_row_ns}; allowed: later times, above 0. "
                "Write the rows in order of time."
            )
        self._check_same_columns(columns)
        n_row = platform.time_ns.size
        segment = self._segment
        if segment is not None and segment.n_row + n_row > segment.plan.platform_capacity:
            self._roll(
                f"the platform has room for {segment.plan.platform_capacity} rows; allowed: platform_capacity"
            )
        # Known before the file is made, it stands there for whoever reads while it is written.
        for name in _UNCERTAINTIES:
            self._uncertainty[name] = getattr(platform, name) or self._uncertainty[name]
        segment = self._segment or self._begin(first_ns, n_row, tuple(columns))
        absent = [f for f in columns if COLUMNS[f] not in segment.plan.platform_columns]
        if absent:
            raise ParameterError(
                f"column '{absent[0]}' has no place in the file; allowed: those of platform_columns. Name it there."
            )
        segment.write_rows({COLUMNS[f].name: v for f, v in columns.items()}, self._durable)
        self._seen |= {COLUMNS[f].name for f in columns}
        self._last_row_ns = int(platform.time_ns[-1])

    def _check_same_columns(self, columns: Mapping[str, Any]) -> None:
        steady = tuple(name for name in columns if name not in _MAY_BE_UNKNOWN)
        if self._columns is None:
            self._columns = steady
        if steady != self._columns:
            other = sorted(set(steady) ^ set(self._columns))[0]
            raise ParameterError(
                f"platform column '{other}' comes in some rows only; allowed: the columns of the first row in all. "
                "Give it always or never."
            )

    # ---- truth -------------------------------------------------------------------------------------------

    def write_truth(self, name: str, array: ArrayLike, **attributes: Any) -> None:
        """Write a named array that a simulation knows to be true; imaging never reads it.

        Parameters
        ----------
        name : str
            A plain name, new in this recording.
        array : array_like
            Of numbers, any shape.
        **attributes : str or number
            What there is to say about it, such as ``units="m"``.
        """
        self._check_not_closed()
        if not name.isidentifier():
            raise ParameterError(f"truth name is {name!r}; allowed: letters, digits and underscores.")
        if name in self._truth or name in self._truth_written:
            raise ParameterError(f"truth '{name}' was written before; allowed: each name once.")
        values = np.array(array)
        if values.dtype.kind not in "fiubc":
            raise ParameterError(f"truth '{name}' is of type {values.dtype}; allowed: arrays of numbers.")
        self._truth[name] = (values, dict(attributes))

    # ---- files -------------------------------------------------------------------------------------------

    def _begin(self, time_ns: int, n_row: int = 0, columns: tuple[str, ...] = ()) -> SegmentFile:
        """Make the next file; what is already known of navigation and truth decides what it has room for."""
        if not self._made and self._in_folder:
            self.path.mkdir(exist_ok=True)
            for old in getattr(self, "_old", []):
                old.unlink()
        path = self.path / f"segment-{len(self._made):06d}.h5" if self._in_folder else self.path
        if self._attributes["date_created"] is None:
            self._attributes["date_created"] = date(time_ns)
        plan = SegmentPlan(
            sonars=self._sonars,
            water=self._water,
            attributes=self._attributes,
            capacity=self._capacity,
            platform_columns=self._columns_for(columns),
            platform_capacity=max(n_row, self._room_for_rows(n_row)),
            platform_attributes=self._platform_attributes(),
            echo_dtype=self._echo_dtype,
            truth=dict(self._truth),
        )
        self._segment = SegmentFile(path, plan)
        self._made.append(path)
        self._truth_written |= set(self._truth)
        self._truth = {}
        return self._segment

    def _room_for_rows(self, n_row: int) -> int:
        if self._platform_capacity is not None:
            return self._platform_capacity
        return 4096 + 16 * sum(self._capacity.values()) + n_row

    def _columns_for(self, given: tuple[str, ...]) -> tuple[layout.Item, ...]:
        if self._platform_columns is not None:
            given = tuple(self._platform_columns)
        optional = set(given) or set(COLUMNS)
        return tuple(item for field, item in COLUMNS.items() if field in _REQUIRED or field in optional)

    def _platform_attributes(self) -> dict[str, float | None]:
        return {item.name: self._uncertainty[item.field] for item in layout.PLATFORM_ATTRIBUTES}

    def _roll(self, trouble: str) -> None:
        """End the full file so that the next one begins; without a folder that can't be."""
        if not self._in_folder:
            raise ParameterError(f"{self.path}: {trouble}. Give a larger one, or segment_folder=True.")
        self._finish_segment(last=False)

    def _finish_segment(self, *, last: bool) -> None:
        segment, self._segment = self._segment, None
        if segment is None:
            return
        # Between segments a full file is left with its spare navigation rows: trimming it would hold up the pings.
        segment.finish(
            columns_seen=self._seen,
            platform_attributes=self._platform_attributes(),
            truth={**segment.plan.truth, **(self._truth if last else {})},
            durable=self._durable,
            trim_rows=last,
            closed=last and not self._more_follow,
        )

    def _check_not_closed(self) -> None:
        if self._closed:
            raise ParameterError(f"{self.path} is closed; allowed: writing before that. Make a new writer.")

    def close(self) -> None:
        """Close the recording and trim it; closing twice does no harm.

        Raises
        ------
        DataError
            If nothing was written.
        """
        if self._closed:
            return
        self._closed = True
        if not self._made:
            raise DataError(
                f"nothing was written to {self.path}; allowed: pings and navigation. No file was made."
            )
        self._finish_segment(last=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if kind is None:
            self.close()
        elif self._keep_on_error:
            if self._made:
                self.close()
        else:
            self._remove()

    def _remove(self) -> None:
        self._closed = True
        if self._segment is not None:
            self._segment.abandon()
        for path in self._made:
            path.unlink(missing_ok=True)
        if self._in_folder and self.path.is_dir() and not any(self.path.iterdir()):
            self.path.rmdir()
