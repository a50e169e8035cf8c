"""Every stage on the rivals' case: first whether the answer is right, then how long it takes beside the rivals."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import counts, ours, rivals
from .cases import (
    Case,
    beams_reference,
    delay_and_sum_reference,
    echo_direct,
    errors,
    intensity,
    make_echo,
    matched_filter_reference,
    sector_pixels,
)
from .ceilings import Ceilings
from .judging import Stage, judge_stage
from .plan_counts import count_beams, count_ground, count_ping
from .timing import PLACEMENTS, Candidate, Watch, joined, measure, timed

__all__ = ["Setting", "run_stages"]

_ALONG_M, _HEADING_RAD = 20.0, 0.01
_JUDGED_M = (7.0, 56.0)
"""Slant ranges that errors are taken over: full pulses, above nadir."""
_HEADINGS_RAD = (-0.35, 0.0, 0.35)
"""Of the vehicle against the strip, where pixels of the sector are looked for that got no look."""
_MANY, _SOME, _FEW = 100_000, 2000, 150
"""Scatterers to time, to check the rivals on and to check the simulator on."""


class Setting:
    """The case with its echoes and what is exactly right for them."""

    def __init__(self, case: Case | None = None) -> None:
        self.case = case or Case()
        self.echo = make_echo(self.case)
        self.exact = matched_filter_reference(self.case, self.echo)
        self.data = self.exact.astype(np.complex64)
        self.image = beams_reference(self.case, self.exact)
        self.good = slice(*np.searchsorted(self.case.slant_m, _JUDGED_M))


def run_stages(
    setting: Setting, top: Ceilings, *, rounds: int, on_step: Callable[[str], None] = lambda text: None
) -> dict[str, Any]:
    """Check and time all stages.

    Returns
    -------
    dict
        Stage to what the report holds of it: times in microseconds, errors, fraction of the ceiling, rivals.
    """
    makers = {
        "matched_filter": _matched_filter,
        "beams": _beams,
        "ground": _ground,
        "ping": _ping,
        "simulator": _simulator,
        "back_project": _back_project,
    }
    found = {}
    for name, make in makers.items():
        on_step(f"stage against its rivals: {name.replace('_', ' ')}")
        placed = [make(setting) for _ in range(PLACEMENTS)]
        watch = Watch()
        times = joined([measure(_candidates(stage), rounds=-(-rounds // PLACEMENTS)) for stage in placed])
        found[name] = judge_stage(name, placed[0], times, top, watch.share())
    return found


def _candidates(stage: Stage) -> dict[str, Candidate]:
    found = {"ours": stage.own, **{name: call for name, (_, call) in stage.rivals.items()}}
    if stage.within_ping is not None:
        found["within_ping"] = stage.within_ping
    return found


def _matched_filter(s: Setting) -> Stage:
    plan = ours.compressor(s.case)
    echo, buffer = np.ascontiguousarray(s.echo[None]), plan.allocate()
    made = {
        "straightforward": rivals.matched_filter_straightforward(s.case),
        "expert": rivals.matched_filter_expert(s.case),
    }
    return Stage(
        timed(lambda: plan.run_planes(echo, buffer)),
        *errors(plan.run(echo)[0], s.exact),
        counts.matched_filter(s.case.n_channel, s.case.n_sample, plan.n_fft),
        "sample, channel",
        s.echo.size,
        {k: (f"matched_filter_{k}", timed(lambda f=f: f(s.echo))) for k, f in made.items()},
        {k: errors(f(s.echo), s.exact) for k, f in made.items()},
        {"n_fft": plan.n_fft},
    )


def _beams(s: Setting) -> Stage:
    run, plan = ours.beams(s.case)
    parts = ours.parts(s.data)
    made = {
        "straightforward": ("beams_straightforward", rivals.beams_straightforward(s.case)),
        "straightforward_int32": (
            "beams_straightforward_int32",
            rivals.beams_straightforward(s.case, np.int32),
        ),
        "expert": ("beams_expert", rivals.beams_expert(s.case)),
        "fast_inaccurate": ("beams_fast_inaccurate", rivals.beams_fast_inaccurate(s.case)),
    }
    exact = s.image[:, s.good]
    return Stage(
        timed(lambda: run(parts)),
        *errors(run(parts)[:, s.good], exact),
        count_beams(plan, detect=True),
        "beam, sample, channel",
        s.image.size * s.case.n_channel,
        {k: (name, timed(lambda f=f: f(s.data))) for k, (name, f) in made.items()},
        {k: errors(f(s.data)[:, s.good], exact) for k, (_, f) in made.items()},
        {"n_beam": s.case.n_beam},
    )


def _strip(case: Case) -> NDArray[np.float32]:
    return np.zeros((2, 400, case.across_m.size), np.float32)


def _judged_pixels(case: Case, across_m) -> NDArray[np.bool_]:
    slant = np.hypot(across_m, case.altitude_m)
    return (slant > _JUDGED_M[0]) & (slant < _JUDGED_M[1])


def _one_look(s: Setting) -> tuple[ours.CaseChain, dict[str, Any], tuple[float, float]]:
    """The chain on the case, what it covers, and its error against the exact sum at every pixel."""
    chain = ours.CaseChain(s.case, s.echo, along_m=_ALONG_M, heading_rad=_HEADING_RAD)
    along, across, level = chain.one_look()
    keep = _judged_pixels(s.case, across)
    exact = ours.one_look_reference(
        s.case, chain, s.exact, along[keep], across[keep], vehicle_along_m=_ALONG_M, heading_rad=_HEADING_RAD
    )
    plan = chain.chain.sides["starboard"].beamformer
    extra = {"n_pixel": int(level.size), "n_beam": int(plan.direction.size), "upsampling": plan.upsampling}
    return chain, extra, errors(level[keep], exact)


def _at_pixels(s: Setting, strip: NDArray[np.float32]) -> tuple[float, float]:
    """Error of a rival's strip against the exact sum at its pixels, instead of against bilinear reading."""
    keep = (strip[1] == 1) & _judged_pixels(s.case, s.case.across_m)[None]
    row, column = np.nonzero(keep)
    cos, sin = np.cos(_HEADING_RAD), np.sin(_HEADING_RAD)
    north, east = (row + 0.5) * s.case.pixel_along_m - _ALONG_M, s.case.across_m[column]
    ahead, abeam = cos * north + sin * east, cos * east - sin * north
    slant = np.sqrt(ahead**2 + abeam**2 + s.case.altitude_m**2)
    return errors(strip[0][keep], intensity(delay_and_sum_reference(s.case, s.exact, ahead, slant)))


