"""Periodic microscopic textures of each tissue: amounts of haematoxylin, eosin and red cells.

Each is a tile of 1024 × 1024 pixels of 1 µm that repeats without a seam, made of random polygons
(cells, tubules, fat) on a jittered lattice. Coarser copies are averages, so that a section painted
at large pixels has the mean colour of one painted finely. Sizes are typical ones (common practice,
no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import ndimage

SIZE = 1024
LEVELS = 8


@dataclass(frozen=True)
class Cells:
    """Random polygons: for each pixel its nearest centre.

    near : distance to it in µm; edge : distance to the polygon's edge, about
    which : its number; dy, dx : from the centre to the pixel
    centres : (n, 2) µm
    """

    near: np.ndarray
    edge: np.ndarray
    which: np.ndarray
    dy: np.ndarray
    dx: np.ndarray
    centres: np.ndarray


def cells(
    rng: np.random.Generator, pitch: float, jitter: float = 0.85, stretch: float = 1.0
) -> Cells:
    """Polygons of about `pitch` µm across and `pitch * stretch` µm down, on a periodic tile."""
    # Small polygons repeat after half a tile; their numbers, and all that hangs on them, do not.
    size = SIZE // 2 if pitch * stretch < 40 else SIZE
    columns = max(3, round(size / pitch))
    rows = max(3, round(size / (pitch * stretch)))
    step = np.array([size / rows, size / columns])
    offset = 0.5 + (rng.random((rows, columns, 2)) - 0.5) * jitter
    index = np.stack(np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij"), axis=-1)
    centres = ((index + offset) * step).astype(np.float32).reshape(-1, 2)
    along = np.arange(size)
    row = (along // step[0]).astype(np.int32)[:, None]
    column = (along // step[1]).astype(np.int32)[None, :]
    y, x = along.astype(np.float32)[:, None], along.astype(np.float32)[None, :]
    first = np.full((size, size), np.inf, dtype=np.float32)
    second, which = first.copy(), np.zeros((size, size), dtype=np.int32)
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            number = ((row + i) % rows) * np.int32(columns) + (column + j) % columns
            distance = np.square(_wrapped(y - centres[number, 0], size) / np.float32(stretch))
            distance += np.square(_wrapped(x - centres[number, 1], size))
            np.copyto(which, number, where=distance < first)
            np.minimum(second, np.maximum(first, distance), out=second)
            np.minimum(first, distance, out=first)
    near = np.sqrt(first)
    parts = [near, (np.sqrt(second) - near) / 2]
    parts += [_wrapped(y - centres[which, 0], size), _wrapped(x - centres[which, 1], size)]
    if size < SIZE:
        n = np.int32(len(centres))
        which = np.block([[which, which + n], [which + 2 * n, which + 3 * n]])
        parts = [np.tile(part, (2, 2)) for part in parts]
        centres = np.concatenate(
            [centres + np.array((r, c), dtype=np.float32) for r in (0, size) for c in (0, size)]
        )
    return Cells(parts[0], parts[1], which, parts[2], parts[3], centres)


def _wrapped(difference: np.ndarray, size: int) -> np.ndarray:
    """The shorter way around a period."""
    half = np.float32(size / 2)
    difference = np.where(difference > half, difference - np.float32(size), difference)
    return np.where(difference < -half, difference + np.float32(size), difference)


def noise(rng: np.random.Generator, wavelength: float, stretch: float = 1.0) -> np.ndarray:
    """Smooth periodic noise of SD 1."""
    sigma = wavelength / 4
    spectrum = np.fft.rfft2(rng.standard_normal((SIZE, SIZE)))
    down = np.exp(-2 * np.square(np.pi * sigma * stretch * np.fft.fftfreq(SIZE)))
    across = np.exp(-2 * np.square(np.pi * sigma * np.fft.rfftfreq(SIZE)))
    field = np.fft.irfft2(spectrum * down[:, None] * across, s=(SIZE, SIZE))
    return (field / field.std()).astype(np.float32)


def wobbled(rng: np.random.Generator, amounts: np.ndarray) -> np.ndarray:
    """A tile whose outlines waver by some 2 µm: nothing in tissue is a straight polygon."""
    y, x = np.meshgrid(np.arange(SIZE), np.arange(SIZE), indexing="ij")
    at = np.stack([y + 2.2 * noise(rng, 26.0), x + 2.2 * noise(rng, 26.0)])
    channels = [
        ndimage.map_coordinates(amounts[..., k], at, order=1, mode="grid-wrap") for k in range(3)
    ]
    return np.stack(channels, axis=-1)


def nuclei(
    rng: np.random.Generator,
    pitch: float,
    radius: float,
    present: float | np.ndarray,
    long: float = 1.3,
) -> np.ndarray:
    """Share 0–1 of each pixel that is nucleus, darker where the chromatin clumps (up to 1.3).

    present : probability, or a map (SIZE, SIZE) of it that is read at each nucleus's centre
    long : length over width; very elongated nuclei lie along the rows' direction (down)
    """
    lattice = cells(rng, pitch, jitter=0.8)
    n = len(lattice.centres)
    chance = present
    if isinstance(present, np.ndarray):
        at = lattice.centres.astype(int) % SIZE
        chance = present[at[:, 0], at[:, 1]]
    shown = rng.random(n) < chance
    size = (radius * rng.uniform(0.75, 1.25, n) * shown).astype(np.float32)[lattice.which]
    spread = 0.25 if long > 2 else np.pi
    angle = rng.uniform(-spread, spread, n).astype(np.float32)[lattice.which]
    shape = np.sqrt(rng.uniform(1.0, 2 * long - 1.0, n)).astype(np.float32)[lattice.which]
    cos, sin = np.cos(angle), np.sin(angle)
    down = (lattice.dy * cos + lattice.dx * sin) / shape
    across = (lattice.dx * cos - lattice.dy * sin) * shape
    mask = np.clip(size - np.hypot(down, across) + 0.5, 0, 1)
    mask[size == 0] = 0
    dark = rng.uniform(0.75, 1.1, n).astype(np.float32)[lattice.which]
    return mask * dark * (1 + 0.15 * noise(rng, 3.0))


def _stack(h: Any, e: Any, r: Any = 0.0) -> np.ndarray:
    amounts = np.stack(np.broadcast_arrays(h, e, np.float32(r)), axis=-1)
    return np.clip(amounts, 0, None).astype(np.float32)


def collagen(rng: np.random.Generator) -> np.ndarray:
    """Wavy eosinophilic fibres with few spindle nuclei: capsule, stroma, vessel wall."""
    fibres = noise(rng, 6.0, stretch=7.0) + 0.5 * noise(rng, 14.0, stretch=4.0)
    nucleus = nuclei(rng, 22.0, 2.4, 0.55, long=3.5)
    eosin = np.clip(0.62 + 0.16 * fibres, 0.08, None)
    return _stack(0.05 + 1.5 * nucleus, eosin * (1 - 0.4 * nucleus))


def tumour(rng: np.random.Generator) -> np.ndarray:
    """Nests of crowded dark nuclei between thin bands of stroma."""
    nests = cells(rng, 150.0)
    band = np.clip((9.0 + 3 * noise(rng, 60.0) - nests.edge) / 4, 0, 1)
    nucleus = nuclei(rng, 10.0, 3.7, 0.88 * (1 - 0.6 * band))
    body = cells(rng, 11.0)
    eosin = 0.36 + 0.06 * noise(rng, 40.0) + 0.05 * noise(rng, 5.0)
    eosin = eosin * np.clip(body.edge / 1.2, 0.45, 1)
    nest = _stack(0.16 + 1.45 * nucleus, eosin * (1 - 0.35 * nucleus))
    return nest + band[..., None] * (collagen(rng) - nest)


def cortex(rng: np.random.Generator) -> np.ndarray:
    """Tubules cut across, and glomeruli in their capsules' clear spaces."""
    tube = cells(rng, 44.0)
    n = len(tube.centres)
    distal = (rng.random(n) < 0.3)[tube.which]
    lumen = (rng.uniform(3.0, 8.0, n).astype(np.float32))[tube.which] + 3.0 * distal
    ragged = tube.near + 0.8 * noise(rng, 6.0)
    wall = np.clip((ragged - lumen) / 1.5, 0, 1) * np.clip((tube.edge - 1.2) / 1.2, 0, 1)
    between = np.clip((1.6 - tube.edge) / 1.0, 0, 1)
    place = np.where((tube.edge > 3) & (tube.edge < 9) & (tube.near > lumen + 2), 0.62, 0.03)
    nucleus = nuclei(rng, 11.5, 3.0, place, long=1.1)
    eosin = np.where(distal, 0.36, 0.60) + 0.05 * noise(rng, 4.0) + 0.04 * noise(rng, 80.0)
    eosin = eosin * wall + 0.22 * between
    amounts = _stack(0.10 * wall + 1.35 * nucleus, eosin * (1 - 0.4 * nucleus))
    tuft = cells(rng, 330.0, jitter=0.6)
    m = len(tuft.centres)
    radius = rng.uniform(42, 58, m).astype(np.float32)[tuft.which]
    rough = tuft.near + 3.5 * noise(rng, 26.0)
    inside = np.clip((radius - 8 - rough) / 2, 0, 1)
    space = np.clip((radius - tuft.near) / 2, 0, 1)
    dense = nuclei(rng, 10.5, 2.9, 0.7)
    loops = np.clip(0.36 + 0.14 * noise(rng, 9.0), 0.05, None)
    glomerulus = _stack(0.12 + 1.3 * dense, loops) * inside[..., None]
    return amounts + space[..., None] * (glomerulus - amounts)


