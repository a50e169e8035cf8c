"""Relations between a recording's parts: what no single item can show."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.conventions import NANOSECONDS_PER_SECOND
from pingloom.imaging.errors import DataError
from pingloom.imaging.records import Ping, Platform, Sonar

from ._finding import Finding
from .recording import Recording

__all__ = ["check_consistency"]

DEAD_DB = -40.0
"""A receiver this far below the median of its array is taken for dead. [dB]"""
SATURATED = 1e-3
"""Share of clipped samples that is worth a word."""
LARGEST_TURN_RAD = 0.5
"""From row to row, of a heading that is counted on beyond a circle."""
FASTEST_M_S = 15.0
"""No side-looking sonar is towed or driven faster; a higher speed means wrong units or times. Common practice."""
LONGEST_GAP_S = 1.0
"""Between navigation rows."""


def check_consistency(recording: Recording, most_pings: int | None) -> Iterator[Finding]:
    """Yield findings about the recording as a whole; see :func:`~pingloom.io.validate.validate_recording`."""
    platform = recording.platform()
    yield from _check_platform(platform)
    yield _check_altitude(platform, recording)
    for side in recording.sides:
        sonar = recording.sonar(side)
        yield from _check_sonar(sonar)
        if recording.n_ping(side) == 0:
            yield Finding(
                f"/{side}/echo",
                "wrong",
                "no ping",
                "one or more",
                "Check whether any ping was marked as whole.",
            )
            continue
        yield from _check_times(recording, side, platform)
        yield from _check_echoes(recording, side, most_pings)


def _verdict(
    item: str, good: bool, found: str, allowed: str = "", remedy: str = "", *, wrong: bool = False
) -> Finding:
    if good:
        return Finding(item, "ok", found)
    return Finding(item, "wrong" if wrong else "doubtful", found, allowed, remedy)


# ---- sonar -----------------------------------------------------------------------------------------------


def _check_sonar(sonar: Sonar) -> Iterator[Finding]:
    where = f"/{sonar.side}"
    rate_hz = 1 / sonar.sample_interval_s
    yield Finding(
        f"{where} sampling",
        "ok",
        f"{rate_hz:g} complex samples a second for a sweep of {sonar.bandwidth_hz:g} Hz",
    )
    low, high = sorted((sonar.frequency_start_hz, sonar.frequency_stop_hz))
    yield _verdict(
        f"{where} oscillator",
        low <= sonar.centre_frequency_hz <= high,
        f"{sonar.centre_frequency_hz:g} Hz, sweep from {low:g} to {high:g} Hz",
        "a centre_frequency inside the sweep",
        "Check that it is the demodulator's frequency, in Hz.",
    )
    window_s = sonar.n_sample * sonar.sample_interval_s
    yield _verdict(
        f"{where} window",
        window_s > sonar.pulse_duration_s,
        f"{window_s:g} s of samples for a pulse of {sonar.pulse_duration_s:g} s",
        "a window longer than the pulse",
        "Check sample_interval and transmit_duration_nominal, in seconds.",
        wrong=True,
    )
    yield from _check_array(sonar, where)
    if sonar.replica is not None:
        length_s = sonar.replica.size * sonar.sample_interval_s
        yield _verdict(
            f"{where}/replica",
            abs(length_s - sonar.pulse_duration_s)
            <= 0.1 * sonar.pulse_duration_s + 2 * sonar.sample_interval_s,
            f"{length_s:g} s long for a pulse of {sonar.pulse_duration_s:g} s",
            "as long as the pulse, within a tenth",
            "Cut it to the pulse; it is sampled as the echoes are.",
        )


def _check_array(sonar: Sonar, where: str) -> Iterator[Finding]:
    position = sonar.element_position_m
    pitch_m = float(np.diff(position[..., 0], axis=1).min())
    yield Finding(
        f"{where} channels",
        "ok",
        f"{sonar.n_channel} from aft to fore, pitch from {pitch_m * 1e3:.4g} mm",
    )
    yield _verdict(
        f"{where} receivers",
        sonar.receive_size_m[0] <= 1.05 * pitch_m,
        f"{sonar.receive_size_m[0] * 1e3:.4g} mm long at a pitch of {pitch_m * 1e3:.4g} mm",
        "receivers that don't overlap",
        "Check receive_size (along, vertical), in metres.",
    )
    if sonar.n_row > 1:
        yield _verdict(
            f"{where} rows",
            bool((np.diff(position[..., 2], axis=0) < 0).all()),
            f"{sonar.n_row}, down coordinate from {position[0, 0, 2]:g} to {position[-1, 0, 2]:g} m",
            "rows from bottom to top: their down coordinate falls",
            "Reverse the row axis of positions and echoes.",
            wrong=True,
        )
    reach_m = float(np.abs(np.concatenate([position.reshape(-1, 3), sonar.transmit_position_m[None]])).max())
    yield _verdict(
        f"{where} lever arm",
        reach_m < 30,
        f"up to {reach_m:.4g} m from the body's origin",
        "less than 30 m",
        "Check that positions are in metres, from the point whose north, east and depth the navigation gives.",
    )


# ---- platform --------------------------------------------------------------------------------------------


def _check_platform(platform: Platform) -> Iterator[Finding]:
    time_s = (platform.time_ns - platform.time_ns[0]).astype(np.float64) / NANOSECONDS_PER_SECOND
    gap_s = float(np.diff(time_s).max()) if time_s.size > 1 else 0.0
    yield _verdict(
        "/platform rows",
        gap_s <= LONGEST_GAP_S,
        f"{time_s.size} in {time_s[-1]:.4g} s, at most {gap_s:.3g} s apart",
        f"at most {LONGEST_GAP_S:g} s apart",
        "Write all rows that there are.",
    )
    for name, limit in (("heading", 2 * np.pi), ("pitch", np.pi / 2), ("roll", np.pi)):
        angle = getattr(platform, f"{name}_rad")
        largest = float(np.abs(angle).max())
        if name == "heading" and np.all(np.abs(np.diff(angle)) < LARGEST_TURN_RAD):
            # A heading that is counted on through north may go beyond a circle; one in degrees begins beyond it.
            largest = float(abs(angle[0]))
        yield _verdict(
            f"/platform/{name}",
            largest <= limit + 1e-6,
            f"up to {largest:.4g} rad in size",
            f"at most {limit:.4g} rad",
            "Convert degrees to radians.",
            wrong=True,
        )
    yield _verdict(
        "/platform/depth",
        float(platform.depth_m.min()) > -1,
        f"{platform.depth_m.min():.4g} to {platform.depth_m.max():.4g} m",
        "positive downward from the surface",
        "Change its sign.",
    )
    if time_s.size > 1:
        step_m = np.hypot(np.diff(platform.north_m), np.diff(platform.east_m))
        speed_m_s = float(np.median(step_m / np.diff(time_s)))
        yield _verdict(
            "/platform speed",
            speed_m_s <= FASTEST_M_S,
            f"{speed_m_s:.3g} m/s, from north and east",
            f"at most {FASTEST_M_S:g} m/s",
            "Check that north and east are in metres and time in nanoseconds.",
        )


def _check_altitude(platform: Platform, recording: Recording) -> Finding:
    altitude_m = platform.altitude_m
    known = altitude_m is not None and np.isfinite(altitude_m)
    if np.any(known):
        values = altitude_m[np.isfinite(altitude_m)]
        return _verdict(
            "/platform/altitude",
            float(values.min()) > 0,
            f"{values.min():.4g} to {values.max():.4g} m, known in {values.size} of {altitude_m.size} rows",
            "above 0, NaN where unknown",
            "Write NaN where the altimeter had no echo.",
            wrong=True,
        )
    depth_m = recording.water().depth_m
    if depth_m is not None:
        return _verdict(
            "altitude",
            float(platform.depth_m.max()) < depth_m,
            f"from water_depth {depth_m:g} m and depth",
            "a water_depth below the body",
            "Check both, in metres from the surface.",
            wrong=True,
        )
    return Finding(
        "altitude",
        "missing",
        "neither altitude nor water_depth",
        "optional: one of them",
        "Without it the bottom must be found in the echoes.",
    )


# ---- pings -----------------------------------------------------------------------------------------------


def _check_times(recording: Recording, side: str, platform: Platform) -> Iterator[Finding]:
    time_ns = recording.ping_time_ns(side).astype(np.int64)
    step_s = np.diff(time_ns) / NANOSECONDS_PER_SECOND
    late = np.flatnonzero(step_s <= 0)
    yield _verdict(
        f"/{side}/ping_time",
        late.size == 0,
        f"{time_ns.size} pings"
        + (f", ping {late[0] + 1} isn't later than the one before" if late.size else ""),
        "strictly increasing",
        "Write the pings in order of time, each once.",
        wrong=True,
    )
    sonar = recording.sonar(side)
    window_s = sonar.first_sample_delay_s + sonar.n_sample * sonar.sample_interval_s
    if step_s.size and not late.size:
        yield _verdict(
            f"/{side} ping interval",
            float(step_s.min()) >= window_s * (1 - 1e-6),
            f"{step_s.min():.4g} to {step_s.max():.4g} s, samples until {window_s:.4g} s",
            "the next ping after the last sample",
            "Check ping_time, in nanoseconds, and sample_interval.",
        )
    first_s, last_s = (
        (platform.time_ns[k].astype(np.int64) - time_ns[k]) / NANOSECONDS_PER_SECOND for k in (0, -1)
    )
    margin_s = LONGEST_GAP_S
    yield _verdict(
        f"/platform for {side}",
        first_s <= margin_s and last_s + margin_s >= 0,
        f"from {first_s:+.3g} s of the first ping to {last_s:+.3g} s of the last",
        f"rows that cover the pings within {margin_s:g} s",
        "Check that both use the same clock, in nanoseconds since 1970-01-01 UTC.",
        wrong=True,
    )


@dataclass(slots=True)
class _EchoSums:
    """What the echoes of one side add up to."""

    power: NDArray[np.float64]
    n_ping: int = 0
    n_clipped: int = 0
    n_sample: int = 0
    bad: int = -1
    n_bad: int = 0

    def add(self, ping: Ping, limit: float) -> None:
        """Take one ping's echoes."""
        parts = np.ascontiguousarray(ping.echo).view(np.float32)
        power = np.einsum("rcs,rcs->rc", parts, parts, dtype=np.float64)
        if not np.isfinite(power).all():
            self.bad = ping.number if self.bad < 0 else self.bad
            self.n_bad += 1
            return
        self.power += power
        self.n_ping += 1
        self.n_sample += parts.size
        self.n_clipped += int(np.count_nonzero(np.abs(parts) >= limit))


