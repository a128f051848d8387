"""Heat from the focus: Pennes' equation by finite differences, and the thermal dose that it gives.

Pennes (1948): ρc ∂T/∂t = k ∇²T − w ρc (T − T_artery) + q, here divided by ρc, with perfusion w as a
rate (1/s) and tissue and blood taken to store heat alike. Material values are rounded textbook
figures for soft tissue (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

BODY_C = 37.0
BOILING_C = 100.0
CONDUCTIVITY_W_PER_MM_K = 0.5e-3
HEAT_CAPACITY_J_PER_MM3_K = 3.7e-3
DIFFUSIVITY_MM2_PER_S = CONDUCTIVITY_W_PER_MM_K / HEAT_CAPACITY_J_PER_MM3_K
ABLATED_CEM43_MIN = 240.0
# Less warming adds under 0.0005 min of dose a minute, below the floor of what is kept.
WARM_K = 0.5
LOG_DOSE_FLOOR = -3.0


def dose_rate(temperature_c: np.ndarray) -> np.ndarray:
    """Cumulative equivalent minutes at 43 °C per minute: R^(43 − T), R 0.5 above 43 °C, else 0.25.

    Sapareto & Dewey, Int J Radiat Oncol Biol Phys 1984;10:787-800 (from memory).
    """
    exponent = np.asarray(temperature_c) - 43.0
    return np.exp2(np.where(exponent >= 0, exponent, 2 * exponent))


def cem43(temperature_c: np.ndarray, step_s: float) -> np.ndarray:
    """Thermal dose in minutes of temperatures (times, ...) sampled every `step_s` seconds."""
    return dose_rate(temperature_c).sum(axis=0) * step_s / 60.0


@dataclass(frozen=True)
class HeatGrid:
    """A box of nodes at origin + index * spacing, mm along (depth, lateral, elevation)."""

    shape: tuple[int, int, int]
    spacing: float
    origin: tuple[float, float, float]

    @classmethod
    def around(
        cls, centre: tuple[float, float, float], half: tuple[float, float, float], spacing: float
    ) -> HeatGrid:
        """A box of at least `half` mm to each side, with a node at `centre`."""
        n = [int(np.ceil(h / spacing)) for h in half]
        origin = tuple(c - k * spacing for c, k in zip(centre, n, strict=True))
        return cls((2 * n[0] + 1, 2 * n[1] + 1, 2 * n[2] + 1), spacing, origin)  # type: ignore[arg-type]

    def axis(self, which: int) -> np.ndarray:
        """Node positions in mm along one axis."""
        return self.origin[which] + np.arange(self.shape[which]) * self.spacing

    def points(self) -> np.ndarray:
        """All nodes, (n, 3) in mm."""
        axes = np.meshgrid(*(self.axis(i) for i in range(3)), indexing="ij")
        return np.stack([a.ravel() for a in axes], axis=1)

    def sample(self, values: np.ndarray, points: np.ndarray, outside: float) -> np.ndarray:
        """Cubic interpolation of node values at points (n, 3); `outside` beyond the box."""
        index = (np.asarray(points) - self.origin) / self.spacing
        within = ((index >= 0) & (index <= np.array(self.shape) - 1)).all(axis=1)
        found = np.full(len(index), outside)
        found[within] = ndimage.map_coordinates(values, index[within].T, order=3, mode="nearest")
        return found


@dataclass(frozen=True)
class Heating:
    """What the heat did.

    grid : nodes; times_s : (times,) when the dose was kept
    log_dose : (times, *grid.shape) float32, log10 of CEM43 in minutes, at least -3
    peak_c, last_c : (*grid.shape) highest temperature, and that at the end
    """

    grid: HeatGrid
    times_s: np.ndarray
    log_dose: np.ndarray
    peak_c: np.ndarray
    last_c: np.ndarray


def gaussian_source(
    grid: HeatGrid,
    centre: tuple[float, float, float],
    sigma: tuple[float, float, float],
    power_w: float,
) -> np.ndarray:
    """Heat of a Gaussian focus in W/mm³ at the nodes; sums to `power_w` over all space."""
    parts = [
        np.exp(-0.5 * ((grid.axis(i) - centre[i]) / sigma[i]) ** 2)
        / (np.sqrt(2 * np.pi) * sigma[i])
        for i in range(3)
    ]
    return power_w * parts[0][:, None, None] * parts[1][:, None] * parts[2]


def heat(
    grid: HeatGrid,
    source: np.ndarray,
    perfusion: np.ndarray,
    sonication_s: float,
    times_s: np.ndarray,
    *,
    shutdown: bool = True,
    boiling_c: float = BOILING_C,
) -> Heating:
    """Run Pennes' equation from body temperature; the box's faces stay at body temperature.

    Parameters
    ----------
    source : W/mm³ at the nodes while sonicating
    perfusion : 1/s at the nodes
    sonication_s : the source is on from 0 until then
    times_s : rising times at which the dose is kept; the last is the end
    shutdown : perfusion stops where the dose passes that of ablation
    boiling_c : temperature is held there: boiling takes the rest of the heat
    """
    limit = grid.spacing**2 / (6 * DIFFUSIVITY_MM2_PER_S)
    step = min(0.8 * limit, 0.5)
    rise = np.zeros(grid.shape, dtype=np.float32)
    dose = np.zeros(grid.shape, dtype=np.float32)
    peak = np.zeros(grid.shape, dtype=np.float32)
    flow = perfusion.astype(np.float32)
    gain = (source / HEAT_CAPACITY_J_PER_MM3_K).astype(np.float32)
    inner = (slice(1, -1),) * 3
    kept, now = [], 0.0
    for until in times_s:
        while now < until - 1e-9:
            # Steps end exactly at the end of sonication and at each time that is kept.
            bounds = [until] + ([sonication_s] if now < sonication_s - 1e-9 else [])
            dt = min(step, min(bounds) - now)
            centre = rise[inner]
            change = -6 * centre
            for axis in range(3):
                for start in (0, 2):
                    window = list(inner)
                    window[axis] = slice(start, rise.shape[axis] - 2 + start)
                    change += rise[tuple(window)]
            change *= DIFFUSIVITY_MM2_PER_S / grid.spacing**2
            change -= flow[inner] * centre
            if now < sonication_s - 1e-9:
                change += gain[inner]
            np.minimum(centre + dt * change, boiling_c - BODY_C, out=centre)
            warm = rise > WARM_K
            dose[warm] += dose_rate(rise[warm] + np.float32(BODY_C)) * np.float32(dt / 60.0)
            np.maximum(peak, rise, out=peak)
            if shutdown:
                flow[dose >= ABLATED_CEM43_MIN] = 0.0
            now += dt
        kept.append(np.log10(np.maximum(dose, 10**LOG_DOSE_FLOOR)))
    return Heating(
        grid, np.asarray(times_s, dtype=float), np.stack(kept), peak + BODY_C, rise + BODY_C
    )