def medulla(rng: np.random.Generator) -> np.ndarray:
    """Straight tubules side by side, running down the tile."""
    tube = cells(rng, 24.0, stretch=9.0)
    lumen = rng.uniform(1.5, 4.5, len(tube.centres)).astype(np.float32)[tube.which]
    across = np.abs(tube.dx) + 0.6 * noise(rng, 8.0, stretch=3.0)
    wall = np.clip((across - lumen) / 1.2, 0, 1) * np.clip(tube.edge / 1.5, 0.25, 1)
    nucleus = nuclei(rng, 11.0, 2.8, np.where(across > lumen + 2, 0.6, 0.08), long=1.3)
    eosin = (0.40 + 0.06 * noise(rng, 30.0, stretch=3.0)) * wall
    return _stack(0.12 * wall + 1.25 * nucleus, eosin * (1 - 0.4 * nucleus))


def fat(rng: np.random.Generator) -> np.ndarray:
    """Empty fat cells between thin walls."""
    cell = cells(rng, 62.0, jitter=0.7)
    wall = np.clip((1.5 - cell.edge) / 1.0, 0, 1)
    nucleus = nuclei(rng, 26.0, 2.2, np.where(cell.edge < 4, 0.5, 0.0), long=2.0)
    return _stack(1.1 * nucleus, 0.42 * wall)


