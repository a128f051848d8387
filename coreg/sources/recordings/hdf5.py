"""HDF5, and MATLAB v7.3, which is HDF5 with its axes reversed and structs as groups.

Large datasets stay in the file and are sliced when used. Names have the dotted form of
`coreg.sources.recordings.matlab`, in plain HDF5 as well.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from coreg.sources.limits import refuse_far, refuse_hollow, require_memory
from coreg.sources.recordings.arrays import FAULTS, Entry, damaged, missing, refused
from coreg.sources.recordings.lazy import Stored

_SMALL = 65536
# Smaller datasets are read at once.
_READ_BYTES = 64 * 2**20


def entries(path: Path) -> list[Entry]:
    """All numeric datasets in the file."""
    import h5py

    try:
        with h5py.File(path, "r") as file:
            matlab = _is_matlab(file)
            return [_entry(name, what, matlab) for name, what in _walk(path, file, matlab)]
    except FAULTS as error:
        raise damaged(path, error) from None


def load(path: Path, name: str) -> Any:
    """One dataset by its dotted name; large ones as `Stored`."""
    import h5py

    try:
        with h5py.File(path, "r") as file:
            matlab = _is_matlab(file)
            found = dict(_walk(path, file, matlab))
            if name not in found:
                raise missing(path, name, [_entry(n, w, matlab) for n, w in found.items()])
            what = found[name]
            if isinstance(what, list):
                size = len(what) * what[0].size * what[0].dtype.itemsize
                require_memory(size, f"{name!r} in {path.name}")
                return np.stack([_values(member, matlab) for member in what])
            if what.dtype.kind not in "biuf":
                raise refused(path, name)
            if what.size * what.dtype.itemsize <= _READ_BYTES:
                return _values(what, matlab)
            if not _other_files(what):
                size = what.size * what.dtype.itemsize
                refuse_hollow(path, size, f"{name!r} in {path.name}")
            shape = what.shape[::-1] if matlab else what.shape
            return Stored(shape, what.dtype, _reader(path, what.name, matlab))
    except FAULTS as error:
        raise damaged(path, error) from None


def _reader(path: Path, address: str, matlab: bool) -> Any:
    def read(keys: tuple[Any, ...]) -> np.ndarray:
        import h5py

        try:
            with h5py.File(path, "r") as file:
                dataset = file[address]
                return dataset[keys[::-1]].T if matlab else dataset[keys]
        except FAULTS as error:
            raise damaged(path, error) from None

    return read


def _is_matlab(file: Any) -> bool:
    """A v7.3 file marks its variables with their MATLAB class."""
    return any("MATLAB_class" in file[key].attrs for key in file if key in file)


def _walk(path: Path, file: Any, matlab: bool) -> list[tuple[str, Any]]:
    """(dotted name, dataset or list of datasets to stack) of everything readable.

    Raise `InputError` where the file leads to another one outside its folder.
    """
    walk = _Walk(path, file)
    for key in walk.members(file):
        if not key.startswith("#"):  # "#refs#" holds what cells point at
            walk.enter(key, file[key])
    return walk.found


class _Walk:
    """A pass over a file that enters each group and cell array once: they may be circular."""

    def __init__(self, path: Path, file: Any) -> None:
        self.path = path
        self.file = file
        self.found: list[tuple[str, Any]] = []
        self._entered: set[Any] = set()

    def members(self, group: Any) -> list[str]:
        """The names in a group that lead somewhere."""
        import h5py

        self._entered.add(_address(group))
        names = []
        for key in group:
            link = group.get(key, getlink=True)
            if isinstance(link, h5py.ExternalLink):
                refuse_far(link.filename, self.path)
            if key in group:
                names.append(key)
        return names

    def enter(self, name: str, node: Any) -> None:
        """Note a dataset, or all that is in a group, under dotted names."""
        import h5py

        if isinstance(node, h5py.Group):
            if _address(node) not in self._entered:
                for key in self.members(node):
                    self.enter(f"{name}.{key}", node[key])
            return
        if not isinstance(node, h5py.Dataset):
            return
        for named in _other_files(node):
            refuse_far(named, self.path)
        if h5py.check_ref_dtype(node.dtype) is h5py.Reference:
            if _address(node) not in self._entered:
                self._entered.add(_address(node))
                self._enter_references(name, node)
        elif not node.attrs.get("MATLAB_empty", 0):
            self.found.append((name, node))

    def _enter_references(self, name: str, node: Any) -> None:
        import h5py

        # MATLAB counts down the columns; in the reversed order of v7.3 that is along the rows.
        targets = [self.file[r] if r else None for r in np.ravel(node[()])]
        is_cell = node.attrs.get("MATLAB_class", b"") == b"cell"
        parent, _, field = name.rpartition(".")
        datasets = [t for t in targets if isinstance(t, h5py.Dataset)]
        if len(datasets) == len(targets) >= 2 and all(
            t.shape == datasets[0].shape
            and t.dtype.kind in "biuf"
            and not t.attrs.get("MATLAB_empty", 0)
            and t.attrs.get("MATLAB_class", b"") != b"char"
            for t in datasets
        ):
            for named in (named for target in datasets for named in _other_files(target)):
                refuse_far(named, self.path)
            self.found.append((name, datasets))
        for i, target in enumerate(targets, 1):
            member = f"{name}{{{i}}}" if is_cell or not parent else f"{parent}({i}).{field}"
            if target is not None:
                self.enter(member, target)


def _address(node: Any) -> Any:
    import h5py

    return h5py.h5o.get_info(node.id).addr


def _other_files(dataset: Any) -> list[str]:
    """Files in which a dataset's numbers lie, other than its own."""
    named = [str(name) for name, *_ in dataset.external or ()]
    if dataset.is_virtual:
        named += [source.file_name for source in dataset.virtual_sources()]
    return [name for name in named if name != "."]


def _entry(name: str, what: Any, matlab: bool) -> Entry:
    if isinstance(what, list):
        shape = what[0].shape[::-1] if matlab else what[0].shape
        return Entry(name, (len(what), *shape), str(what[0].dtype))
    shape = what.shape[::-1] if matlab else what.shape
    if what.attrs.get("MATLAB_class", b"") == b"char" or what.dtype.kind in "SUO":
        text = what.attrs.get("MATLAB_class", b"") == b"char" or _is_text(what)
        return Entry(name, shape, "text" if text else "objects")
    if what.dtype.kind not in "biuf":
        return Entry(name, shape, "objects", "a compound type; refused")
    one_axis = sum(n > 1 for n in shape) <= 1
    values = _values(what, matlab) if one_axis and 0 < what.size <= _SMALL else None
    return Entry(name, shape, str(what.dtype), "", values)


def _is_text(dataset: Any) -> bool:
    import h5py

    return h5py.check_string_dtype(dataset.dtype) is not None


def _values(dataset: Any, matlab: bool) -> np.ndarray:
    values = np.asarray(dataset[()])
    return values.T if matlab else values
