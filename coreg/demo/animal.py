"""One animal after its treatment: anatomy, heat and the zones that follow, at any 3-D point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coreg.demo.anatomy import Anatomy, Levels, Waves
from coreg.demo.heating import (
    ABLATED_CEM43_MIN,
    BODY_C,
    LOG_DOSE_FLOOR,
    HeatGrid,
    Heating,
    gaussian_source,
    heat,
)
from coreg.demo.scenario import Scenario
from coreg.geometry import ZONES

HEAT_SPACING_MM = 0.6
HEAT_BOX_MM = (14.0, 11.0, 11.0)
COOLING_S = 60.0
# Perfusion rates in 1/s: invented within the range of textbooks (kidney most, tumour less).
PERFUSION = {"body": 0.004, "kidney": 0.03, "medulla": 0.012, "tumour": 0.008, "vessel": 0.06}


@dataclass(frozen=True)
class State:
    """What is true at n points after the treatment.

    ablation, rim : decades of thermal dose above the one that ablates, and that of the rim,
        after the tissue's own sensitivity; positive inside
    peak_c : highest temperature that the heat diffusion gave
    """

    levels: Levels
    ablation: np.ndarray
    rim: np.ndarray
    peak_c: np.ndarray


class Animal:
    """Anatomy, heating and sensitivity to heat of one scenario."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.anatomy = Anatomy(scenario)
        self._sensitivity = Waves(scenario.rng("sensitivity"), 4.0)
        self.heating = self._heat() if scenario.treated else None

    @property
    def treatment_times_s(self) -> np.ndarray:
        """When the recordings were made: baseline, over the sonication, after cooling."""
        scenario = self.scenario
        during = np.linspace(0, scenario.sonication_s, scenario.treatment_times - 1)
        return np.append(during, scenario.sonication_s + COOLING_S)

    def _heat(self) -> Heating:
        scenario = self.scenario
        depth, lateral = scenario.focus_mm
        along, across = scenario.beam_sigma_mm
        grid = HeatGrid.around((depth, lateral, 0.0), HEAT_BOX_MM, HEAT_SPACING_MM)
        levels = self.anatomy.levels(grid.points())
        flow = np.full(levels.tissue.shape, PERFUSION["body"])
        flow[levels.kidney > 0] = PERFUSION["kidney"]
        flow[levels.medulla > 0] = PERFUSION["medulla"]
        flow[levels.tumour > 0] = PERFUSION["tumour"]
        flow[levels.vessel > 0] = PERFUSION["vessel"]
        source = gaussian_source(
            grid, (depth, lateral, 0.0), (along, across, across), scenario.power_w
        )
        return heat(
            grid,
            source,
            flow.reshape(grid.shape),
            scenario.sonication_s,
            self.treatment_times_s,
        )

    def sensitivity(self, points: np.ndarray) -> np.ndarray:
        """Decades by which tissue at points (n, 3) needs less dose than is usual (SD 0.25)."""
        return 0.25 * self._sensitivity(points)

    def log_dose(self, points: np.ndarray, time: int = -1) -> np.ndarray:
        """log10 of CEM43 in minutes at points (n, 3) at one treatment time; -3 where unheated."""
        if self.heating is None:
            return np.full(len(points), LOG_DOSE_FLOOR)
        return self.heating.grid.sample(self.heating.log_dose[time], points, LOG_DOSE_FLOOR)

    def state(self, points: np.ndarray) -> State:
        """Everything at points (n, 3) after the treatment."""
        dose = self.log_dose(points) + self.sensitivity(points)
        peak = np.full(len(points), BODY_C)
        if self.heating is not None:
            peak = self.heating.grid.sample(self.heating.peak_c, points, BODY_C)
        return State(
            self.anatomy.levels(points),
            dose - np.log10(ABLATED_CEM43_MIN),
            dose - np.log10(self.scenario.rim_cem43_min),
            peak,
        )


def zones(state: State) -> np.ndarray:
    """Zone numbers (`coreg.geometry.ZONES`) at the points of a state, uint8; 0 off the tissue."""
    labels = np.zeros(len(state.rim), dtype=np.uint8)
    tissue = state.levels.tissue > 0
    labels[tissue] = ZONES["viable"]
    labels[tissue & (state.levels.tumour > 0)] = ZONES["tumour"]
    labels[tissue & (state.rim > 0)] = ZONES["diffusion-damaged"]
    labels[tissue & (state.ablation > 0)] = ZONES["ablated"]
    return labels
