"""Make one slide look as if it had been stained with another, the reference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError
from coreg.geometry import Image
from coreg.stain.density import as_rgb, combine, separate
from coreg.stain.estimate import StainEstimate, estimate_vectors
from coreg.stain.sets import StainSet


@dataclass(frozen=True)
class StainProfile:
    """How a slide is stained: its vectors, white point (3,), and strong density (n,) of each stain.

    The strong density is the 99th percentile over stained pixels.
    """

    stains: StainSet
    white: np.ndarray
    strong: np.ndarray

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON or TOML."""
        return {
            "stains": self.stains.to_dict(),
            "white": np.asarray(self.white).tolist(),
            "strong": np.asarray(self.strong).tolist(),
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> StainProfile:
        """Inverse of `to_dict`."""
        return cls(
            StainSet.from_dict(values["stains"]),
            np.array(values["white"]),
            np.array(values["strong"]),
        )


def profile(
    image: Image | np.ndarray,
    mask: np.ndarray | None = None,
    *,
    estimate: StainEstimate | None = None,
    stains: StainSet | None = None,
) -> StainProfile:
    """Measure how a slide is stained.

    Parameters
    ----------
    image : 8-bit RGB
    mask : bool (h, w), tissue without artefacts; all by default
    estimate : made already; else `estimate_vectors` is called with `stains`
    """
    rgb = as_rgb(image)
    found = estimate if estimate is not None else estimate_vectors(rgb, mask, stains=stains)
    densities = separate(rgb, found.stains, found.white)
    picked = densities.reshape(-1, densities.shape[-1]) if mask is None else densities[mask]
    if not len(picked):
        raise InputError("There is no tissue in the picture; its stain cannot be measured.")
    strong = np.percentile(picked, 99, axis=0)
    return StainProfile(found.stains, found.white, np.maximum(strong, 1e-3))


def normalise(
    image: Image | np.ndarray, source: StainProfile, reference: StainProfile
) -> np.ndarray:
    """Give a picture the reference's stain colours, strength and white.

    Parameters
    ----------
    image : 8-bit RGB, stained as `source` says
    source, reference : of the same staining

    Returns
    -------
    uint8 (h, w, 3). What lies in neither stain's direction is dropped.

    Source: M. Macenko et al., IEEE ISBI 2009, 1107-1110 (99th percentile as there, from memory).
    """
    if source.stains.stains != reference.stains.stains:
        raise InputError(
            f"The slide is stained with {', '.join(source.stains.stains)}, the reference with "
            f"{', '.join(reference.stains.stains)}; choose a reference of the same staining."
        )
    densities = separate(as_rgb(image), source.stains, source.white)
    scale = reference.strong / source.strong
    return combine(densities * scale, reference.stains, reference.white)
