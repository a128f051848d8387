"""coreg: does the lesion predicted from tissue displacement lie where pathology finds damage?

Public names load when first used, so that ``import coreg`` stays quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_PUBLIC = {
    "Case": "coreg.case",
    "open_case": "coreg.case",
    "new_case": "coreg.case",
    "CoregError": "coreg.errors",
    "InputError": "coreg.errors",
    "UsageError": "coreg.errors",
    "Grid": "coreg.geometry",
    "Image": "coreg.geometry",
    "Outline": "coreg.geometry",
    "Points": "coreg.geometry",
}
__all__ = [
    "Case",
    "CoregError",
    "Grid",
    "Image",
    "InputError",
    "Outline",
    "Points",
    "UsageError",
    "__version__",
    "new_case",
    "open_case",
]

if TYPE_CHECKING:
    from coreg.case import Case, new_case, open_case
    from coreg.errors import CoregError, InputError, UsageError
    from coreg.geometry import Grid, Image, Outline, Points


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'coreg' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_PUBLIC[name]), name)


def __dir__() -> list[str]:
    return __all__
