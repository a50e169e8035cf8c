"""What the navigation logs: the true motion, late, with errors, gaps and spells of silence, in its own steps.

Order of events for one row: the state of ``latency_s`` ago is measured; bias, noise and random walks are added; the
errors of speed and heading carry north and east away (dead reckoning); values are rounded; a frozen spell repeats the
last good row; the row is stamped by a clock that is ``clock_offset_s`` ahead; it may be dropped.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.records import Platform

from .motion import Track
from .ping_times import ping_times_ns, seconds_from_start
from .relief import Relief
from .scenario import NavigationTable, Scenario
from .water_column import sound_speed_at_m_s

__all__ = ["navigation_truth", "platform"]

_NAVIGATION = 11  # stream of the seed
# Streams within it, by what they disturb: a new one goes to the end, or old scenarios change.
_STREAMS = (
    "heading",
    "attitude",
    "speed",
    "walk",
    "position",
    "depth",
    "altitude",
    "dropped",
    "frozen",
    "sound",
)
_NO_ERROR = {
    "rate_hz",
    "altitude",
    "speeds",
    "rates",
    "origin_latitude_deg",
    "origin_longitude_deg",
    "position",
    "freeze_s",
    "heading_uncertainty_deg",
    "velocity_uncertainty_m_s",
    # Of the water, not of the pose.
    "sound_speed_at_array",
    "sound_speed_bias_m_s",
    "sound_speed_noise_m_s",
}
_ANGLES = ("heading_rad", "pitch_rad", "roll_rad")
_PLACES = ("north_m", "east_m", "depth_m")
_SPEEDS = ("speed_forward_m_s", "speed_starboard_m_s", "speed_down_m_s")
_SOUND = "sound_speed_at_array_m_s"
_RATES = ("heading_rate_rad_s", "pitch_rate_rad_s", "roll_rate_rad_s")


def platform(scenario: Scenario) -> Platform:
    """Return what the navigation says, at its own rate or at the ping times."""
    true_ns = _row_times_ns(scenario)
    table = scenario.navigation
    columns = _logged(scenario, seconds_from_start(scenario, true_ns))
    if _has_errors(table):
        _freeze(scenario, true_ns, columns)
    kept = _kept(scenario, true_ns.size)
    stamp = (true_ns.astype(np.int64) + round((table.clock_offset_s or 0.0) * 1e9)).astype(np.uint64)
    heading, velocity = _uncertainties(scenario)
    return Platform(
        time_ns=stamp[kept],
        **{name: column[kept] for name, column in columns.items()},
        heading_uncertainty_rad=heading,
        velocity_uncertainty_m_s=velocity,
    )


def navigation_truth(scenario: Scenario) -> dict[str, NDArray[Any]]:
    """Return by how much each logged row is wrong; nothing where the navigation is free of error.

    Returns
    -------
    dict of str to ndarray
        For the rows of :func:`platform`: ``navigation_true_time_ns`` (row,), when each was logged by the sonar's clock;
        ``navigation_position_error_m``, ``navigation_angle_error_rad``, ``navigation_speed_error_m_s`` (row, 3) in the
        order of the columns, what is logged less what was true at that time.
    """
    if not _has_errors(scenario.navigation):
        return {}
    true_ns = _row_times_ns(scenario)
    true_ns = true_ns[_kept(scenario, true_ns.size)]
    said, true = platform(scenario), _true_columns(scenario, seconds_from_start(scenario, true_ns))
    out: dict[str, NDArray[Any]] = {"navigation_true_time_ns": true_ns}
    groups = (("position_error_m", _PLACES), ("angle_error_rad", _ANGLES), ("speed_error_m_s", _SPEEDS))
    for name, columns in groups:
        if all(getattr(said, c) is not None for c in columns):
            wrong = [getattr(said, c) - true[c] for c in columns]
            out[f"navigation_{name}"] = np.stack(wrong, axis=-1)
    return out


def _has_errors(table: NavigationTable) -> bool:
    return any(getattr(table, f.name) for f in fields(table) if f.name not in _NO_ERROR)


def _row_times_ns(scenario: Scenario) -> NDArray[np.uint64]:
    """When rows are logged, by the sonar's clock."""
    table, vehicle = scenario.navigation, scenario.vehicle
    if table.rate_hz is None:
        return ping_times_ns(scenario)
    # Two rows more at either end, so that the whole of each ping can be interpolated, and what a wrong clock misses.
    more = 2 + int(np.ceil(abs(table.clock_offset_s or 0.0) * table.rate_hz))
    last = vehicle.duration_s + 1 / vehicle.ping_rate_hz
    number = np.arange(-more, int(np.ceil(last * table.rate_hz)) + more + 1)
    step = np.rint(number * (1e9 / table.rate_hz)).astype(np.int64)
    return (np.int64(vehicle.start_time_ns) + step).astype(np.uint64)


