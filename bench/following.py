"""Imaging a recording while another process writes it.

Pings are laid as they come (:mod:`pingloom.bench.live_pass`). When the recording has ended, what was done is held against what
the finished recording asks for. Where they agree the tiles become the product; where not (a turn, a dive, navigation that
came late), the finished recording is imaged once more. Either way the product is that of ``image`` afterwards, byte for
byte.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from pingloom.bench.console import refuse_existing
from pingloom.bench.growing_recording import GrowingRecording
from pingloom.bench.imaging_run import ImageSettings, image_opened, report_run
from pingloom.bench.live_navigation import LiveNavigation
from pingloom.bench.live_pass import LivePass, may_begin
from pingloom.bench.run_report import Followed, ImagingRun, note_run
from pingloom.imaging.chain import ChainSettings, Method
from pingloom.imaging.errors import DataError, ParameterError

__all__ = ["FollowSettings", "News", "follow_recording"]

_NAP_S = 0.05
"""An interruption is obeyed within that while waiting. [s]"""
_LEGS_S = 5.0
"""From one search for turns to the next, at least. [s]"""
_MOST_FIRST = 10
"""Beginning is tried so many times, with as many more pings as decide a leg's frame each time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowSettings:
    """How a growing recording is followed."""

    poll_s: float = 0.1
    """From one look at the files to the next. [s]"""
    idle_s: float = 30.0
    """Without a new ping for so long, the recording is taken as finished. [s]"""
    wait_s: float = 5.0
    """So long a ping waits for the navigation around it. [s]"""

    def __post_init__(self) -> None:
        for name, low, high in (("poll_s", 0.01, 60), ("idle_s", 0.1, 86_400), ("wait_s", 0, 3600)):
            value = getattr(self, name)
            if not low <= value <= high:
                option = {"poll_s": "poll-s", "idle_s": "idle-s", "wait_s": "navigation-wait-s"}[name]
                raise ParameterError(f"--{option} is {value:g}; allowed: {low:g} to {high:g} s.")


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """How following stands."""

    heard: int
    """Pings that were written so far."""
    laid: int
    lag_s: float
    """Of the last ping. [s]"""
    doing: str
    """In a word or two."""


def follow_recording(
    path: Path,
    folder: Path,
    *,
    method: Method = "multilook",
    settings: ChainSettings | None = None,
    overwrite: bool = False,
    follow: FollowSettings | None = None,
    stop: Callable[[], bool] = lambda: False,
    check: Callable[[], None] = lambda: None,
    on_news: Callable[[News], None] = lambda news: None,
) -> ImagingRun:
    """Image a recording that another process still writes.

    Parameters
    ----------
    path : Path
        A file, or a folder of segments; it need not be there yet.
    stop : callable
        Whether to end now and finish the product from what was heard.
    check : callable
        Called between pings and while waiting; what it raises leaves nothing behind.
    on_news : callable
        Called after each ping and while waiting.

    Raises
    ------
    ParameterError, DataError
        If there is no recording, or it or a setting does not allow an image.
    """
    settings, follow = settings or ImageSettings(), follow or FollowSettings()
    if folder.exists() and not folder.is_dir():
        raise ParameterError(f"{folder} is a file; allowed: a folder. Give another name.")
    for target in [folder / f"{method}.nc", *sorted(folder.glob(f"{method}-[0-9]*.nc"))]:
        refuse_existing(target, overwrite=overwrite)
    growing = GrowingRecording(path, follow.poll_s)
    following = _Following(growing, folder, method, settings, follow, check, on_news)
    try:
        ended = following.until_ended(stop)
        return following.finished(ended, overwrite=overwrite)
    finally:
        following.close()


