"""Landmark pairs while they are being placed: half pairs, the live fit, predicted positions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Frame
from coreg.landmark_pairs import LandmarkPairs

if TYPE_CHECKING:
    from coreg.alignment import LandmarkFit

Place = tuple[float, float]
OTHER_SIDE: dict[Frame, Frame] = {"plane": "slide", "slide": "plane"}
# An affine map needs three pairs; from then on the other side can be predicted.
ENOUGH = 3


@dataclass(frozen=True)
class Landmark:
    """One landmark; a side that is not yet placed is None. Places in mm (row, column)."""

    name: str
    plane: Place | None = None
    slide: Place | None = None
    observer: str = ""
    sd_mm: float = float("nan")

    @property
    def complete(self) -> bool:
        """Whether both sides are placed."""
        return self.plane is not None and self.slide is not None

    def at(self, frame: Frame) -> Place | None:
        """Where it lies on one side."""
        return self.plane if frame == "plane" else self.slide

    def placed(self, frame: Frame, place: Place | None) -> Landmark:
        """The landmark with one side moved."""
        return replace(self, plane=place) if frame == "plane" else replace(self, slide=place)


@dataclass
class LandmarkTable:
    """The landmarks of a case as the window edits them.

    `edited` is called with (what, before, after) after each edit; rows are tuples and never change
    in place, so that they serve as states for undo.
    """

    rows: tuple[Landmark, ...] = ()
    observer: str = ""
    edited: Callable[[str, Any, Any], None] = lambda what, before, after: None
    _affine: tuple[Any, LandmarkFit | str] | None = field(default=None, repr=False)

    @classmethod
    def from_pairs(cls, pairs: LandmarkPairs, **more: Any) -> LandmarkTable:
        """A table of complete pairs."""
        return cls(rows_of(pairs), **more)

    def pairs(self) -> LandmarkPairs:
        """The complete pairs, as they are saved."""
        return pairs_of(self.rows)

    def open_row(self, frame: Frame) -> int | None:
        """The first landmark that waits for its place on this side."""
        return next((i for i, row in enumerate(self.rows) if row.at(frame) is None), None)

    def place(self, frame: Frame, place: Place) -> int:
        """Put down a landmark: completes the one that waits for this side, or starts a new one.

        Returns its row.
        """
        place = (float(place[0]), float(place[1]))
        row = self.open_row(frame)
        if row is None:
            new = Landmark(self._next_name(), observer=self.observer).placed(frame, place)
            self._set(f"place landmark {new.name}", (*self.rows, new))
            return len(self.rows) - 1
        self.move(row, frame, place)
        return row

    def move(self, row: int, frame: Frame, place: Place) -> None:
        """Move one side of a landmark."""
        moved = self.rows[row].placed(frame, (float(place[0]), float(place[1])))
        self._set(f"move landmark {moved.name}", self._with(row, moved))

    def rename(self, row: int, name: str) -> None:
        """Give a landmark another name; raise `InputError` where that observer has one already."""
        name = name.strip()
        taken = {(r.name, r.observer) for i, r in enumerate(self.rows) if i != row}
        if not name:
            raise InputError("The landmark needs a name; type one.")
        if (name, self.rows[row].observer) in taken:
            raise InputError(f"There is a landmark {name!r} already; choose another name.")
        old = self.rows[row]
        self._set(f"rename landmark {old.name}", self._with(row, replace(old, name=name)))

    def remove(self, row: int) -> None:
        """Take a landmark out, both sides."""
        rest = self.rows[:row] + self.rows[row + 1 :]
        self._set(f"remove landmark {self.rows[row].name}", rest)

    def restore(self, rows: tuple[Landmark, ...]) -> None:
        """Put an earlier or later state in place without making it an edit."""
        self.rows = rows

    def nearest(self, frame: Frame, place: Place, within: float) -> int | None:
        """The landmark nearest to a place on one side, if it lies within so many mm."""
        best, best_distance = None, within
        for i, row in enumerate(self.rows):
            at = row.at(frame)
            if at is not None:
                distance = float(np.hypot(at[0] - place[0], at[1] - place[1]))
                if distance <= best_distance:
                    best, best_distance = i, distance
        return best

    def predicted(self, frame: Frame, place: Place) -> Place | None:
        """Where a place on one side should lie on the other, by an affine fit; None without one."""
        if self._affine is None or self._affine[0] is not self.rows:
            self._affine = (self.rows, fit_rows(self.rows, "affine"))
        fit = self._affine[1]
        if isinstance(fit, str):
            return None
        to_other = fit.transform.to_slide if frame == "plane" else fit.transform.to_plane
        other = to_other(np.array([place]))[0]
        return (float(other[0]), float(other[1])) if np.isfinite(other).all() else None

    # --- inner -----------------------------------------------------

    def _set(self, what: str, rows: tuple[Landmark, ...]) -> None:
        before, self.rows = self.rows, rows
        self.edited(what, before, rows)

    def _with(self, row: int, landmark: Landmark) -> tuple[Landmark, ...]:
        return (*self.rows[:row], landmark, *self.rows[row + 1 :])

    def _next_name(self) -> str:
        names = {row.name for row in self.rows}
        return next(str(n) for n in range(1, len(names) + 2) if str(n) not in names)


def rows_of(pairs: LandmarkPairs) -> tuple[Landmark, ...]:
    """Complete pairs as rows."""
    sd = np.full(len(pairs), np.nan) if pairs.sd_mm is None else pairs.sd_mm
    return tuple(
        Landmark(
            pairs.names[i],
            (float(pairs.plane[i, 0]), float(pairs.plane[i, 1])),
            (float(pairs.slide[i, 0]), float(pairs.slide[i, 1])),
            pairs.observers[i],
            float(sd[i]),
        )
        for i in range(len(pairs))
    )


def pairs_of(rows: tuple[Landmark, ...]) -> LandmarkPairs:
    """The complete pairs among the rows."""
    complete = [row for row in rows if row.complete]
    sd = np.array([row.sd_mm for row in complete])
    return LandmarkPairs(
        np.array([row.plane for row in complete], dtype=np.float64).reshape(-1, 2),
        np.array([row.slide for row in complete], dtype=np.float64).reshape(-1, 2),
        tuple(row.name for row in complete),
        tuple(row.observer for row in complete),
        sd if np.isfinite(sd).any() else None,
    )


def fit_rows(rows: tuple[Landmark, ...], model: Any) -> LandmarkFit | str:
    """The fit through the complete pairs, or why there is none, in one sentence."""
    from coreg.alignment import fit_landmarks

    pairs = pairs_of(rows)
    if len(pairs) < ENOUGH:
        missing = ENOUGH - len(pairs)
        return f"{missing} more landmark pair{'s' if missing > 1 else ''} for a first fit."
    try:
        return fit_landmarks(pairs, model)
    except InputError as error:
        return str(error)


def errors_of(rows: tuple[Landmark, ...], fit: LandmarkFit) -> dict[int, tuple[float, float]]:
    """Row → (residual, leave-one-out error) in plane mm, of the complete pairs."""
    complete = [i for i, row in enumerate(rows) if row.complete]
    values = zip(fit.residuals.tolist(), fit.leave_one_out.tolist(), strict=True)
    return dict(zip(complete, values, strict=True))


def worst_of(rows: tuple[Landmark, ...], fit: LandmarkFit) -> int:
    """The row with the largest error."""
    complete = [i for i, row in enumerate(rows) if row.complete]
    return complete[fit.pairs.names.index(fit.worst)]
