"""HDF5, and MATLAB v7.3, which is HDF5 with its axes reversed and structs as groups.

Large datasets stay in the file and are sliced when used. Names have the dotted form of
`coreg.sources.recordings.matlab`, in plain HDF5 as well.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from coreg.sources.recordings.arrays import Entry, damaged, missing, refused
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
            return [_entry(name, what, matlab) for name, what in _walk(file, matlab)]
    except (OSError, RuntimeError) as error:
        raise damaged(path, error) from None


def load(path: Path, name: str) -> Any:
    """One dataset by its dotted name; large ones as `Stored`."""
    import h5py

    try:
        with h5py.File(path, "r") as file:
            matlab = _is_matlab(file)
            found = dict(_walk(file, matlab))
            if name not in found:
                raise missing(path, name, [_entry(n, w, matlab) for n, w in found.items()])
            what = found[name]
            if isinstance(what, list):
                return np.stack([_values(member, matlab) for member in what])
            if what.dtype.kind not in "biuf":
                raise refused(path, name)
            if what.size * what.dtype.itemsize <= _READ_BYTES:
                return _values(what, matlab)
            shape = what.shape[::-1] if matlab else what.shape
            return Stored(shape, what.dtype, _reader(path, what.name, matlab))
    except (OSError, RuntimeError) as error:
        raise damaged(path, error) from None


def _reader(path: Path, address: str, matlab: bool) -> Any:
    def read(keys: tuple[Any, ...]) -> np.ndarray:
        import h5py

        with h5py.File(path, "r") as file:
            dataset = file[address]
            return dataset[keys[::-1]].T if matlab else dataset[keys]

    return read


def _is_matlab(file: Any) -> bool:
    """A v7.3 file marks its variables with their MATLAB class."""
    return any("MATLAB_class" in file[key].attrs for key in file if key in file)


def _walk(file: Any, matlab: bool) -> list[tuple[str, Any]]:
    """(dotted name, dataset or list of datasets to stack) of everything readable."""
    found: list[tuple[str, Any]] = []
    for key in file:
        if not key.startswith("#"):  # "#refs#" holds what cells point at
            found += _flatten(file, key, file[key], matlab)
    return found


def _flatten(file: Any, name: str, node: Any, matlab: bool) -> list[tuple[str, Any]]:
    import h5py

    if isinstance(node, h5py.Group):
        found: list[tuple[str, Any]] = []
        for key in node:
            found += _flatten(file, f"{name}.{key}", node[key], matlab)
        return found
    if not isinstance(node, h5py.Dataset):
        return []
    if h5py.check_ref_dtype(node.dtype) is h5py.Reference:
        return _flatten_references(file, name, node, matlab)
    if node.attrs.get("MATLAB_empty", 0):
        return []
    return [(name, node)]


def _flatten_references(file: Any, name: str, node: Any, matlab: bool) -> list[tuple[str, Any]]:
    import h5py

    # MATLAB counts down the columns; in the reversed order of v7.3 that is along the rows.
    targets = [file[r] if r else None for r in np.ravel(node[()])]
    is_cell = node.attrs.get("MATLAB_class", b"") == b"cell"
    parent, _, field = name.rpartition(".")
    found: list[tuple[str, Any]] = []
    datasets = [t for t in targets if isinstance(t, h5py.Dataset)]
    if len(datasets) == len(targets) >= 2 and all(
        t.shape == datasets[0].shape
        and t.dtype.kind in "biuf"
        and not t.attrs.get("MATLAB_empty", 0)
        and t.attrs.get("MATLAB_class", b"") != b"char"
        for t in datasets
    ):
        found.append((name, datasets))
    for i, target in enumerate(targets, 1):
        member = f"{name}{{{i}}}" if is_cell or not parent else f"{parent}({i}).{field}"
        if target is not None:
            found += _flatten(file, member, target, matlab)
    return found


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