def _ground(s: Setting) -> Stage:
    chain, extra, error = _one_look(s)
    run = rivals.ground_straightforward(s.case)
    image, strip = s.image.astype(np.float32), _strip(s.case)
    where = (_ALONG_M, _HEADING_RAD)
    single, double = _strip(s.case), np.zeros(strip.shape)
    run(image, single, *where)
    run(s.image, double, *where)
    n_rival = int(single[1].sum())
    missed = {f"{h:g}": list(ours.missed_pixels(s.case, s.echo, h)) for h in _HEADINGS_RAD}
    at_pixel = _at_pixels(s, single)
    return Stage(
        timed(chain.laying()),
        *error,
        count_ground(chain.chain.sides["starboard"], extra["n_pixel"]),
        "pixel",
        extra["n_pixel"],
        {"straightforward": ("ground_straightforward", timed(lambda: run(image, strip, *where)))},
        {"straightforward": errors(single[0].astype(float), double[0])},
        {
            **extra,
            "rival_pixels": n_rival,
            "missed_pixels": missed,
            "rival_error_at_pixels": list(at_pixel),
            "note": "ours reads the complex field with taps across beams and samples, detects there, and sums weights and "
            "noise too; its error is that of the whole chain at the pixels",
        },
        chain.stage("ground and average"),
    )


