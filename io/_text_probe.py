"""Run as a script with a file's name: read its texts of variable length and exit with 0 if that went well.

It stands alone so that a child starts fast. Damaged texts can make the HDF5 library loop for ever or ask for
absurd amounts of memory; here that costs a child with limits, not the caller.
"""

from __future__ import annotations

import itertools
import sys

import h5py

SECONDS = 10
BYTES = 4 * 2**30
ITEMS = 1000


def _limit() -> None:
    try:
        import resource
    except ImportError:  # not on every system; the caller's time limit still holds
        return
    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
    resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _read_texts(item: h5py.Group | h5py.Dataset) -> None:
    for name in itertools.islice(item.attrs, ITEMS):
        kind = h5py.h5a.open(item.id, name.encode()).get_type()
        if isinstance(kind, h5py.h5t.TypeStringID) and kind.is_variable_str():
            item.attrs[name]


def _visit(group: h5py.Group, depth: int) -> None:
    _read_texts(group)
    for name in itertools.islice(group, ITEMS):
        if type(group.get(name, getlink=True)) is not h5py.HardLink:
            continue
        item = group[name]
        if isinstance(item, h5py.Group) and depth:
            _visit(item, depth - 1)
        elif isinstance(item, h5py.Dataset):
            _read_texts(item)


if __name__ == "__main__":
    _limit()
    with h5py.File(sys.argv[1], "r", locking=False) as file:
        _visit(file, depth=1)
