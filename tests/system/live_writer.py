"""A process that writes a recording again as if it were just being recorded, some pings at each line that it is sent.

python live_writer.py SOURCE TARGET '{"burst": 5, ...}'
"""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import sys
import time
from pathlib import Path

import h5py
import numpy as np

from pingloom.imaging.records import Platform
from pingloom.io.recording import RecordingWriter, open_recording

DEFAULTS = {
    "burst": 7,
    "pace_s": 0.0,
    "segment": 0,
    "rows_behind": 0,
    "stop_after": None,
    "end": "close",
    "torn": False,
}
"""Pings to a line, 0: all at the first one; seconds from ping to ping; pings a segment, 0: one file; pings by which the navigation lags, None: it comes at the end;
pings after which to end, None: all; close, kill or pause; whether the last ping's checksum is spoilt."""


def rows_until(platform: Platform, first: int, last_ns: int) -> tuple[Platform | None, int]:
    """Rows from ``first`` on up to a time, and the number of the next one."""
    past = int(np.searchsorted(platform.time_ns, last_ns, side="right"))
    if past <= first:
        return None, first
    columns = {
        f.name: value[first:past]
        for f in dataclasses.fields(platform)
        if isinstance(value := getattr(platform, f.name), np.ndarray)
    }
    return dataclasses.replace(platform, **columns), past


def spoil_newest(path: Path, side: str, slot: int) -> None:
    with h5py.File(path) as file:
        at = file[side]["checksum"].id.get_offset()
    with open(path, "r+b") as file:
        file.seek(at + 4 * slot)
        file.write(b"\x5a\xa5\x5a\xa5")


def answer(word: str) -> None:
    sys.stdout.write(word + "\n")
    sys.stdout.flush()


def main() -> None:
    source, target = Path(sys.argv[1]), Path(sys.argv[2])
    options = DEFAULTS | json.loads(sys.argv[3])
    with open_recording(source) as recording:
        pings = list(recording.pings())
        platform = recording.platform()
        writer = RecordingWriter(
            target,
            sonars={side: recording.sonar(side) for side in recording.sides},
            water=recording.water(),
            origin_latitude_deg=recording.origin[0],
            origin_longitude_deg=recording.origin[1],
            title=recording.title,
            capacity=options["segment"] or len(pings),
            segment_folder=bool(options["segment"]),
            durable=False,
        )
    done, behind = 0, options["rows_behind"]
    number = {}
    for k, ping in enumerate(pings[: options["stop_after"]]):
        if k == 0 or (options["burst"] and k % options["burst"] == 0):
            answer("written" if k else "ready")
            sys.stdin.readline()
        if behind is not None and k >= behind:
            rows, done = rows_until(platform, done, pings[k - behind].time_ns)
            if rows is not None:
                writer.write_platform(rows)
        writer.write_ping(ping)
        number[ping.side] = number.get(ping.side, -1) + 1
        time.sleep(options["pace_s"])
    if options["torn"]:
        spoil_newest(target, ping.side, number[ping.side])
    if options["end"] == "kill":
        answer("written")
        os.kill(os.getpid(), signal.SIGKILL)
    if options["end"] == "pause":
        answer("written")
        time.sleep(600)
    rows, _ = rows_until(platform, done, 2**62)
    if rows is not None:
        writer.write_platform(rows)
    writer.close()
    answer("written")


if __name__ == "__main__":
    main()
