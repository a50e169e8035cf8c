"""A table of corrections, estimated and applied from the command line."""

from __future__ import annotations

import h5py
import numpy as np

from pingloom.bench.cli import main
from pingloom.imaging.records import Correction
from pingloom.io.corrections import SideCorrections, write_corrections
from tests.reference import scenes


def table(path, truth, altitude_m: float) -> None:
    with h5py.File(truth.path) as file:
        times = file["starboard/ping_time"][...].astype(np.uint64)
    rows = [Correction(side="starboard", number=i, altitude_m=altitude_m) for i in range(times.size)]
    write_corrections(path, {"starboard": SideCorrections(time_ns=times, rows=rows)}, reason_names={})


def across(folder) -> float:
    """Where the brightest pixel lies."""
    with h5py.File(folder / "multilook.nc") as file:
        image = np.nan_to_num(file["intensity"][...])
        return float(file["across_track"][np.unravel_index(image.argmax(), image.shape)[1]])


def test_an_estimated_altitude_moves_the_image_as_geometry_says(tmp_path, capsys) -> None:
    truth = scenes.one_ping(tmp_path / "r.h5")
    plain, moved = tmp_path / "plain", tmp_path / "moved"
    common = ["--no-picture", "--quiet", "--set", "grid.across_m=0.004", "--set", "grid.along_m=0.05"]
    assert main(["image", str(truth.path), "-o", str(plain), *common]) == 0
    table(tmp_path / "c.h5", truth, 4.0)
    arguments = ["image", str(truth.path), "-o", str(moved), "--corrections", str(tmp_path / "c.h5"), *common]
    assert main(arguments) == 0
    # Slant range stays; the navigation's altitude is 5 m.
    slant = np.hypot(across(plain), 5.0)
    assert abs(across(moved) - np.sqrt(slant**2 - 4.0**2)) < 0.02


def test_corrections_of_another_recording_are_refused(tmp_path, capsys) -> None:
    truth = scenes.one_ping(tmp_path / "r.h5")
    rows = [Correction(side="starboard", number=0, altitude_m=4.0)]
    write_corrections(
        tmp_path / "c.h5",
        {"starboard": SideCorrections(time_ns=np.array([5], np.uint64), rows=rows)},
        reason_names={},
    )
    code = main(
        [
            "image",
            str(truth.path),
            "-o",
            str(tmp_path / "o"),
            "--no-picture",
            "--corrections",
            str(tmp_path / "c.h5"),
        ]
    )
    said = capsys.readouterr().err
    assert code == 2
    assert len(said.splitlines()) == 1
    assert "corrections" in said
    assert not (tmp_path / "o" / "multilook.nc").exists()


def test_corrections_of_the_other_side_are_refused(tmp_path, capsys) -> None:
    truth = scenes.one_ping(tmp_path / "r.h5")
    rows = [Correction(side="port", number=0, altitude_m=4.0)]
    own = {"port": SideCorrections(time_ns=np.array([5], np.uint64), rows=rows)}
    write_corrections(tmp_path / "c.h5", own, reason_names={})
    arguments = ["image", str(truth.path), "-o", str(tmp_path / "o"), "--corrections", str(tmp_path / "c.h5")]
    assert main([*arguments, "--no-picture"]) == 2
    said = capsys.readouterr().err
    assert "holds port" in said
    assert "Estimate them anew" in said
