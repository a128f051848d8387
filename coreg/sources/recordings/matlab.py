"""MATLAB files, v5 to v7.3: variables, fields of structs and cells under dotted names.

A field is ``acquisition.displacement``; the second cell is ``maps{2}``, the second element of a
struct array ``trial(2).displacement``. A cell array or struct array whose members are equal in
shape can also be named whole (``maps``, ``trial.displacement``): its members are stacked along a
new first axis.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from coreg.sources.limits import require_unpackable
from coreg.sources.recordings import hdf5
from coreg.sources.recordings.arrays import FAULTS, Entry, damaged, missing, refused

_SMALL = 65536
# Bytes of one value by MATLAB's class; what is not here holds other arrays.
_VALUE_BYTES = {"double": 8, "int64": 8, "uint64": 8, "single": 4, "int32": 4, "uint32": 4}


def entries(path: Path) -> list[Entry]:
    """All numeric arrays in the file, inside structs and cells too."""
    if _is_hdf5(path):
        return hdf5.entries(path)
    found: list[Entry] = []
    for name, value in _variables(path).items():
        found += [_entry(n, v) for n, v in _flatten(name, value)]
    return found


def load(path: Path, name: str) -> Any:
    """One array by its dotted name."""
    if _is_hdf5(path):
        return hdf5.load(path, name)
    root = name.split(".")[0].split("{")[0].split("(")[0]
    for found, value in _flatten_all(_variables(path, root)):
        if found == name:
            if value.dtype == object:
                raise refused(path, name)
            return value
    raise missing(path, name, entries(path))


def _is_hdf5(path: Path) -> bool:
    import h5py

    return bool(h5py.is_hdf5(path))


def _variables(path: Path, only: str | None = None) -> dict[str, Any]:
    from scipy.io import loadmat, whosmat
    from scipy.io.matlab import MatReadError

    try:
        names = None if only is None else [only]
        for name, shape, kind in whosmat(path):
            if only is None or name == only:
                size = int(np.prod([float(n) for n in shape])) * _VALUE_BYTES.get(kind, 1)
                require_unpackable(path, size, f"{name!r} in {path.name}")
        content = loadmat(path, variable_names=names, struct_as_record=True, squeeze_me=False)
    except (*FAULTS, MatReadError) as error:
        raise damaged(path, error) from None
    return {k: v for k, v in content.items() if not k.startswith("__")}


def _flatten_all(variables: dict[str, Any]) -> list[tuple[str, np.ndarray]]:
    return [pair for name, value in variables.items() for pair in _flatten(name, value)]


def _flatten(name: str, value: Any) -> list[tuple[str, np.ndarray]]:
    """(dotted name, array) of everything under a value, whole stacks included."""
    if not isinstance(value, np.ndarray):
        return []
    if value.dtype.names:
        return _flatten_struct(name, value)
    if value.dtype == object:
        members = list(value.ravel(order="F"))
        found = [pair for i, m in enumerate(members, 1) for pair in _flatten(f"{name}{{{i}}}", m)]
        stack = _stacked(members)
        return ([(name, stack)] if stack is not None else []) + found
    return [(name, value)]


def _flatten_struct(name: str, value: np.ndarray) -> list[tuple[str, np.ndarray]]:
    elements = list(value.ravel(order="F"))
    found: list[tuple[str, np.ndarray]] = []
    for field in value.dtype.names or ():
        members = [element[field] for element in elements]
        if len(members) == 1:
            found += _flatten(f"{name}.{field}", members[0])
            continue
        stack = _stacked(members)
        if stack is not None:
            found.append((f"{name}.{field}", stack))
        for i, member in enumerate(members, 1):
            found += _flatten(f"{name}({i}).{field}", member)
    return found


def _stacked(members: list[Any]) -> np.ndarray | None:
    """Members of equal shape and plain numbers along a new first axis; None otherwise."""
    if len(members) < 2 or not all(isinstance(m, np.ndarray) for m in members):
        return None
    first = members[0]
    if any(m.shape != first.shape or m.dtype.kind not in "biuf" for m in members):
        return None
    stack = np.stack(members)
    return stack.reshape(1, -1) if first.size == 1 else stack


def _entry(name: str, value: np.ndarray) -> Entry:
    if value.dtype.kind in "US":
        return Entry(name, value.shape, "text")
    one_axis = sum(n > 1 for n in value.shape) <= 1
    small = value.size <= _SMALL and one_axis and value.size > 0 and value.dtype.kind in "biuf"
    return Entry(name, value.shape, str(value.dtype), "", value if small else None)
