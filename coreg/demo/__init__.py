"""The invented scenario with known truth: rabbits with a tumour at the lower pole of a kidney.

``simulate(Scenario(seed=1))`` makes one case in memory, ``write_case`` writes it as files. Every
number is made up by the generator, which knows the truth and writes it beside the data.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coreg.demo.files import write_case as write_case
    from coreg.demo.scenario import Scenario as Scenario
    from coreg.demo.simulated import Simulated as Simulated
    from coreg.demo.simulated import simulate as simulate

_HOME = {
    "Scenario": "coreg.demo.scenario",
    "Simulated": "coreg.demo.simulated",
    "simulate": "coreg.demo.simulated",
    "write_case": "coreg.demo.files",
}
__all__ = ["Scenario", "Simulated", "simulate", "write_case"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME[name]), name)
