"""From a stained section to the zones that a pathologist confirms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coreg.zones.consensus import Consensus
    from coreg.zones.edit import EdgeFollower, ZoneRules, arrange, combine, measure, smooth
    from coreg.zones.features import FEATURES, FeatureMaps, compute, compute_slide
    from coreg.zones.learn import Stroke, ZoneModel, applicability, train
    from coreg.zones.proposal import Proposal
    from coreg.zones.propose import ProposeOptions
    from coreg.zones.regularise import Regularity

_PLACES = {
    "FEATURES": "features",
    "Consensus": "consensus",
    "EdgeFollower": "edit",
    "FeatureMaps": "features",
    "Proposal": "proposal",
    "ProposeOptions": "propose",
    "Regularity": "regularise",
    "Stroke": "learn",
    "ZoneModel": "learn",
    "ZoneRules": "edit",
    "applicability": "learn",
    "arrange": "edit",
    "combine": "edit",
    "compute": "features",
    "compute_slide": "features",
    "measure": "edit",
    "smooth": "edit",
    "train": "learn",
}

# `consensus` and `propose` are also the names of modules here: import these two from them.
__all__ = [
    "FEATURES",
    "Consensus",
    "EdgeFollower",
    "FeatureMaps",
    "Proposal",
    "ProposeOptions",
    "Regularity",
    "Stroke",
    "ZoneModel",
    "ZoneRules",
    "applicability",
    "arrange",
    "combine",
    "compute",
    "compute_slide",
    "measure",
    "smooth",
    "train",
]


def __getattr__(name: str) -> Any:
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_PLACES[name]}"), name)
