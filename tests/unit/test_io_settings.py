"""Settings: strict reading, typed changes, writing back."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pingloom.imaging.errors import DataError, ParameterError
from pingloom.io import settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Compress:
    window: Literal["none", "hamming", "taylor"] = "hamming"
    factor: int = 2
    floor: float = 0.1
    range_m: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.factor < 1:
            raise ParameterError(f"factor is {self.factor}; allowed: 1 or more.")


@dataclass(frozen=True)
class Box:
    kind: Literal["box"] = "box"
    size_m: tuple[float, ...] = (1.0, 1.0)


@dataclass(frozen=True)
class Ball:
    kind: Literal["ball"] = "ball"
    radius_m: float = 1.0


@dataclass(frozen=True)
class Span:
    low: float = 0.0
    high: float = 1.0

    def __post_init__(self) -> None:
        if self.low >= self.high:
            raise ParameterError(f"low is {self.low}; allowed: below high, {self.high}.")


@dataclass(frozen=True)
class All:
    title: str = ""
    compress: Compress = field(default_factory=Compress)
    span: Span = field(default_factory=Span)
    quick: bool = False
    speed: float | None = None
    limit: float | None = 3.0
    file: Path | None = None
    ids: list[int] = field(default_factory=list)
    rate: Literal[1, 2, 4] = 1
    targets: tuple[Box | Ball, ...] = ()
    extra: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Needy:
    depth_m: float


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "run.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_nested_tables_become_dataclasses_with_defaults_kept(tmp_path):
    path = write(
        tmp_path,
        'title = "søk"\nids = [1, 2]\nfile = "a/b.nav"\nlimit = "none"\n[compress]\nwindow = "none"\nfloor = 1\n'
        'range_m = [1, 2.5]\n[[targets]]\nkind = "ball"\nradius_m = 2\n[[targets]]\nsize_m = [1, 2, 3]\n',
    )
    got = settings.read(path, All)
    assert got.compress == Compress(window="none", floor=1.0, range_m=(1.0, 2.5))
    assert isinstance(got.compress.floor, float)
    assert got.targets == (Ball(radius_m=2.0), Box(size_m=(1.0, 2.0, 3.0)))
    assert got.limit is None
    assert got.file == Path("a/b.nav")
    assert got.ids == [1, 2]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "[compress]\nwindo = 'none'",
            r"run.toml: \[compress\] has no setting 'windo'; did you mean 'window'",
        ),
        ("[compres]\n", r"run.toml: the top level has no setting 'compres'; did you mean 'compress'"),
        (
            "[compress]\nwindow = 'haming'",
            r"\[compress\] window is 'haming'; allowed: 'none', 'hamming', 'taylor'; did you mean 'hamming'",
        ),
        ("[compress]\nfactor = 2.0", r"\[compress\] factor is 2.0; allowed: a whole number"),
        ("[compress]\nfactor = true", r"\[compress\] factor is True; allowed: a whole number"),
        ("[compress]\nfloor = 'high'", r"\[compress\] floor is 'high'; allowed: a number"),
        ("[compress]\nfloor = false", r"\[compress\] floor is False; allowed: a number"),
        ("[compress]\nfactor = 0", r"run.toml: \[compress\]: factor is 0; allowed: 1 or more"),
        ("[compress]\nrange_m = [1.0]", r"range_m is \[1.0\]; allowed: a list of 2: a number, a number"),
        ("quick = 1", r"quick is 1; allowed: true or false"),
        ("title = 1", r"title is 1; allowed: a string"),
        ("compress = 1", r"compress is 1; allowed: a table \[compress\]"),
        ("ids = [1, 'b']", r"\[ids\] 1 is 'b'; allowed: a whole number"),
        ("[extra]\na = 'x'", r"\[extra\] a is 'x'; allowed: a number"),
        (
            "[[targets]]\nkind = 'ball'\nradius = 1",
            r"\[targets.0\] has no setting 'radius'; did you mean 'radius_m'",
        ),
    ],
)
def test_a_wrong_file_is_refused_with_place_and_remedy(tmp_path, text, words):
    with pytest.raises(ParameterError, match=words):
        settings.read(write(tmp_path, text), All)


def test_a_required_value_that_is_missing_is_named(tmp_path):
    with pytest.raises(ParameterError, match=r"lacks 'depth_m'; allowed: a number"):
        settings.read(write(tmp_path, ""), Needy)


def test_what_is_no_settings_file_is_refused(tmp_path):
    with pytest.raises(DataError, match="no such file"):
        settings.read(tmp_path / "none.toml", All)
    with pytest.raises(DataError, match=r"isn't valid TOML: .*line 1"):
        settings.read(write(tmp_path, "this is not"), All)
    binary = tmp_path / "picture.toml"
    binary.write_bytes(b"\x89PNG\xff\xfe")
    with pytest.raises(DataError, match="isn't text in UTF-8"):
        settings.read(binary, All)
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(DataError, match="not a regular file"):
        settings.read(tmp_path / "pipe.toml", All)
    with pytest.raises(DataError, match="not a regular file"):
        settings.read(tmp_path, All)


@pytest.mark.parametrize(
    ("assignment", "get", "value"),
    [
        ("compress.window=none", lambda s: s.compress.window, "none"),
        ('compress.window="taylor"', lambda s: s.compress.window, "taylor"),
        ("compress.factor=4", lambda s: s.compress.factor, 4),
        ("compress.floor=1e-3", lambda s: s.compress.floor, 1e-3),
        ("compress.range_m=1,2", lambda s: s.compress.range_m, (1.0, 2.0)),
        ("compress.range_m=[1, 2.5]", lambda s: s.compress.range_m, (1.0, 2.5)),
        ("compress.range_m=none", lambda s: s.compress.range_m, None),
        ("speed=1.5", lambda s: s.speed, 1.5),
        ("limit=none", lambda s: s.limit, None),
        ("quick=true", lambda s: s.quick, True),
        ("title=a = b", lambda s: s.title, "a = b"),
        ("file=x.nav", lambda s: s.file, Path("x.nav")),
        ("ids=3,4", lambda s: s.ids, [3, 4]),
        ("rate=4", lambda s: s.rate, 4),
        ("targets.0.size_m=3,4", lambda s: s.targets[0].size_m, (3.0, 4.0)),
    ],
)
def test_an_assignment_is_typed_by_the_hints(assignment, get, value):
    before = All(targets=(Box(), Ball()))
    after = settings.apply(before, [assignment])
    assert get(after) == value
    assert type(get(after)) is type(value)
    assert before == All(targets=(Box(), Ball()))


@pytest.mark.parametrize(
    ("assignment", "words"),
    [
        ("compress.window", r"can't be read; allowed: table.name=value"),
        (
            "compress.window=hann",
            r"--set: \[compress\] window is 'hann'; allowed: 'none', 'hamming', 'taylor'",
        ),
        ("compress.windw=none", r"--set: \[compress\] has no setting 'windw'; did you mean 'window'"),
        ("cmpress.window=none", r"the top level has no setting 'cmpress'; did you mean 'compress'"),
        ("compress.factor=two", r"\[compress\] factor is 'two'; allowed: a whole number"),
        ("compress.factor=0", r"\[compress\]: factor is 0; allowed: 1 or more"),
        ("speed=fast", r"speed is 'fast'; allowed: a number"),
        ("quick=maybe", r"quick is 'maybe'; allowed: true or false"),
        ("rate=3", r"rate is '3'; allowed: 1, 2, 4"),
        ("title.part=3", r"title is a single value and has no part 'part'"),
        ("targets.2.size_m=1", r"targets has no item '2'; allowed: 0 to 1"),
        ("compress=3", r"compress is 3; allowed: a table"),
    ],
)
def test_a_wrong_assignment_is_refused_with_place_and_remedy(assignment, words):
    with pytest.raises(ParameterError, match=words):
        settings.apply(All(targets=(Box(), Ball())), [assignment])


def test_assignments_that_belong_together_may_come_in_any_order():
    # Each alone would be refused: low 5 is above high 1.
    for pair in (["span.low=5", "span.high=7"], ["span.high=7", "span.low=5"]):
        assert settings.apply(All(), pair).span == Span(5.0, 7.0)
    with pytest.raises(ParameterError, match="low is 5"):
        settings.apply(All(), ["span.low=5"])
    assert settings.apply(All(), ["speed=1", "speed=2"]).speed == 2.0


@given(
    st.builds(
        All,
        title=st.text(st.characters(codec="utf-8")),
        compress=st.builds(
            Compress,
            window=st.sampled_from(["none", "taylor"]),
            factor=st.integers(1, 2**60),
            floor=st.floats(allow_nan=False),
            range_m=st.none() | st.tuples(st.floats(allow_nan=False), st.floats(allow_nan=False)),
        ),
        quick=st.booleans(),
        limit=st.none() | st.floats(allow_nan=False),
        ids=st.lists(st.integers(-(2**62), 2**62)),
        targets=st.lists(st.builds(Box) | st.builds(Ball, radius_m=st.floats(allow_nan=False))).map(tuple),
        extra=st.dictionaries(st.text(st.characters(codec="utf-8")), st.floats(allow_nan=False)),
    )
)
def test_what_is_written_reads_back_equal(value):
    assert settings.parse(settings.to_toml(value), All) == value
