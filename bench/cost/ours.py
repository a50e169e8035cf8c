"""The project's own stages on the rivals' case, through the doors that the imaging itself uses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pingloom.imaging.aligned import aligned_zeros
from pingloom.imaging.beamform import Beamformer, BeamformSettings
from pingloom.imaging.chain import Chain, ChainSettings, ChainState
from pingloom.imaging.compress import Compressor, CompressSettings
from pingloom.imaging.focus import Focuser
from pingloom.imaging.frames import StripFrame, Trajectory
from pingloom.imaging.lay import GridSettings
from pingloom.imaging.laying import Layer
from pingloom.imaging.records import Pattern, Ping, Platform, Sonar, Water

from .cases import Case, delay_and_sum_reference, intensity, pulse, replica
from .timing import clock

__all__ = [
    "CaseChain",
    "EchoMaker",
    "back_projector",
    "beams",
    "case_sonar",
    "compressor",
    "focuser",
    "missed_pixels",
    "one_look_reference",
    "parts",
]

_START_NS = 2_000_000_000_000_000_000
_STEEPEST_DEG = 89.0
_READING_ERROR = 2e-2
"""Of a channel between its samples, worst place: about what the rivals' linear reading of fourfold samples has."""


def case_sonar(case: Case, side: str = "starboard") -> Sonar:
    """Describe the case as a recording does, with receivers that hear all round.

    Its filter, pulse times window, stands as the recorded replica (so scaled that no further window leaves the case's
    own scale): which samples of a window a chain takes is its own affair.
    """
    weighted = replica(case)
    weighted = weighted / np.vdot(weighted, weighted).real
    flat = Pattern(angle_rad=np.array([-np.pi, np.pi]), gain_db=np.zeros(2))
    place = np.zeros((1, case.n_channel, 3))
    place[0, :, 0] = case.element_m
    return Sonar(
        side=side,
        frequency_start_hz=case.carrier_hz - case.bandwidth_hz / 2,
        frequency_stop_hz=case.carrier_hz + case.bandwidth_hz / 2,
        pulse_duration_s=case.pulse_s,
        centre_frequency_hz=case.carrier_hz,
        sample_interval_s=1 / case.sampling_hz,
        first_sample_delay_s=0.0,
        n_sample=case.n_sample,
        transmit_position_m=np.zeros(3),
        transmit_size_m=np.array([0.028, 0.003]),
        receive_size_m=np.array([case.pitch_m, 0.003]),
        depression_rad=np.deg2rad(20.0),
        element_position_m=place,
        replica=weighted.astype(np.complex64),
        pattern_transmit_along=flat,
        pattern_transmit_vertical=flat,
        pattern_receive_along=flat,
        pattern_receive_vertical=flat,
    )


def compressor(case: Case) -> Compressor:
    """Pulse compression of the case."""
    return Compressor.prepare(case_sonar(case), CompressSettings(window="none"))