def _sums(recording: Recording, side: str, most_pings: int | None) -> _EchoSums:
    sonar = recording.sonar(side)
    n = recording.n_ping(side)
    count = n if most_pings is None else min(n, most_pings)
    # Without a stated level only the ends of 16-bit storage are known to be clipped.
    limit = sonar.saturation_level if sonar.saturation_level is not None else np.iinfo(np.int16).max
    sums = _EchoSums(np.zeros((sonar.n_row, sonar.n_channel)))
    for k in np.unique(np.linspace(0, n - 1, count).round().astype(int)):
        try:
            sums.add(recording.ping(side, int(k)), limit)
        except DataError:
            if not recording.n_rejected(side):
                raise
    return sums


def _check_echoes(recording: Recording, side: str, most_pings: int | None) -> Iterator[Finding]:
    sonar = recording.sonar(side)
    sums = _sums(recording, side, most_pings)
    n_read = sums.n_ping + sums.n_bad + recording.n_rejected(side)
    yield _verdict(
        f"/{side}/checksum",
        recording.n_rejected(side) == 0,
        f"{recording.n_rejected(side)} of {n_read} pings read disagree"
        if recording.has_checksum(side)
        else f"no checksums, {n_read} pings read",
        "none",
        "These pings are left out; copy the file again if the original is whole.",
        wrong=True,
    )
    yield _verdict(
        f"/{side}/echo values",
        sums.n_bad == 0,
        f"{n_read} pings read"
        + (f", {sums.n_bad} not finite, the first is {sums.bad}" if sums.n_bad else ""),
        "finite numbers",
        "Write 0 for samples that are missing.",
        wrong=True,
    )
    if not sums.n_ping:
        return
    yield _check_channels(sonar, sums.power)
    share = sums.n_clipped / sums.n_sample
    if sonar.saturation_level is not None or recording.stores_integers(side):
        yield _verdict(
            f"/{side} saturation",
            share <= SATURATED,
            f"{share:.2%} of the samples at the limit",
            f"at most {SATURATED:.1%}",
            "Lower the gain: clipped echoes smear in range and angle.",
        )


def _check_channels(sonar: Sonar, power: NDArray[np.float64]) -> Finding:
    live = sonar.live
    median = float(np.median(power[live]))
    silent = live & (power <= median * 10 ** (DEAD_DB / 10))
    places = [tuple(int(i) for i in place) for place in np.argwhere(silent)]
    item = f"/{sonar.side} receivers alive"
    if median == 0:
        return Finding(item, "wrong", "all echoes are 0", "echoes", "Check what was written.")
    return _verdict(
        item,
        not places,
        f"{int(live.sum()) - len(places)} of {live.size}"
        + (f", silent (row, channel): {', '.join(map(str, places[:4]))}" if places else ""),
        "each within 40 dB of the median",
        "Mark them with 0 in element_ok.",
    )