def _ping(s: Setting) -> Stage:
    chain, extra, error = _one_look(s)
    side = chain.chain.sides["starboard"]
    made = {
        "straightforward": ("ping_straightforward", rivals.ping_straightforward(s.case)),
        "expert": ("ping_expert", rivals.ping_expert(s.case)),
        "expert_accurate": ("ping_expert_accurate", rivals.ping_expert(s.case, rivals.beams_expert)),
    }
    strip, where = _strip(s.case), (_ALONG_M, _HEADING_RAD)
    exact = np.zeros(strip.shape)
    rivals.ground_straightforward(s.case)(s.image, exact, *where)
    keep = _judged_pixels(s.case, s.case.across_m)
    wrong, at_pixel = {}, {}
    for key, (_, run) in made.items():
        single = _strip(s.case)
        run(s.echo, single, *where)
        wrong[key] = errors(single[0][:, keep].astype(float), exact[0][:, keep])
        at_pixel[key] = list(_at_pixels(s, single))
    return Stage(
        timed(chain.step),
        *error,
        count_ping(side, extra["n_pixel"]),
        "sample, channel",
        s.echo.size,
        {k: (name, timed(lambda f=f: f(s.echo, strip, *where))) for k, (name, f) in made.items()},
        wrong,
        {**extra, "rival_error_at_pixels": at_pixel},
    )


def _simulator(s: Setting) -> Stage:
    case = s.case
    rng = np.random.default_rng(2)
    slant, sine = rng.uniform(7, 56, _MANY), np.sin(rng.uniform(-0.07, 0.07, _MANY))
    y = np.sqrt((1 - sine**2) * slant**2 - case.altitude_m**2)
    scene = slant * sine, y, np.full(y.size, case.altitude_m), rng.standard_normal(y.size)
    some, few = ([v[:n] for v in scene] for n in (_SOME, _FEW))
    maker = ours.EchoMaker(case)
    made = {
        "straightforward": ("simulate_straightforward", rivals.simulate_straightforward(case)),
        "expert": ("simulate_plain_numba", rivals.simulate_plain_numba(case)),
    }
    plain = echo_direct(case, some[0], slant[:_SOME], some[3])
    return Stage(
        timed(lambda: maker.run(*scene)),
        *errors(maker.run(*few), maker.reference(*few)),
        counts.simulator(_MANY, case.n_channel, *maker.transform),
        "scatterer, channel",
        _MANY * case.n_channel,
        {k: (name, timed(lambda f=f: f(*scene))) for k, (name, f) in made.items()},
        {k: errors(f(*some), plain) for k, (_, f) in made.items()},
        {"n_scatterer": _MANY, "note": "ours also spreads sound and turns with the array; the rivals don't"},
    )


def _back_project(s: Setting) -> Stage:
    from scipy.signal import resample

    case, pixels = s.case, sector_pixels(s.case)
    own = ours.back_projector(case)
    made = {
        "straightforward": ("back_project_straightforward", rivals.back_project_straightforward(case)),
        "expert": ("back_project_plain_numba", rivals.back_project_plain_numba(case)),
    }
    padded = np.pad(s.exact, ((0, 0), (0, 4096 - case.n_sample)))
    fine = resample(padded, 4 * 4096, axis=1)[:, : 4 * case.n_sample].astype(np.complex64)
    exact = intensity(delay_and_sum_reference(case, s.exact, *pixels))
    # Where whole filters were recorded: what the last samples lack is no error.
    keep = pixels[1] < _JUDGED_M[1]
    return Stage(
        timed(lambda: own(s.data, *pixels)),
        *errors(intensity(own(s.data, *pixels)).astype(float)[keep], exact[keep]),
        counts.back_project(pixels[0].size, case.n_channel, ours.focuser(case, *pixels).taps.shape[1]),
        "pixel, channel",
        pixels[0].size * case.n_channel,
        {k: (name, timed(lambda f=f: f(fine, *pixels))) for k, (name, f) in made.items()},
        {k: errors(intensity(f(fine, *pixels))[keep], exact[keep]) for k, (_, f) in made.items()},
        {
            "n_pixel": int(pixels[0].size),
            "note": "the rivals get their channels oversampled beforehand, ours doesn't",
        },
    )
