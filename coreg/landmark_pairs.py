"""Landmark pairs: the same structures marked in the imaging plane and on the slide.

Shared by the readers (`coreg.sources.landmarks`) and the fits (`coreg.alignment.landmarks`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import as_points


@dataclass(frozen=True)
class LandmarkPairs:
    """The same structures in the imaging plane and on the slide.

    Parameters
    ----------
    plane : (n, 2) mm, depth then lateral
    slide : (n, 2) mm, y then x
    names : one a landmark; "1", "2", … where none are given
    observers : who placed each; "" where nobody is named
    sd_mm : (n,) standard deviation of each landmark's placing in mm, NaN where unknown; or None
    """

    plane: np.ndarray
    slide: np.ndarray
    names: tuple[str, ...] = ()
    observers: tuple[str, ...] = ()
    sd_mm: np.ndarray | None = None

    def __post_init__(self) -> None:
        plane, slide = as_points(self.plane), as_points(self.slide)
        n = len(plane)
        if len(slide) != n:
            raise InputError(
                f"Expected as many slide landmarks as plane landmarks, got {len(slide)} and {n}."
            )
        names = tuple(self.names) or tuple(str(i + 1) for i in range(n))
        observers = tuple(self.observers) or ("",) * n
        if len(names) != n or len(observers) != n:
            raise InputError(
                f"Expected a name and an observer for each of {n} landmarks, "
                f"got {len(names)} and {len(observers)}."
            )
        wrong = np.flatnonzero(~np.isfinite(np.hstack([plane, slide])).all(axis=1))
        if len(wrong):
            raise InputError(
                f"Landmark {names[wrong[0]]!r} has a coordinate that is not a finite number; "
                "correct or remove it."
            )
        if self.sd_mm is not None:
            sd = np.asarray(self.sd_mm, dtype=np.float64)
            if sd.shape != (n,) or (sd <= 0).any() or np.isinf(sd).any():
                raise InputError(
                    f"Expected a standard deviation above 0 mm (or NaN) for each of {n} landmarks."
                )
            object.__setattr__(self, "sd_mm", sd)
        object.__setattr__(self, "plane", plane)
        object.__setattr__(self, "slide", slide)
        object.__setattr__(self, "names", names)
        object.__setattr__(self, "observers", observers)

    def __len__(self) -> int:
        return len(self.plane)

    def select(self, which: Sequence[int] | np.ndarray | Any) -> LandmarkPairs:
        """The landmarks at these indices (or where a boolean array is True)."""
        index = np.arange(len(self))[np.asarray(which)]
        return LandmarkPairs(
            self.plane[index],
            self.slide[index],
            tuple(self.names[i] for i in index),
            tuple(self.observers[i] for i in index),
            None if self.sd_mm is None else self.sd_mm[index],
        )