def blood(rng: np.random.Generator) -> np.ndarray:
    """Packed red cells."""
    cell = cells(rng, 7.0)
    disc = np.clip(cell.edge / 0.9, 0.15, 1)
    pale = 1 - 0.25 * np.exp(-np.square(cell.near / 1.6))
    return _stack(0.02, 0.12, 0.75 * disc * pale * (1 + 0.08 * noise(rng, 30.0)))


def vacuoles(rng: np.random.Generator) -> np.ndarray:
    """Holes of boiled tissue: how readily each pixel opens (0–1), debris, and red cells."""
    large, small = cells(rng, 75.0), cells(rng, 30.0)
    big = rng.uniform(0.2, 1.0, len(large.centres)).astype(np.float32)[large.which]
    little = rng.uniform(0.0, 0.8, len(small.centres)).astype(np.float32)[small.which]
    round_big = big - large.near / 42.0 + 0.03 * noise(rng, 12.0)
    round_little = little - small.near / 18.0
    return _stack(np.maximum(round_big, round_little), 0.0)


MAKERS = {
    "collagen": collagen,
    "tumour": tumour,
    "cortex": cortex,
    "medulla": medulla,
    "fat": fat,
    "blood": blood,
    "vacuoles": vacuoles,
}


@lru_cache(maxsize=64)
def tile(name: str, level: int) -> np.ndarray:
    """One texture, (SIZE / 2**level, same, 3) float32, pixels of 2**level µm; read-only.

    The same for every scenario: the section places, turns and bends it.
    """
    if level == 0:
        rng = np.random.default_rng([2024, sorted(MAKERS).index(name)])
        made = wobbled(rng, MAKERS[name](rng))
    else:
        fine = tile(name, level - 1)
        n = len(fine) // 2
        made = fine.reshape(n, 2, n, 2, 3).mean(axis=(1, 3))
    made.setflags(write=False)
    return made


@lru_cache(maxsize=4)
def smooth_noise(number: int) -> np.ndarray:
    """A periodic (256, 256) float32 table of smooth noise, SD 1, wavelength about 16 entries."""
    rng = np.random.default_rng([2025, number])
    field = ndimage.gaussian_filter(
        rng.standard_normal((256, 256), dtype=np.float32), 3.0, mode="wrap"
    )
    field /= field.std()
    field.setflags(write=False)
    return field
