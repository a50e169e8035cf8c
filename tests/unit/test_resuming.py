"""A run stopped between any two pings goes on from its state to the same bytes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pingloom.bench.imaging_run import ImageSettings, image_recording
from pingloom.bench.legs import LegSettings, PlannedLeg
from pingloom.imaging.errors import DataError, ParameterError
from pingloom.io.settings import apply
from tests.unit.line_samples import PIXELS, line

STEP_M = 0.18
TWO_LEGS = tuple(
    PlannedLeg(start_north_m=a * STEP_M, start_east_m=0.0, end_north_m=b * STEP_M, end_east_m=0.0)
    for a, b in ((-0.5, 27.5), (31.5, 61.0))
)


class Stop(Exception):
    """Comes between two pings, as Ctrl-C does."""


def stop_after(n: int):
    def on_ping(done: int, total: int) -> None:
        if done >= n:
            raise Stop

    return on_ping


def settings(**given) -> ImageSettings:
    return apply(ImageSettings(**given), [*PIXELS, "grid.tile_rows=16"])


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return line(tmp_path_factory.mktemp("line") / "r.h5")


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.name != "run.json"}


@pytest.mark.parametrize(
    ("method", "stops"), [("multilook", (10, 56, 57, 64, 101)), ("broadside", (27, 101))]
)
def test_a_run_stopped_again_and_again_makes_the_same_bytes(method, stops, recording, tmp_path):
    chosen = settings(legs=LegSettings(mode="planned", planned=TWO_LEGS, corridor_m=1.0))
    whole = image_recording(recording, tmp_path / "a", method=method, settings=chosen)
    assert len(whole.products) == 2
    assert whole.left_out == {"sent between the legs": 8}
    for stop in stops:
        with pytest.raises(Stop):
            image_recording(
                recording,
                tmp_path / "b",
                method=method,
                settings=chosen,
                on_ping=stop_after(stop),
                checkpoint_pings=7,
                resume=True,
            )
        assert f".{method}.state" in contents(tmp_path / "b")
    last = image_recording(recording, tmp_path / "b", method=method, settings=chosen, resume=True)
    assert last.resumed_after == 101
    assert (last.left_out, last.late_pixels) == (whole.left_out, whole.late_pixels)
    assert contents(tmp_path / "b") == contents(tmp_path / "a")


def test_a_run_stopped_before_its_first_state_leaves_nothing(recording, tmp_path):
    with pytest.raises(Stop):
        image_recording(
            recording, tmp_path, settings=settings(), on_ping=stop_after(6), checkpoint_pings=7, resume=True
        )
    assert list(tmp_path.iterdir()) == []


def interrupted(recording: Path, folder: Path, **given) -> None:
    with pytest.raises(Stop):
        image_recording(
            recording, folder, settings=settings(), on_ping=stop_after(40), checkpoint_pings=30, **given
        )


def test_a_state_of_other_work_is_refused(recording, tmp_path):
    interrupted(recording, tmp_path)
    before = contents(tmp_path)
    other = apply(settings(), ["compress.window=none"])
    with pytest.raises(DataError, match=r"is of other work: .*Leave out --resume"):
        image_recording(recording, tmp_path, settings=other, resume=True)
    assert contents(tmp_path) == before


def test_a_state_without_its_tiles_is_refused(recording, tmp_path):
    interrupted(recording, tmp_path)
    (tmp_path / ".multilook.nc.spool").unlink()
    with pytest.raises(DataError, match="is gone or cut short"):
        image_recording(recording, tmp_path, settings=settings(), resume=True)


def test_a_run_that_begins_afresh_forgets_the_state(recording, tmp_path):
    interrupted(recording, tmp_path / "b")
    run = image_recording(recording, tmp_path / "b", settings=settings(), checkpoint_pings=50)
    assert run.resumed_after == 0
    image_recording(recording, tmp_path / "a", settings=settings())
    assert contents(tmp_path / "b") == contents(tmp_path / "a")


def test_going_on_replaces_nothing_that_is_not_its_own(recording, tmp_path):
    image_recording(recording, tmp_path, settings=settings())
    with pytest.raises(ParameterError, match="exists; allowed: a new name"):
        image_recording(recording, tmp_path, settings=settings(), resume=True)


def test_the_bytes_do_not_depend_on_how_rows_are_cut_into_tiles(tmp_path):
    # A vehicle that yaws further than was allowed for: some looks come too late, the same ones for any tiles.
    yawing = line(tmp_path / "r.h5", heading_rad=lambda k: 0.2 * np.sin(k / 4))
    made = []
    for rows in (7, 64, 4096):
        chosen = apply(settings(), [f"grid.tile_rows={rows}", "grid.heading_bound_deg=0"])
        run = image_recording(yawing, tmp_path / str(rows), settings=chosen)
        made.append((run.late_pixels, contents(tmp_path / str(rows))))
    assert made[0][0] > 0
    assert made[0] == made[1] == made[2]