class _Following:
    def __init__(
        self,
        growing: GrowingRecording,
        folder: Path,
        method: Method,
        settings: ChainSettings,
        follow: FollowSettings,
        check: Callable[[], None],
        on_news: Callable[[News], None],
    ) -> None:
        self._growing, self._folder, self._method = growing, folder, method
        self._settings, self._follow = settings, follow
        self._check, self._on_news = check, on_news
        self._navigation: LiveNavigation | None = None
        self._live: LivePass | None = None
        self._tried = 0
        self._refused = ""
        if getattr(settings, "legs", None) is not None and settings.legs.mode == "planned":
            self._refused = "planned legs are cut out when all is known"
        self._cut = bool(self._refused)
        """Whether the recording is imaged leg by leg, which needs all of it."""
        self._legs_due_s = 0.0
        self._began = time.perf_counter()

    def close(self) -> None:
        if self._live is not None:
            self._live.close()
        self._growing.close()

    def until_ended(self, stop: Callable[[], bool]) -> str:
        """Lay pings as they come; return why following ended."""
        while True:
            self._check()
            if self._growing.until_look_s() <= 0:
                self._look()
            if stop():
                return "interrupted"
            if self._live is None:
                self._try_to_begin()
            if self._step():
                self._tell("")
                continue
            if self._growing.closed:
                return "its writer closed it"
            if self._growing.idle_s >= self._follow.idle_s:
                return f"no new ping for {self._follow.idle_s:g} s"
            if self._growing.hopeless(self._follow.idle_s):
                return "it can't be read"
            self._tell(self._waiting_for())
            time.sleep(max(0.0, min(self._growing.until_look_s(), _NAP_S)))

    def _step(self) -> bool:
        """Lay the next ping, if there is one."""
        try:
            return self._live is not None and self._live.step()
        except DataError as error:
            self._lay_no_more(str(error))
            return False

    def _lay_no_more(self, why: str) -> None:
        """The tiles will not be used: the recording is imaged at the end, leg by leg where there are several."""
        self._refused, self._cut = why, True
        self._live.close()
        self._live = None

    def _waiting_for(self) -> str:
        if not self._growing.there:
            return f"waiting for {self._growing.path}"
        return f"images at the end: {self._refused}" if self._cut else "waiting for pings"

    def finished(self, ended: str, *, overwrite: bool) -> ImagingRun:
        """Image what is left and write the product."""
        begin = time.perf_counter()
        self._look()
        recording = self._growing.recording
        if not self._growing.there:
            raise ParameterError(
                f"{recording.path} holds no ping; allowed: one or more. {ended.capitalize()}."
            )
        if self._navigation is None:
            recording.platform()  # says what is wrong with it
        self._try_to_begin(last=True)
        live, why = self._live, self._refused
        if live is not None:
            live.finish()
            while self._step():
                self._check()
                self._tell("finishing")
            live, why = self._live, self._refused
        if live is not None:
            why = live.differs()
        followed = {
            "heard": 0 if live is None else live.n_laid,
            "at_start": 0 if live is None else live.at_start,
            "lag": {} if live is None else live.lag(),
            "extrapolated": 0 if live is None else live.extrapolated,
            "ended": ended,
            "again": why,
        }
        if live is not None and not why:
            task, product, counts, times = live.product(
                self._folder, overwrite=overwrite, before_rename=self._check
            )
            run = report_run(
                task,
                [product],
                counts,
                times,
                first_ping_s=live.first_ping_s,
                wall_s=time.perf_counter() - self._began,
                followed=Followed(**followed, final_s=time.perf_counter() - begin),
            )
        else:
            run = self._once_more(followed, begin, overwrite=overwrite)
        note_run(self._folder / "run.json", run)
        return run

    def _once_more(self, followed: dict, begin: float, *, overwrite: bool) -> ImagingRun:
        def on_ping(done: int, total: int) -> None:
            self._check()
            self._on_news(
                News(heard=total, laid=done, lag_s=float("nan"), doing="imaging the finished recording")
            )

        run = image_opened(
            self._growing.recording,
            self._folder,
            method=self._method,
            settings=self._settings,
            overwrite=overwrite,
            on_ping=on_ping,
            before_rename=self._check,
        )
        return replace(run, followed=Followed(**followed, final_s=time.perf_counter() - begin))

    def _look(self) -> None:
        growing = self._growing
        growing.look()
        if not growing.there:
            return
        try:
            self._navigation = LiveNavigation(
                growing.recording.platform(),
                getattr(self._settings.bottom, "water_depth_m", None) or growing.recording.water().depth_m,
            )
        except DataError:
            return  # no row yet
        if self._live is not None:
            self._live.navigate(self._navigation)
            self._stop_at_a_turn()

    def _stop_at_a_turn(self) -> None:
        """Lay no more where the tiles will not be used: legs with turns between are imaged at the end."""
        begin = time.monotonic()
        if begin < self._legs_due_s:
            return
        n_leg = self._live.n_leg()
        now = time.monotonic()
        self._legs_due_s = now + max(_LEGS_S, 20 * (now - begin))
        if n_leg > 1:
            self._lay_no_more(f"the navigation holds {n_leg} legs or more with turns between")

    def _try_to_begin(self, *, last: bool = False) -> None:
        """Plan once the first pings and their navigation are there, and an altitude is known."""
        growing, navigation = self._growing, self._navigation
        if self._live is not None or self._cut or navigation is None or not growing.there:
            return
        enough = (1 + self._tried) * self._settings.grid.course_pings
        ready = growing.n_ping >= enough and self._tried < _MOST_FIRST
        if not last and not (ready and may_begin(growing, navigation, self._settings)):
            return
        self._tried += 1
        self._tell("planning")
        try:
            self._live = LivePass(
                growing,
                navigation,
                self._folder,
                method=self._method,
                settings=self._settings,
                wait_s=self._follow.wait_s,
            )
        except DataError as error:
            # An altitude may be known later; the finished recording says what is wrong.
            self._refused = f"it could not be imaged as it came: {error}"

    def _tell(self, doing: str) -> None:
        live = self._live
        self._on_news(
            News(
                heard=self._growing.n_ping,
                laid=0 if live is None else live.n_laid,
                lag_s=float("nan") if live is None else live.last_lag_s,
                doing=doing,
            )
        )