def parts(channels: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Channels (channel, sample) as the filter hands them on: real and imaginary parts that begin on a cache line."""
    out = aligned_zeros(2, *channels.shape)
    out[:] = channels.real, channels.imag
    return out


def beams(case: Case) -> tuple[Callable[[NDArray[np.float32]], NDArray[np.float32]], Beamformer]:
    """(parts of the compressed channels) -> (beam, sample) intensity in the case's directions, with its weights and sampling.

    The plan comes with it.
    """
    plan = Beamformer.prepare(
        case_sonar(case),
        compressor(case),
        BeamformSettings(),
        sound_speed_m_s=case.sound_speed_m_s,
        nearest_range_m=case.altitude_m,
        direction=case.sin_beam,
        shading=case.shading,
    )
    buffer = plan.allocate()
    return lambda channels: plan.detect(channels, buffer), plan


class CaseChain:
    """The whole chain on the case: same sector, same pixels, a vehicle that stands still during the ping."""

    def __init__(
        self,
        case: Case,
        echo: NDArray[np.complex64],
        *,
        along_m: float = 20.0,
        heading_rad: float = 0.01,
        margins: bool = False,
        settings: ChainSettings | None = None,
    ) -> None:
        sonar = case_sonar(case)
        # Beams for turns and speeds during the echo are only wanted where the vehicle may move.
        bounds = {} if margins else {"yaw_rate_bound_deg_s": 0.0, "speed_bound_m_s": 0.0}
        self.settings = settings or ChainSettings(
            compress=CompressSettings(window="none"),
            beamform=BeamformSettings(sector_deg=float(np.rad2deg(case.sector_rad)), **bounds),
            grid=GridSettings(
                along_m=case.pixel_along_m,
                across_m=case.pixel_across_m,
                steepest_grazing_deg=_STEEPEST_DEG,
                heading_deg=0.0,
            ),
        )
        self.trajectory = Trajectory.from_platform(_still(case, along_m, heading_rad))
        water = Water(sound_speed_m_s=case.sound_speed_m_s, absorption_db_m=0.0)
        self.chain = Chain.prepare({"starboard": sonar}, water, self.trajectory, self.settings)
        self.ping = Ping(side="starboard", number=0, time_ns=_START_NS, echo=np.ascontiguousarray(echo[None]))
        self.state = self.start()

    def start(self) -> ChainState:
        """An empty strip that runs north from the origin."""
        return self.chain.start(StripFrame(0.0, 0.0, 0.0))

    def step(self) -> int:
        """Add the ping once more; return the number of pixels that got a look."""
        self.state, _, reports = self.chain.step(self.state, self.ping, self.trajectory)
        return reports[0].added

    def laying(self) -> Callable[[], int]:
        """The last stage by itself: lay the ping's look, whose field is there already, once more."""
        kept = _Kept(self.chain.layer)
        chain = replace(self.chain, layer=kept)
        self.state, _, _ = chain.step(self.state, self.ping, self.trajectory)
        return lambda: kept.layer.look(*kept.looked)[0]

    def stage(self, *names: str) -> Callable[[], float]:
        """A candidate that images the ping and counts only the stages of these names. [s]"""

        def run() -> float:
            taken = 0.0
            last = clock()

            def note(stage: str) -> None:
                nonlocal taken, last
                now = clock()
                if stage in names:
                    taken += now - last
                last = clock()

            self.state, _, _ = self.chain.step(self.state, self.ping, self.trajectory, observe=note)
            return taken

        return run

    def one_look(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Along and across place (pixel,) and backscatter (pixel,) of one look, noise left in."""
        state, tiles, _ = self.chain.step(self.start(), self.ping, self.trajectory)
        last, _ = self.chain.finish(state, self.trajectory)
        found = []
        for tile in tiles + last:
            row, column = np.nonzero(tile.coverage)
            level = tile.intensity[row, column].astype(float)
            noise = tile.noise_equivalent[row, column].astype(float)
            found.append((tile.first_along + row, tile.first_across + column, level + np.nan_to_num(noise)))
        row, column, level = (np.concatenate(p) for p in zip(*found, strict=True))
        grid = self.chain.grid
        return (row + 0.5) * grid.along_m, (column + 0.5) * grid.across_m, level


class _Kept:
    """A layer that keeps what it was last given."""

    def __init__(self, layer: Layer) -> None:
        self.layer = layer
        self.looked: tuple[Any, ...] = ()

    def look(self, *given: Any) -> tuple[int, int, int]:
        self.looked = given
        return self.layer.look(*given)


def missed_pixels(
    case: Case,
    echo: NDArray[np.complex64],
    heading_rad: float,
    *,
    last_share: float = 1.0,
    nadir_m: float = 0.0,
) -> tuple[int, int]:
    """Pixels of the turned sector that got no look, and pixels of the sector, each worked out in float64 by itself.

    ``last_share`` of the farthest wholly recorded range and ``nadir_m`` across track cut off the sector's ends.
    """
    place_m = 20.0
    chain = CaseChain(case, echo, along_m=place_m, heading_rad=heading_rad)
    along, across, _ = chain.one_look()
    grid, plan = chain.chain.grid, chain.chain.sides["starboard"]
    reach_m = grid.n_column * grid.across_m
    rows = np.arange(int((place_m - reach_m) / grid.along_m), int((place_m + reach_m) / grid.along_m))
    north, east = np.meshgrid(
        (rows + 0.5) * grid.along_m - place_m, (np.arange(grid.n_column) + 0.5) * grid.across_m, indexing="ij"
    )
    cos, sin = np.cos(heading_rad), np.sin(heading_rad)
    ahead, abeam = cos * north + sin * east, cos * east - sin * north
    slant = np.sqrt(ahead**2 + abeam**2 + case.altitude_m**2)
    last_m = plan.compressor.last_delay_s * case.sound_speed_m_s / 2 * last_share
    # A hair inside all edges: pixels right on one may fall either way in single precision.
    inside = (
        (abs(ahead / slant) < np.sin(case.sector_rad / 2) - 1e-6)
        & (slant < last_m - 1e-3)
        & (abeam > nadir_m)
    )
    inside &= case.altitude_m / slant < np.sin(np.deg2rad(_STEEPEST_DEG)) - 1e-6
    seen = np.zeros(inside.shape, bool)
    seen[
        np.rint(along / grid.along_m - 0.5).astype(int) - rows[0],
        np.rint(across / grid.across_m - 0.5).astype(int),
    ] = True
    return int((inside & ~seen).sum()), int(inside.sum())


def _still(case: Case, along_m: float, heading_rad: float) -> Platform:
    """A vehicle that stays where it is."""
    zero = np.zeros(2)
    return Platform(
        time_ns=np.array([_START_NS, _START_NS + 1_000_000_000], np.uint64),
        north_m=zero + along_m,
        east_m=zero,
        depth_m=zero + 10.0,
        heading_rad=zero + heading_rad,
        pitch_rad=zero,
        roll_rad=zero,
        altitude_m=zero + case.altitude_m,
    )


def one_look_reference(
    case: Case,
    own: CaseChain,
    compressed: NDArray[np.complex128],
    along_m,
    across_m,
    *,
    vehicle_along_m: float = 20.0,
    heading_rad: float = 0.01,
) -> NDArray[np.float64]:
    """Float64 backscatter (pixel,) of one look: exact sum at each pixel over the level of a flat seabed.

    The level is the sonar equation without patterns and absorption: spreading both ways times the area of a cell.
    """
    plan = own.chain.sides["starboard"]
    cos, sin = np.cos(heading_rad), np.sin(heading_rad)
    north, east = along_m - vehicle_along_m, across_m
    ahead, abeam = cos * north + sin * east, cos * east - sin * north
    slant = np.sqrt(ahead**2 + abeam**2 + case.altitude_m**2)
    field = delay_and_sum_reference(case, compressed, ahead, slant, plan.beamformer.shading)
    cosine_grazing = np.sqrt(1 - (case.altitude_m / slant) ** 2)
    cosine_azimuth = abeam / np.hypot(ahead, abeam)
    area = plan.radiometer.cell * slant / (cosine_grazing * cosine_azimuth)
    return intensity(field) / (slant**-4.0 * area)


class EchoMaker:
    """Echoes (channel, sample) of given scatterers: x (along), y, z from the array's middle, and their amplitude.

    The simulator spreads sound, absorbs it and turns patterns, which the rivals don't. Without absorption, and with a
    transmitter and receivers of no size, spreading is left; the reference knows it.
    """

    def __init__(self, case: Case) -> None:
        from pingloom.simulate.echoes import echo_maker, sonars
        from pingloom.simulate.side_plan import SidePlan

        self.case = case
        scenario = _bare_scenario(case)
        plan = SidePlan.of(scenario, sonars(scenario)["starboard"], "fast")
        self._make = echo_maker(scenario, "starboard")
        self.transform = (plan.length, plan.factor)
        """Points of an echo's transform, steps of the fine grid in a sample."""

    def run(self, x, y, z, amplitude) -> NDArray[np.complex64]:
        """Make the echo as the simulator does."""
        from pingloom.simulate.scene import Scatterers

        # The case's amplitudes are real: half a turn where negative, without an arc tangent for each.
        cycles = np.angle(amplitude) / (2 * np.pi) if np.iscomplexobj(amplitude) else 0.5 * (amplitude < 0)
        return self._make(Scatterers(np.stack([x, y, z]), np.abs(amplitude), cycles, np.zeros(3)))[0]

    def reference(self, x, y, z, amplitude) -> NDArray[np.complex128]:
        """Sum the same echoes in float64, frequency by frequency.

        An echo is the band-limited shift of the sampled pulse, which is what the simulator states; the pulse between
        its samples, as the rivals have it, differs from that by what it holds beyond half the sampling rate (6e-3).
        """
        case = self.case
        n = self.transform[0]
        sent = pulse(case, np.arange(round(case.pulse_s * case.sampling_hz) + 1) / case.sampling_hz)
        # The simulator counts the sweep's phase from its start, the case from its middle.
        sent = sent * np.exp(-1j * np.pi * case.bandwidth_hz * case.pulse_s / 4)
        bins = np.fft.fftfreq(n)[:, None]
        out = np.sqrt(x**2 + y**2 + z**2)
        rows = []
        for element in case.element_m:
            back = np.sqrt((x - element) ** 2 + y**2 + z**2)
            value = amplitude / (out * back) * np.exp(-1j * case.wavenumber * (out + back))
            rows.append(np.exp(-2j * np.pi * bins * ((out + back) * case.per_metre)) @ value)
        return np.fft.ifft(np.array(rows) * np.fft.fft(sent, n))[:, : case.n_sample]


def _bare_scenario(case: Case):
    """The case for the simulator: points of no size in still water, level such that a unit target at 1 m echoes 1."""
    from pingloom.simulate.scenario import Scenario, SeabedTable, SonarTable, VehicleTable, WaterTable

    tiny = 1e-9
    return Scenario(
        sonar=SonarTable(
            n_channel=case.n_channel,
            channel_pitch_m=case.pitch_m,
            receive_along_m=tiny,
            receive_vertical_m=tiny,
            transmit_along_m=tiny,
            transmit_vertical_m=tiny,
            centre_frequency_hz=case.carrier_hz,
            sweep_hz=case.bandwidth_hz,
            pulse_duration_s=case.pulse_s,
            pulse_taper=0.1,
            sample_rate_hz=case.sampling_hz,
            range_stop_m=case.n_sample / case.sampling_hz * case.sound_speed_m_s / 2,
            source_level_db=120 - 20 * np.log10(np.sqrt(2)),
        ),
        vehicle=VehicleTable(n_ping=1, speed_m_s=0.0, altitude_m=case.altitude_m, depth_m=0.0),
        water=WaterTable(sound_speed_m_s=case.sound_speed_m_s, absorption_db_m=0.0, noise=False),
        seabed=SeabedTable(present=False),
    )


def back_projector(case: Case) -> Callable[..., NDArray[np.complex64]]:
    """(data, along_m, slant_m) -> (pixel,) sum over channels, plan included; ``data`` at the recorded rate."""

    def run(data, along_m, slant_m):
        out = np.empty(along_m.size, np.complex64)
        focuser(case, along_m, slant_m).run(data, out)
        return out

    return run


def focuser(case: Case, along_m, slant_m) -> Focuser:
    """Back-projection planned for points (pixel,)."""
    element = np.zeros((case.n_channel, 3))
    element[:, 0] = case.element_m
    point = np.stack([along_m, np.sqrt(slant_m**2 - along_m**2), np.zeros(along_m.size)], axis=1)
    return Focuser.prepare(
        element,
        point,
        slant_m / case.sound_speed_m_s,
        first_delay_s=0.0,
        sample_rate_hz=case.sampling_hz,
        carrier_hz=case.carrier_hz,
        sound_speed_m_s=case.sound_speed_m_s,
        n_sample=case.n_sample,
        band=case.bandwidth_hz / case.sampling_hz,
        shading=case.shading,
        normalise=False,
        interpolation_error=_READING_ERROR,
    )
