"""Named stain sets as data: how each dye absorbs red, green and blue light, and what it marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coreg.errors import InputError


@dataclass(frozen=True)
class StainSet:
    """The dyes of a staining.

    Parameters
    ----------
    name : of the staining, e.g. "H&E"
    stains : the dyes' names, n of them, 1 to 3
    vectors : (n, 3) optical density of each dye in (red, green, blue); stored at unit length
    marks : what each dye colours
    source : where the vectors come from
    viable : the dye that only living tissue takes up, or "" where none does
    """

    name: str
    stains: tuple[str, ...]
    vectors: np.ndarray
    marks: tuple[str, ...]
    source: str
    viable: str = ""

    def __post_init__(self) -> None:
        vectors = np.array(self.vectors, dtype=np.float64)
        n = len(self.stains)
        if vectors.shape != (n, 3) or not 1 <= n <= 3 or len(self.marks) != n:
            raise InputError(
                f"Expected 1 to 3 stains with a vector of 3 each, got {n} names and vectors of "
                f"shape {vectors.shape}."
            )
        lengths = np.linalg.norm(vectors, axis=1, keepdims=True)
        if not np.isfinite(vectors).all() or (lengths < 1e-9).any():
            raise InputError(f"The stain vectors of {self.name} are not finite or have no length.")
        vectors = vectors / lengths
        if np.linalg.matrix_rank(vectors, tol=1e-3) < n:
            raise InputError(
                f"The stain vectors of {self.name} lie in one line or plane, so the stains cannot "
                "be told apart; give vectors that differ."
            )
        vectors.flags.writeable = False
        object.__setattr__(self, "vectors", vectors)

    @property
    def matrix(self) -> np.ndarray:
        """The vectors completed to (3, 3).

        Two stains are completed by their cross product, as Ruifrok and Johnston do; one by two
        directions at right angles to it. What lies there is the residual.
        """
        if len(self.vectors) == 3:
            return self.vectors
        if len(self.vectors) == 2:
            third = np.cross(self.vectors[0], self.vectors[1])
            return np.vstack([self.vectors, third / np.linalg.norm(third)])
        _, _, rest = np.linalg.svd(self.vectors)
        return np.vstack([self.vectors, rest[1:]])

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON or TOML."""
        return {
            "name": self.name,
            "stains": list(self.stains),
            "vectors": self.vectors.tolist(),
            "marks": list(self.marks),
            "source": self.source,
            "viable": self.viable,
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> StainSet:
        """Inverse of `to_dict`."""
        return cls(
            values["name"],
            tuple(values["stains"]),
            np.array(values["vectors"]),
            tuple(values["marks"]),
            values["source"],
            values.get("viable", ""),
        )


_RUIFROK = (
    "A. C. Ruifrok, D. A. Johnston, Anal Quant Cytol Histol 2001;23:291-299, as scikit-image's "
    "skimage.color carries it"
)

STAIN_SETS: dict[str, StainSet] = {
    each.name: each
    for each in (
        StainSet(
            "H&E",
            ("haematoxylin", "eosin"),
            np.array([[0.65, 0.70, 0.29], [0.07, 0.99, 0.11]]),
            ("nuclei", "cytoplasm, collagen, red blood cells"),
            _RUIFROK,
        ),
        StainSet(
            "H-DAB",
            ("haematoxylin", "DAB"),
            np.array([[0.65, 0.70, 0.29], [0.27, 0.57, 0.78]]),
            ("nuclei", "the antibody's target, brown"),
            _RUIFROK,
        ),
        StainSet(
            "Masson's trichrome",
            ("methyl blue", "ponceau fuchsin"),
            np.array([[0.7995107, 0.5913521, 0.10528667], [0.09997159, 0.73738605, 0.6680326]]),
            ("collagen", "muscle, cytoplasm, coagulated tissue"),
            "scikit-image's skimage.color.rgb_from_bpx, after G. Landini's colour deconvolution",
        ),
        StainSet(
            "NADH-diaphorase",
            ("formazan",),
            np.array([[0.62302786, 0.697869, 0.3532918]]),
            ("living cells with active enzyme, blue; coagulated tissue stays pale",),
            "nitroblue tetrazolium in G. Landini's colour deconvolution, from memory; estimate it "
            "from the slide",
            "formazan",
        ),
        StainSet(
            "TTC",
            ("formazan",),
            np.array([[0.10, 0.70, 0.70]]),
            ("living tissue with active enzyme, red; dead tissue stays pale",),
            "nominal red that lets red light pass, common practice, no source; estimate it from "
            "the picture",
            "formazan",
        ),
    )
}


def stain_set(name: str) -> StainSet:
    """A named stain set; raises `InputError` with the known names for any other."""
    try:
        return STAIN_SETS[name]
    except KeyError:
        known = ", ".join(STAIN_SETS)
        raise InputError(f"Unknown stain {name!r}; [slide] stain is one of {known}.") from None