def _true_columns(scenario: Scenario, time_s: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    track = Track.of(scenario)
    groups = (
        (_PLACES, track.position(time_s)),
        (_ANGLES, track.angles(time_s)),
        (_SPEEDS, track.levelled_velocity(time_s)),
        (_RATES, track.angle_rates(time_s)),
    )
    columns = {name: column for names, array in groups for name, column in zip(names, array.T, strict=True)}
    columns["altitude_m"] = _altitude_m(scenario, columns)
    columns[_SOUND] = _sound_speed_m_s(scenario, track, time_s)
    return columns


def _altitude_m(scenario: Scenario, columns: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Down to the slope, without the ripples and pits on it: the beam of an altimeter is wider than they are."""
    relief = Relief.of(scenario)
    return relief.plane_depth_m(columns["north_m"], columns["east_m"]) - columns["depth_m"]


def _sound_speed_m_s(scenario: Scenario, track: Track, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """At the middle of the receivers; of both sides, whose depths differ by their roll, the middle between them."""
    middle = np.array([scenario.sonar.array_forward_m, 0.0, scenario.sonar.array_down_m])
    return sound_speed_at_m_s(scenario, track.points(time_s, middle)[:, 2])


def _logged(scenario: Scenario, time_s: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Return the columns with all errors of value, before rows freeze or go missing."""
    table = scenario.navigation
    columns = _true_columns(scenario, time_s - (table.latency_s or 0.0))
    if _has_errors(table):
        true = dict(columns)
        _add_angle_errors(scenario, columns)
        _add_speed_errors(scenario, time_s, columns)
        if table.position == "dead_reckoned":
            _carry_away(time_s, true, columns)
        _add_place_errors(scenario, columns)
        _round(table, columns)
    if table.sound_speed_bias_m_s or table.sound_speed_noise_m_s:
        noise = (table.sound_speed_noise_m_s or 0.0) * _normal(scenario, "sound", columns[_SOUND].size)
        columns[_SOUND] = columns[_SOUND] + (table.sound_speed_bias_m_s or 0.0) + noise
    left_out = {"altitude_m"} if not table.altitude else set()
    left_out |= set() if table.speeds else set(_SPEEDS)
    left_out |= set() if table.rates else set(_RATES)
    left_out |= set() if table.sound_speed_at_array else {_SOUND}
    return {name: column for name, column in columns.items() if name not in left_out}


def _normal(scenario: Scenario, stream: str, *shape: int) -> NDArray[np.float64]:
    return _rng(scenario, stream).standard_normal(shape)


def _rng(scenario: Scenario, stream: str) -> np.random.Generator:
    key = (_NAVIGATION, _STREAMS.index(stream))
    return np.random.default_rng(np.random.SeedSequence(scenario.seed, spawn_key=key))


def _add_angle_errors(scenario: Scenario, columns: dict[str, NDArray[np.float64]]) -> None:
    table, n = scenario.navigation, columns["heading_rad"].size
    noise = np.concatenate(
        [
            (table.heading_noise_deg or 0.0) * _normal(scenario, "heading", 1, n),
            (table.attitude_noise_deg or 0.0) * _normal(scenario, "attitude", 2, n),
        ]
    )
    bias = (table.heading_bias_deg, table.pitch_bias_deg, table.roll_bias_deg)
    for name, constant, varying in zip(_ANGLES, bias, noise, strict=True):
        columns[name] = columns[name] + np.deg2rad((constant or 0.0) + varying)


def _add_speed_errors(
    scenario: Scenario, time_s: NDArray[np.float64], columns: dict[str, NDArray[np.float64]]
) -> None:
    table, n = scenario.navigation, time_s.size
    error = (table.velocity_noise_m_s or 0.0) * _normal(scenario, "speed", 3, n)
    # The walk begins with the first row.
    step = _normal(scenario, "walk", 2, n) * np.sqrt(np.diff(time_s, prepend=time_s[0]))
    error[:2] += (table.velocity_walk_m_s or 0.0) * np.cumsum(step, axis=1)
    error[0] += table.velocity_bias_forward_m_s or 0.0
    error[1] += table.velocity_bias_starboard_m_s or 0.0
    for name, wrong in zip(_SPEEDS, error, strict=True):
        columns[name] = columns[name] + wrong


def _over_ground(columns: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    """North and east speed that heading and levelled speeds stand for, (2, row)."""
    cos, sin = np.cos(columns["heading_rad"]), np.sin(columns["heading_rad"])
    forward, starboard = (columns[name] for name in _SPEEDS[:2])
    return np.stack([cos * forward - sin * starboard, sin * forward + cos * starboard])


def _carry_away(
    time_s: NDArray[np.float64], true: dict[str, NDArray[np.float64]], columns: dict[str, NDArray[np.float64]]
) -> None:
    """Add what errors of speed and heading come to, from the first row on.

    Only the error is integrated, by trapezoids between rows: without errors the place stays the true one to the bit.
    """
    wrong = _over_ground(columns) - _over_ground(true)
    step = (wrong[:, 1:] + wrong[:, :-1]) / 2 * np.diff(time_s)
    for name, drift in zip(_PLACES[:2], step, strict=True):
        columns[name] = columns[name] + np.concatenate([[0.0], np.cumsum(drift)])


def _add_place_errors(scenario: Scenario, columns: dict[str, NDArray[np.float64]]) -> None:
    table, n = scenario.navigation, columns["north_m"].size
    north, east = (table.position_noise_m or 0.0) * _normal(scenario, "position", 2, n)
    columns["north_m"], columns["east_m"] = columns["north_m"] + north, columns["east_m"] + east
    columns["depth_m"] = columns["depth_m"] + (table.depth_noise_m or 0.0) * _normal(scenario, "depth", n)
    wrong = (table.altitude_bias_m or 0.0) + (table.altitude_noise_m or 0.0) * _normal(
        scenario, "altitude", n
    )
    columns["altitude_m"] = columns["altitude_m"] + wrong


def _round(table: NavigationTable, columns: dict[str, NDArray[np.float64]]) -> None:
    angle = None if table.angle_step_deg is None else np.deg2rad(table.angle_step_deg)
    groups = (
        (_ANGLES, angle),
        ((*_PLACES, "altitude_m"), table.position_step_m),
        (_SPEEDS, table.speed_step_m_s),
    )
    for names, step in groups:
        for name in names if step else ():
            columns[name] = np.rint(columns[name] / step) * step


def _freeze(scenario: Scenario, true_ns: NDArray[np.uint64], columns: dict[str, NDArray[np.float64]]) -> None:
    """Let rows repeat what the last row before their spell said."""
    part, spell = scenario.navigation.frozen, scenario.navigation.freeze_s
    if not part:
        return
    time_s = seconds_from_start(scenario, true_ns)
    gap = spell * (1 - part) / part
    n = int(np.ceil((time_s[-1] - time_s[0]) / spell)) + 1  # more never fit
    begin = time_s[0] + np.cumsum(_rng(scenario, "frozen").exponential(gap, n)) + spell * np.arange(n)
    last = np.searchsorted(begin, time_s, side="right") - 1
    frozen = (last >= 0) & (time_s < begin[last] + spell)
    frozen[0] = False
    good = np.maximum.accumulate(np.where(frozen, 0, np.arange(time_s.size)))
    for name in columns:
        columns[name] = columns[name][good]


def _kept(scenario: Scenario, n_row: int) -> NDArray[np.bool_]:
    """Rows that are not missing; the first and the last never are."""
    part = scenario.navigation.dropped
    if not part:
        return np.ones(n_row, bool)
    kept = _rng(scenario, "dropped").random(n_row) >= part
    kept[[0, -1]] = True
    return kept


def _uncertainties(scenario: Scenario) -> tuple[float | None, float | None]:
    """Heading and velocity uncertainty as stated, else the root mean square of the errors over the line."""
    table = scenario.navigation
    heading = table.heading_uncertainty_deg
    if heading is None and _has_errors(table):
        heading = _rms(table.heading_bias_deg, table.heading_noise_deg, _step_rms(table.angle_step_deg))
    velocity = table.velocity_uncertainty_m_s
    if velocity is None and _has_errors(table):
        bias = [
            v / np.sqrt(2) for v in (table.velocity_bias_forward_m_s, table.velocity_bias_starboard_m_s) if v
        ]
        walk = (table.velocity_walk_m_s or 0.0) * np.sqrt(scenario.vehicle.duration_s / 2)
        velocity = _rms(*bias, table.velocity_noise_m_s, walk, _step_rms(table.speed_step_m_s))
    return (
        None if heading is None else float(np.deg2rad(heading)),
        None if velocity is None else float(velocity),
    )


def _rms(*parts: float | None) -> float:
    return float(np.sqrt(sum((p or 0.0) ** 2 for p in parts)))


def _step_rms(step: float | None) -> float:
    return (step or 0.0) / np.sqrt(12)
