"""Single bad pings are left out, and what is kept has the statistics of pings that were never spoilt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from pingloom.imaging.records import Ping
from tests.system.conftest import Image, say
from tests.unit.line_samples import line

N_PING = 70
BAD = {24: "not a number", 34: "all zero", 44: "a burst of another source"}
PIXELS = ("--set", "grid.along_m=0.05", "--set", "grid.across_m=0.02")


def spoilt(ping: Ping) -> Ping:
    """What a receiver may hand over: a broken word, nothing, a loud burst of two milliseconds."""
    echo = ping.echo.copy()
    what = BAD.get(ping.number)
    if what == "not a number":
        echo[0, 3, 400] = np.nan
    elif what == "all zero":
        echo[:] = 0
    elif what:
        rng = np.random.default_rng(9)
        burst = rng.standard_normal((2, *echo[..., 300:364].shape), np.float32)
        echo[..., 300:364] += 30 * (burst[0] + 1j * burst[1]).astype(np.complex64)
    return replace(ping, echo=echo)


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Image]:
    """The line as it was, with three bad pings imaged blindly and by a table, and with these pings never recorded."""
    folder = tmp_path_factory.mktemp("bad")
    sides = ("starboard",)
    line(folder / "clean.h5", N_PING, sides)
    line(folder / "bad.h5", N_PING, sides, change=spoilt)
    line(folder / "absent.h5", N_PING, sides, change=lambda p: None if p.number in BAD else p)
    only = [w for s in ("bottom", "channels", "motion") for w in ("--set", f"estimate.{s}=false")]
    assert say("estimate", folder / "bad.h5", "-o", folder / "c.h5", *only, "--quiet").code == 0
    made = {}
    for name, recording, more in (
        ("clean", "clean.h5", ("--no-estimate",)),
        ("blind", "bad.h5", ("--no-estimate",)),
        ("judged", "bad.h5", ("--corrections", folder / "c.h5")),
        ("alone", "bad.h5", ()),
        ("absent", "absent.h5", ("--no-estimate",)),
    ):
        arguments = ("-o", folder / name, "--no-picture", "--json", *PIXELS, *more)
        said = say("image", folder / recording, *arguments)
        assert (said.code, said.err) == (0, "")
        made[name] = Image.read(folder / name / "multilook.nc")
        made[f"{name}: left out"] = said.data["left_out"]
    return made


def middle(image: Image, layer: str = "intensity") -> np.ndarray:
    """Where all bad pings were seen, burst included: it reached from 7 to 9 m of slant range."""
    return image.cut(layer, (4.0, 8.5), (4.5, 9.5))


def looks(patch: np.ndarray) -> float:
    """Mean square over variance; echoes of one level make an image that rises with range, so each column by its mean."""
    return 1 / np.var(patch / patch.mean(axis=0))


def test_bad_pings_are_told_and_left_out(images):
    assert images["clean: left out"] == images["absent: left out"] == {}
    assert images["blind: left out"] == {"echo holds samples that are not finite": 1, "echo is all zero": 1}
    assert images["judged: left out"] == images["alone: left out"]
    assert images["alone: left out"] == {"rejected: no echo": 2, "rejected: interference": 1}


def test_what_is_kept_is_what_would_be_there_without_them(images):
    for layer in ("intensity", "looks", "coverage", "spread"):
        assert_array_equal(images["judged"].layer[layer], images["absent"].layer[layer])


def test_level_and_speckle_are_those_of_the_clean_line(images):
    clean, kept, blind = (middle(images[name]) for name in ("clean", "judged", "blind"))
    # Three of some sixty pings' looks are missing, so the mean of a thousand cells differs by chance alone.
    assert 10 * np.log10(kept.mean() / clean.mean()) == pytest.approx(0, abs=0.15)
    ratio = looks(kept) / looks(clean)
    expected = middle(images["judged"], "looks").mean() / middle(images["clean"], "looks").mean()
    assert ratio == pytest.approx(expected, rel=0.08)
    # One burst that is let in is enough to spoil both.
    assert 10 * np.log10(blind.mean() / clean.mean()) > 3
    assert looks(blind) < 0.5 * looks(clean)
