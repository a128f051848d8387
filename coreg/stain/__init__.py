"""Stain of a section: optical density, separation, estimation, normalisation; tissue and artefacts.

What is tissue and what a stain marks is known here; what a zone is, is not.
"""

from __future__ import annotations

from coreg.stain.density import (
    combine,
    optical_density,
    separate,
    separate_slide,
    white_point,
)
from coreg.stain.estimate import StainEstimate, estimate_vectors
from coreg.stain.normalise import StainProfile, normalise, profile
from coreg.stain.sample import sample_tissue
from coreg.stain.sections import Section, sections
from coreg.stain.sets import STAIN_SETS, StainSet, stain_set
from coreg.stain.tissue import Artefacts, artefact_mask, artefacts, tissue_mask

__all__ = [
    "STAIN_SETS",
    "Artefacts",
    "Section",
    "StainEstimate",
    "StainProfile",
    "StainSet",
    "artefact_mask",
    "artefacts",
    "combine",
    "estimate_vectors",
    "normalise",
    "optical_density",
    "profile",
    "sample_tissue",
    "sections",
    "separate",
    "separate_slide",
    "stain_set",
    "tissue_mask",
    "white_point",
]
