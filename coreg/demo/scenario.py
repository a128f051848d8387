"""Every choice that the generator makes, as one frozen record."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np

from coreg.errors import InputError

# Each part of the generator draws from its own stream, so that a change in one part (more frames,
# another stain) leaves all other parts of the same seed as they were.
STREAMS = (
    "scenario",
    "anatomy",
    "sensitivity",
    "bmode",
    "recording",
    "bend",
    "tear",
    "texture",
    "landmarks",
    "outlines",
)


@dataclass(frozen=True)
class Scenario:
    """One invented animal, its treatment, its recording and its section.

    Lengths in mm, times in s, angles in degrees, amplitudes in µm peak to peak. The imaging plane
    is elevation 0; depth runs from 0 to `depth_mm`, lateral from ``-lateral_mm / 2`` to
    ``+lateral_mm / 2``.

    Parameters
    ----------
    seed : seeds every random choice
    treated : False leaves the animal unheated: no change, no zone but tumour and viable
    depth_mm, lateral_mm, plane_shape : extent and pixels (depth, lateral) of the recording
    frame_rate_hz, modulation_frequency_hz, frames : of the recording at one treatment time
    treatment_times : how many recordings, the first at baseline, the last after cooling
    focus_mm : (depth, lateral) of the fixed focus
    kidney_semiaxes_mm : along the long axis, across it (towards the hilum), and in thickness
    kidney_angle_deg : of the long axis in the imaging plane against the lateral direction
    tumour_radius_mm, tumour_offset_mm : tumour size, and its centre relative to the focus
    power_w, sonication_s, beam_sigma_mm : absorbed power, duration, Gaussian focus (depth, lateral)
    rim_cem43_min : thermal dose above which tissue is diffusion-damaged (ablated: 240 min)
    stiffness_ratio : coagulated against native tissue
    tumour_stiffness : tumour against kidney
    peak_amplitude_um : at the focus in native kidney
    tracking_fwhm_mm : point-spread of the displacement tracking (depth, lateral)
    noise : multiplies the tracking noise; 0 gives a noise-free recording
    decorrelated_regions, shadow : patches without tracking, and a shadow behind a rib
    offset_mm, tilt_deg, tilt_direction_deg : section plane against imaging plane
    turn_deg, mirrored : how the section lies on the glass
    shrinkage : fractions along (depth, lateral)
    bend_mm : largest displacement of the smooth random bend
    tear : whether the knife tore the section
    haematoxylin, eosin : stain strengths (1 is ordinary)
    stain_shift : how far the stain colours lie off the reference (0 none, 1 another laboratory)
    landmark_error_mm, outline_error_mm : standard deviations of the observers
    truth_spacing_mm : pixel size of the truth's label maps
    """

    seed: int = 0
    treated: bool = True
    depth_mm: float = 40.0
    lateral_mm: float = 38.0
    plane_shape: tuple[int, int] = (200, 128)
    frame_rate_hz: float = 1000.0
    modulation_frequency_hz: float = 50.0
    frames: int = 60
    treatment_times: int = 6
    focus_mm: tuple[float, float] = (21.0, 7.5)
    kidney_semiaxes_mm: tuple[float, float, float] = (14.0, 9.5, 8.5)
    kidney_angle_deg: float = 6.0
    tumour_radius_mm: float = 6.0
    tumour_offset_mm: tuple[float, float] = (0.4, 0.6)
    power_w: float = 1.0
    sonication_s: float = 60.0
    beam_sigma_mm: tuple[float, float] = (2.2, 1.2)
    rim_cem43_min: float = 10.0
    stiffness_ratio: float = 3.0
    tumour_stiffness: float = 1.6
    peak_amplitude_um: float = 45.0
    tracking_fwhm_mm: tuple[float, float] = (1.0, 0.8)
    noise: float = 1.0
    decorrelated_regions: int = 2
    shadow: bool = True
    offset_mm: float = 0.4
    tilt_deg: float = 3.0
    tilt_direction_deg: float = 30.0
    turn_deg: float = 25.0
    mirrored: bool = False
    shrinkage: tuple[float, float] = (0.15, 0.11)
    bend_mm: float = 0.7
    tear: bool = True
    haematoxylin: float = 1.0
    eosin: float = 1.0
    stain_shift: float = 0.0
    landmark_error_mm: float = 0.3
    outline_error_mm: float = 0.2
    truth_spacing_mm: float = 0.1

    def __post_init__(self) -> None:
        above_zero = (
            "depth_mm lateral_mm frame_rate_hz modulation_frequency_hz tumour_radius_mm power_w "
            "sonication_s stiffness_ratio tumour_stiffness peak_amplitude_um truth_spacing_mm"
        )
        for name in above_zero.split():
            if not getattr(self, name) > 0:
                raise InputError(f"Expected {name} above 0, got {getattr(self, name)}.")
        for name in ("noise", "bend_mm", "landmark_error_mm", "outline_error_mm"):
            if getattr(self, name) < 0:
                raise InputError(f"Expected {name} of at least 0, got {getattr(self, name)}.")
        if self.treatment_times < 2 or self.frames < 8:
            raise InputError(
                "Expected at least 2 treatment times and 8 frames, got "
                f"{self.treatment_times} and {self.frames}."
            )
        if self.modulation_frequency_hz >= self.frame_rate_hz / 2:
            raise InputError(
                f"Expected a modulation frequency below half the frame rate "
                f"({self.frame_rate_hz / 2:g} Hz), got {self.modulation_frequency_hz:g} Hz."
            )
        if not all(0 <= s < 0.5 for s in self.shrinkage) or abs(self.tilt_deg) >= 45:
            raise InputError(
                "Expected shrinkage from 0 to 0.5 and a tilt below 45 degrees, got "
                f"{self.shrinkage} and {self.tilt_deg}."
            )

    def rng(self, stream: str, part: int = 0) -> np.random.Generator:
        """The random generator of one part of the simulation: one of `STREAMS`, and its part."""
        return np.random.default_rng([self.seed, STREAMS.index(stream), part])

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> Scenario:
        """Inverse of `to_dict`; raises `InputError` for an unknown name."""
        unknown = sorted(set(values) - {field.name for field in fields(cls)})
        if unknown:
            raise InputError(f"Unknown choice {unknown[0]!r} for the demo scenario.")
        plain: dict[str, Any] = {
            k: tuple(v) if isinstance(v, list) else v for k, v in values.items()
        }
        return cls(**plain)

    @classmethod
    def random(cls, seed: int, **fixed: Any) -> Scenario:
        """A plausible random case; `fixed` overrides single choices.

        The ranges are invented. Shrinkage of 8–20 % covers the figures that are published for
        resected tissue (see `tests/published`), none of which is for ablated tissue.
        """
        rng = np.random.default_rng([seed, STREAMS.index("scenario")])
        drawn = cls(
            seed=seed,
            focus_mm=(rng.uniform(20, 23), rng.uniform(6.5, 8.5)),
            kidney_semiaxes_mm=(rng.uniform(13, 15), rng.uniform(9, 10.5), rng.uniform(8, 9.5)),
            kidney_angle_deg=rng.uniform(-12, 12),
            tumour_radius_mm=rng.uniform(5.0, 7.0),
            tumour_offset_mm=(rng.normal(0, 0.6), rng.normal(0, 0.6)),
            power_w=rng.uniform(0.5, 1.15),
            sonication_s=rng.uniform(40, 90),
            beam_sigma_mm=(rng.uniform(1.9, 2.6), rng.uniform(1.0, 1.4)),
            stiffness_ratio=rng.uniform(2.2, 4.0),
            tumour_stiffness=rng.uniform(1.2, 2.0),
            peak_amplitude_um=rng.uniform(30, 60),
            noise=rng.uniform(0.6, 1.6),
            decorrelated_regions=int(rng.integers(0, 4)),
            shadow=bool(rng.random() < 0.6),
            offset_mm=rng.uniform(-1.0, 1.0),
            tilt_deg=rng.uniform(0, 6),
            tilt_direction_deg=rng.uniform(0, 360),
            turn_deg=rng.uniform(-180, 180),
            mirrored=bool(rng.random() < 0.4),
            shrinkage=(rng.uniform(0.08, 0.20), rng.uniform(0.08, 0.20)),
            bend_mm=rng.uniform(0.3, 1.2),
            tear=bool(rng.random() < 0.5),
            haematoxylin=rng.uniform(0.75, 1.3),
            eosin=rng.uniform(0.75, 1.3),
            stain_shift=rng.uniform(0, 1),
            landmark_error_mm=rng.uniform(0.15, 0.4),
            outline_error_mm=rng.uniform(0.1, 0.3),
        )
        return replace(drawn, **fixed)
