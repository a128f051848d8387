"""Every setting that case.toml may hold: its type, default, bounds and meaning.

One table serves the check of a case file, the comments in a new one, and the reference pages.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from typing import Any

from coreg.errors import InputError, in_one_line


@dataclass(frozen=True)
class Setting:
    """One key of case.toml.

    Parameters
    ----------
    kind : "text", "number", "whole", "yes/no", "numbers" (a list), "texts"
    default : value where the key is absent; None means "not given"
    about : one line for the file's comment and the reference
    choices : allowed texts, () for any
    least, most : inclusive bounds of numbers
    count : length of a list, 0 for any
    above : exclusive lower bound
    """

    kind: str
    default: Any
    about: str
    choices: tuple[str, ...] = ()
    least: float | None = None
    most: float | None = None
    above: float | None = None
    count: int = 0

    def checked(self, value: Any, where: str) -> Any:
        """Return `value` in its right type, or raise `InputError` naming `where`."""
        if self.kind == "text":
            if not isinstance(value, str):
                raise InputError(f"{where} should be text in quotes, got {_shown(value)}.")
            if self.choices and value not in self.choices:
                raise InputError(
                    f"{where} should be one of {_listed(self.choices)}, got {_shown(value)}."
                )
            return value
        if self.kind == "texts":
            if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
                raise InputError(
                    f'{where} should be a list of texts like ["a", "b"], got {_shown(value)}.'
                )
            for text in value:
                if self.choices and text not in self.choices:
                    raise InputError(
                        f"{where} should hold only {_listed(self.choices)}, got {_shown(text)}."
                    )
            return list(value)
        if self.kind == "yes/no":
            if not isinstance(value, bool):
                raise InputError(f"{where} should be true or false, got {_shown(value)}.")
            return value
        if self.kind == "whole":
            if isinstance(value, bool) or not isinstance(value, int):
                raise InputError(f"{where} should be a whole number, got {_shown(value)}.")
            return self._bounded(value, where)
        if self.kind == "number":
            return self._bounded(_number(value, where), where)
        if not isinstance(value, list):
            raise InputError(
                f"{where} should be a list of numbers like [0.5, 0.5], got {_shown(value)}."
            )
        if self.count and len(value) != self.count:
            raise InputError(f"{where} should hold {self.count} numbers, got {len(value)}.")
        return [self._bounded(_number(v, where), where) for v in value]

    def _bounded(self, value: Any, where: str) -> Any:
        if self.above is not None and not value > self.above:
            raise InputError(f"{where} should be above {self.above:g}, got {value:g}.")
        if self.least is not None and value < self.least:
            raise InputError(f"{where} should be at least {self.least:g}, got {value:g}.")
        if self.most is not None and value > self.most:
            raise InputError(f"{where} should be at most {self.most:g}, got {value:g}.")
        return value


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(f"{where} should be a number, got {_shown(value)}.")
    if not math.isfinite(value):
        raise InputError(f"{where} should be a finite number, got {value}.")
    return float(value)


def _shown(value: Any) -> str:
    return in_one_line(repr(value), 80)


def _listed(names: tuple[str, ...]) -> str:
    return ", ".join(repr(name) for name in names)


SCHEMA: dict[str, dict[str, Setting]] = {
    "case": {
        "name": Setting("text", "", "a name for tables and figures"),
        "animal": Setting("text", "", "the animal; cases of one animal are not independent"),
        "group": Setting("text", "", "treatment group, for comparisons in a study"),
        "time": Setting("text", "", "when the section was taken, e.g. '2 days'"),
        "note": Setting("text", "", "anything worth keeping"),
    },
    "slide": {
        "path": Setting("text", "", "the whole-slide image, from the case folder or absolute"),
        "pixel_size_um": Setting(
            "numbers", None, "[y, x] in µm; only where the file does not say", above=0, count=2
        ),
        "stain": Setting("text", "H&E", "the stain set that separates the colours"),
        "section": Setting(
            "whole",
            0,
            "which section where the slide holds several, counted from left to right; 0 for all",
            least=0,
        ),
    },
    "displacement": {
        "path": Setting("text", "", "the displacement recording"),
        "kind": Setting(
            "text",
            "oscillation",
            "frames at the modulation frequency, peak-to-peak maps over treatment, or one map",
            choices=("oscillation", "amplitude-series", "final"),
        ),
        "array": Setting("text", "", "the displacement's name in the file"),
        "depth": Setting("text", "", "name of the array with the depth axis"),
        "lateral": Setting("text", "", "name of the array with the lateral axis"),
        "time": Setting("text", "", "name of the array with the treatment times"),
        "depth_spacing": Setting("number", None, "step of depth where no array gives it", above=0),
        "lateral_spacing": Setting(
            "number", None, "step of lateral where no array gives it", above=0
        ),
        "time_spacing_s": Setting("number", None, "s between treatment times", above=0),
        "depth_origin": Setting("number", None, "first depth where no array gives it"),
        "lateral_origin": Setting("number", None, "first lateral where no array gives it"),
        "time_origin_s": Setting("number", None, "first treatment time in s"),
        "unit": Setting("text", "um", "of the displacement", choices=("nm", "um", "µm", "mm", "m")),
        "axis_unit": Setting(
            "text",
            "mm",
            "of depth and lateral; 'samples' needs the two settings below",
            choices=("um", "µm", "mm", "cm", "m", "samples"),
        ),
        "sampling_frequency_hz": Setting("number", None, "of the echo, Hz", above=0),
        "speed_of_sound_m_s": Setting("number", None, "m/s; 1540 where absent", above=0),
        "axis_order": Setting(
            "text", "", "e.g. 'time,frame,depth,lateral'; where absent it is taken from the sizes"
        ),
        "frame_rate_hz": Setting("number", None, "frames per second of an oscillation", above=0),
        "modulation_frequency_hz": Setting(
            "number", None, "frequency at which the tissue moves, Hz", above=0
        ),
        "window_s": Setting(
            "number", None, "cuts one long oscillation into treatment times of this length", above=0
        ),
        "baseline": Setting("text", "", "name of an array that holds the baseline"),
        "baseline_path": Setting("text", "", "another file that holds the baseline"),
        "baseline_times": Setting(
            "whole", 1, "how many of the first treatment times are the baseline", least=1
        ),
        "correlation": Setting("text", "", "name of an array with correlation maps, 0 to 1"),
        "geometry": Setting(
            "text",
            "rectilinear",
            "beams side by side, from one point, or from a curved probe",
            choices=("rectilinear", "sector", "curved"),
        ),
        "probe_radius_mm": Setting("number", None, "radius of a curved probe", least=0),
        "angle_unit": Setting(
            "text", "degrees", "of the beams' angles", choices=("degrees", "radians")
        ),
        "pixel_mm": Setting("number", None, "pixel size after scan conversion", above=0),
    },
    "bmode": {
        "path": Setting("text", "", "the B-mode image of the imaging plane"),
        "array": Setting("text", "", "its name in the file"),
        "depth": Setting("text", "", "name of the array with the depth axis"),
        "lateral": Setting("text", "", "name of the array with the lateral axis"),
        "axis_unit": Setting(
            "text", "mm", "of depth and lateral", choices=("um", "µm", "mm", "cm", "m")
        ),
        "pixel_size_mm": Setting(
            "numbers",
            None,
            "[depth, lateral] in mm; only where the file does not say",
            above=0,
            count=2,
        ),
        "origin_mm": Setting(
            "numbers", None, "[depth, lateral] of the first pixel's centre", count=2
        ),
    },
    "landmarks": {
        "path": Setting("text", "landmarks.csv", "pairs of landmarks, inside the case folder"),
        "error_mm": Setting(
            "number",
            None,
            "how far an observer places a landmark off (standard deviation along one axis); "
            "where absent it is taken from leave-one-out",
            above=0,
        ),
    },
    "outlines": {
        "folder": Setting("text", "outlines", "GeoJSON outlines, inside the case folder"),
        "source": Setting(
            "text",
            "by hand",
            "whose zones count: outlines in the folder, the program's proposal, or a trained model",
            choices=("by hand", "proposal", "model"),
        ),
        "model": Setting("text", "", "the trained model's file, for source = 'model'"),
        "consensus": Setting(
            "text",
            "majority",
            "how several observers become one",
            choices=("majority", "staple"),
        ),
        "ablated_inside_tumour": Setting(
            "yes/no",
            False,
            "cut the ablated zone drawn by hand to the tumour that the same observer drew; else it "
            "may pass the tumour's edge",
        ),
        "error_mm": Setting(
            "number",
            0.1,
            "how far a single observer's outline strays (standard deviation); with several "
            "observers their spread is used",
            least=0,
        ),
        "spacing_um": Setting(
            "number", 8.0, "pixel size at which zones are filled and proposed", least=2, most=64
        ),
    },
    "predict": {
        "leave_out_breathing": Setting(
            "yes/no", True, "leave out frames in which the whole plane moves abruptly"
        ),
        "motion": Setting(
            "text",
            "none",
            "whether motion between baseline and treatment is undone, and from what: the maps, or "
            "a B-mode file with a frame for each treatment time",
            choices=("none", "maps", "bmode"),
        ),
        "shadow_from_bmode": Setting(
            "yes/no", True, "leave out what lies in shadow or saturation on the B-mode image"
        ),
        "movie": Setting(
            "yes/no", False, "also write change.gif and course.png, the change over treatment"
        ),
        "stand_in_baseline": Setting(
            "yes/no", False, "make up a missing baseline from the final map's surroundings"
        ),
        "rule": Setting(
            "text",
            "threshold",
            "a fixed change, the change map's two classes, half-way to the plateau, or grown "
            "from the focus",
            choices=("threshold", "otsu", "half-way", "growing"),
        ),
        "threshold_percent": Setting(
            "number", -40.0, "change from baseline, negative is stiffer", least=-99, most=-1
        ),
        "standard_errors": Setting(
            "number", 0.0, "the change must also exceed this many standard errors", least=0
        ),
        "focus_mm": Setting("numbers", None, "[depth, lateral] of the focus", count=2),
        "focus_radius_mm": Setting(
            "number", 2.0, "a region this near to the focus counts as at it", least=0
        ),
        "window_mm": Setting(
            "number",
            10.0,
            "rules that choose their threshold look this far round the focus",
            above=0,
        ),
        "connected_to_focus": Setting("yes/no", False, "keep only the region at the focus"),
        "smallest_mm2": Setting("number", 1.0, "smaller regions are dropped", least=0),
        "fill_holes_mm2": Setting("number", 1.0, "holes up to this area are filled", least=0),
        "smooth_mm": Setting("number", 0.3, "Gaussian smoothing of the change map", least=0),
        "edge_weight": Setting(
            "number", 4.0, "how strongly the rule 'growing' keeps to edges", least=0
        ),
        "low_baseline": Setting(
            "text",
            "strict",
            "pixels whose baseline is too low for a stable ratio",
            choices=("strict", "keep", "leave out"),
        ),
    },
    "align": {
        "model": Setting(
            "text",
            "thin-plate",
            "how the section may differ from the plane",
            choices=("rigid", "similarity", "affine", "thin-plate"),
        ),
        "smoothing": Setting(
            "number",
            None,
            "thin-plate smoothing; where absent it is chosen by leave-one-out",
            least=0,
        ),
        "robust": Setting("yes/no", False, "down-weight landmarks that do not fit the others"),
        "refine": Setting(
            "text",
            "none",
            "whether images refine the fit from landmarks",
            choices=("none", "outlines", "images"),
        ),
    },
    "agree": {
        "draws": Setting(
            "whole", 1000, "Monte-Carlo draws for the intervals", least=50, most=100000
        ),
        "seed": Setting("whole", 0, "seed of the draws", least=0),
        "threshold_sd_percent": Setting(
            "number", 0.0, "how uncertain the threshold is (standard deviation)", least=0
        ),
        "point_spread_mm": Setting(
            "numbers",
            [1.0, 1.0],
            "[depth, lateral] full width at half maximum of the displacement's point spread",
            above=0,
            count=2,
        ),
        "tissue_only": Setting("yes/no", True, "leave out what is not tissue on the section"),
    },
    "figure": {
        "panels": Setting(
            "texts",
            [],
            "panels in order; none takes B-mode, change, section and mapped section",
            choices=(
                "bmode",
                "baseline",
                "final",
                "change",
                "section",
                "mapped",
                "overlap",
                "error",
                "course",
                "agreement",
                "threshold",
            ),
        ),
        "columns": Setting("whole", 2, "panels in a row", least=1, most=6),
        "view": Setting(
            "text",
            "plane",
            "what plane panels show: the whole map, or the lesions and some margin",
            choices=("plane", "lesion"),
        ),
        "letters": Setting(
            "text", "A", "the first panel's letter, or none", choices=("A", "a", "")
        ),
        "more_formats": Setting("texts", [], "formats beside PDF and PNG", choices=("svg", "tiff")),
        "width_mm": Setting("number", 180.0, "width in print", least=60, most=400),
        "dpi": Setting("whole", 300, "dots per inch of the PNG", least=72, most=1200),
        "section_um": Setting(
            "number", 20.0, "pixel size at which the section is drawn", least=1, most=200
        ),
    },
}


def check_settings(values: dict[str, Any], where: str = "case.toml") -> dict[str, dict[str, Any]]:
    """Return all settings with defaults filled in; raise `InputError` at the first wrong one."""
    for section, table in values.items():
        if section == "format":
            continue
        if section not in SCHEMA:
            raise InputError(_unknown(f"{where}: section [{section}]", section, SCHEMA))
        if not isinstance(table, dict):
            raise InputError(f"{where}: [{section}] should be a section, got {_shown(table)}.")
        for key in table:
            if key not in SCHEMA[section]:
                raise InputError(_unknown(f"{where}: [{section}] {key}", key, SCHEMA[section]))
    version = values.get("format", 1)
    if version != 1:
        raise InputError(
            f"{where}: format {version!r} is newer than this coreg reads (1); update coreg."
        )
    checked: dict[str, dict[str, Any]] = {}
    for section, settings in SCHEMA.items():
        table = values.get(section, {})
        checked[section] = {
            key: setting.checked(table[key], f"{where}: [{section}] {key}")
            if key in table
            else (list(setting.default) if isinstance(setting.default, list) else setting.default)
            for key, setting in settings.items()
        }
    return checked


def _unknown(where: str, name: str, known: dict[str, Any]) -> str:
    close = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean {close[0]!r}?" if close else f"known are {_listed(tuple(known))}."
    return f"{where} is not known; {hint}"
