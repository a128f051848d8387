"""Agreement of a predicted lesion with a pathology lesion: measures, intervals, curves, limits."""

from coreg.agreement.lesions import LesionMatch, match_lesions
from coreg.agreement.measures import (
    MEASURES,
    Agreement,
    measure,
    measure_outlines,
    on_finer_grid,
    refined_grid,
)

__all__ = [
    "MEASURES",
    "Agreement",
    "LesionMatch",
    "match_lesions",
    "measure",
    "measure_outlines",
    "on_finer_grid",
    "refined_grid",
]
