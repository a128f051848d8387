"""Kidney and tumour in 3-D, as functions that can be asked at any point.

Points are float64 arrays of shape (n, 3) in mm: depth, lateral, elevation; the imaging plane is
elevation 0. Each structure is a level: about the distance in mm to its surface, positive inside.
The rabbit's kidney has one papilla, so cortex and medulla are shells around one renal sinus.
Every size is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from coreg.demo.scenario import Scenario

CAPSULE_MM = 0.15


class Waves:
    """Smooth noise in space: a sum of plane waves of random direction and phase, variance 1."""

    def __init__(self, rng: np.random.Generator, wavelength_mm: float, count: int = 12) -> None:
        directions = rng.normal(size=(count, 3))
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        lengths = wavelength_mm * rng.uniform(0.7, 1.6, size=count)
        self.vectors = 2 * np.pi * directions / lengths[:, None]
        self.phases = rng.uniform(0, 2 * np.pi, size=count)

    def __call__(self, points: np.ndarray) -> np.ndarray:
        # Cosines in float32 are four times as fast, and right to a hundredth of a micrometre.
        total = np.zeros(len(points), dtype=np.float32)
        for vector, phase in zip(self.vectors, self.phases, strict=True):
            total += np.cos((points @ vector + phase).astype(np.float32))
        return total.astype(np.float64) * np.sqrt(2 / len(self.phases))


def ellipsoid(local: np.ndarray, radii: tuple[float, float, float]) -> np.ndarray:
    """Level of an ellipsoid: exact to first order at its surface."""
    scaled = local / np.asarray(radii)
    q = np.linalg.norm(scaled, axis=1)
    slope = np.linalg.norm(scaled / np.asarray(radii), axis=1)
    return np.where(q > 1e-6, q * (1 - q) / np.maximum(slope, 1e-9), min(radii))


def smooth_union(a: np.ndarray, b: np.ndarray, width: float) -> np.ndarray:
    """The larger of two levels, rounded over `width` mm where they meet."""
    blend = np.clip(0.5 + 0.5 * (a - b) / width, 0, 1)
    return b + (a - b) * blend + width * blend * (1 - blend)


@dataclass(frozen=True)
class Levels:
    """Levels (n,) of every structure at the same points; positive inside, mm."""

    kidney: np.ndarray
    medulla: np.ndarray
    papilla: np.ndarray
    sinus: np.ndarray
    vessel: np.ndarray
    tumour: np.ndarray
    tissue: np.ndarray


class Anatomy:
    """One animal's kidney and tumour, drawn from a scenario's seed."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        rng = scenario.rng("anatomy")
        self._lumps = Waves(rng, 6.0)
        self._surface = Waves(rng, 9.0)
        self._junction = Waves(rng, 3.0)
        self._yaw = np.deg2rad(rng.uniform(-5, 5))
        self._bean = rng.uniform(0.008, 0.014)
        self._vessel_lean = rng.uniform(0.25, 0.5, size=2)
        self._vessel_radius = rng.uniform(1.0, 1.3, size=2)

    @cached_property
    def tumour_centre(self) -> np.ndarray:
        """(depth, lateral, elevation) in mm."""
        return np.append(np.add(self.scenario.focus_mm, self.scenario.tumour_offset_mm), 0.0)

    @cached_property
    def axes(self) -> np.ndarray:
        """Rows: the kidney's long axis (towards the lower pole), hilum direction, thickness."""
        angle = np.deg2rad(self.scenario.kidney_angle_deg)
        along = np.array(
            [
                np.sin(angle) * np.cos(self._yaw),
                np.cos(angle) * np.cos(self._yaw),
                np.sin(self._yaw),
            ]
        )
        hilum = np.array([np.cos(angle), -np.sin(angle), 0.0])
        return np.stack([along, hilum, np.cross(along, hilum)])

    @cached_property
    def kidney_centre(self) -> np.ndarray:
        """(depth, lateral, elevation) in mm; the tumour sits at 0.82 of the long semi-axis."""
        reach = 0.82 * self.scenario.kidney_semiaxes_mm[0]
        return self.tumour_centre - reach * self.axes[0] - self._bend(reach) * self.axes[1]

    def _bend(self, along: np.ndarray | float) -> np.ndarray | float:
        """How far the bean's middle line leans towards the hilum at `along` mm from the centre."""
        return self._bean * np.square(along)

    def local(self, points: np.ndarray) -> np.ndarray:
        """Points in the kidney's own axes, the bean straightened."""
        local = (points - self.kidney_centre) @ self.axes.T
        local[:, 1] -= self._bend(local[:, 0])
        return local

    def unbent(self, local: np.ndarray) -> np.ndarray:
        """Inverse of `local`: points of the kidney's own axes, in mm of space."""
        bent = np.array(local, dtype=np.float64)
        bent[:, 1] += self._bend(bent[:, 0])
        return bent @ self.axes + self.kidney_centre

    def levels(self, points: np.ndarray) -> Levels:
        """All structures at points (n, 3)."""
        p = np.asarray(points, dtype=np.float64)
        local = self.local(p)
        long, wide, thick = self.scenario.kidney_semiaxes_mm
        notch = ellipsoid(local - (0.0, wide + 1.2, 0.0), (3.2, 3.4, 3.0))
        kidney = ellipsoid(local, (long, wide, thick)) + 0.15 * self._surface(p)
        kidney = -smooth_union(-kidney, notch, 0.8)
        sinus_centre = (0.0, 0.62 * wide, 0.0)
        sinus = ellipsoid(local - sinus_centre, (0.36 * long, 0.42 * wide, 0.42 * thick))
        # The papilla pushes into the sinus from the kidney's middle.
        cone = ellipsoid(local - (0.0, 0.28 * wide, 0.0), (0.17 * long, 0.36 * wide, 0.22 * thick))
        sinus = np.minimum(-smooth_union(-sinus, cone, 0.5), kidney + 0.3)
        depth = kidney - 0.25 * self._junction(p)
        medulla = np.minimum(np.minimum(depth - 3.1, -sinus), kidney)
        papilla = np.minimum(smooth_union(depth - 5.6, cone, 0.8), -sinus)
        papilla = np.minimum(papilla, medulla)
        radius = self.scenario.tumour_radius_mm
        tumour = radius - np.linalg.norm(p - self.tumour_centre, axis=1)
        tumour = tumour + 0.45 * self._lumps(p)
        return Levels(
            kidney=kidney,
            medulla=medulla,
            papilla=papilla,
            sinus=sinus,
            vessel=self._vessel_level(local),
            tumour=tumour,
            tissue=smooth_union(kidney, tumour, 1.0),
        )

    def vessel_axis(self, which: int) -> tuple[np.ndarray, np.ndarray]:
        """A point on a vessel's middle line and its direction, in the kidney's own axes.

        Two branches cross the plane obliquely at the edge of the sinus, one towards each pole.
        """
        long, wide, _ = self.scenario.kidney_semiaxes_mm
        side = (-1.0, 1.0)[which]
        lean = self._vessel_lean[which]
        direction = np.array([side * lean, -lean, 1.0 if which else -1.0])
        return (
            np.array([side * 0.40 * long, 0.30 * wide, 0.0]),
            direction / np.linalg.norm(direction),
        )

    def _vessel_level(self, local: np.ndarray) -> np.ndarray:
        level = np.full(len(local), -np.inf)
        for which in (0, 1):
            origin, direction = self.vessel_axis(which)
            rel = local - origin
            across = rel - (rel @ direction)[:, None] * direction
            level = np.maximum(level, self._vessel_radius[which] - np.linalg.norm(across, axis=1))
        return level
