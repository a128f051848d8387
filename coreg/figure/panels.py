"""The panels that a figure may be made of: what each needs, its shape, and how it is drawn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.figure import images, plots, study_plots, style
from coreg.figure.data import FigureData, StudyData
from coreg.figure.images import Bounds
from coreg.figure.words import key_numbers, limits_in_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

KeyEntry = tuple[str, Callable[["Axes"], None]]


@dataclass(frozen=True)
class Panel:
    """One kind of panel.

    Parameters
    ----------
    name : as in case.toml
    title : above the panel
    short : title where the panel is too narrow for it
    needs : attributes of the data that must be there
    needs_text : the same in words
    draw : draws into an axes; gives what a colour bar needs
    image : keeps its aspect ratio
    rigid : its aspect decides the height of its row
    axes : has axis labels below
    left_mm, right_mm : room for labels beside its box
    colour_bar : unit above the colour bar, "" for no bar
    height_mm : the height that its data needs, where that is not a matter of width
    study : drawn from `StudyData` alone (threshold: from either)
    """

    name: str
    title: str
    short: str
    needs: tuple[str, ...]
    needs_text: str
    draw: Callable[[Axes, Any, str], Any]
    image: bool = True
    rigid: bool = True
    axes: bool = True
    left_mm: float = 8.5
    right_mm: float = 2.5
    colour_bar: str = ""
    study: bool = False
    outlines: tuple[str, ...] = ()
    extra_key: Callable[[Any], list[KeyEntry]] | None = None
    lines: Callable[[Any, float], list[str]] | None = None
    height_mm: Callable[[Any], float] | None = None

    def aspect(self, data: FigureData | StudyData, view: str) -> float:
        """Height over width of the panel's box."""
        height, width = self.extent(data, view)
        return height / width

    def extent(self, data: FigureData | StudyData, view: str) -> tuple[float, float]:
        """Height and width of what is shown: mm for images, no unit for plots."""
        if not self.image or isinstance(data, StudyData):
            return 0.8, 1.0
        if self.name == "section" and data.section is not None:
            return data.section.grid.size
        top, left, bottom, right = plane_view(data, view)
        return bottom - top, right - left

    def notes(self, data: FigureData | StudyData, width_mm: float) -> list[str]:
        """Lines of text under the panel, broken to its width."""
        return self.lines(data, width_mm) if self.lines else []

    def key(self, data: FigureData | StudyData) -> list[KeyEntry]:
        """What the key must explain of this panel."""
        zones = {o.zone for name in self.outlines for o in getattr(data, name)}
        entries = [
            (look.label, _line_swatch(look)) for z, look in style.OUTLINES.items() if z in zones
        ]
        if zones - style.OUTLINES.keys():
            entries.append((style.OTHER_OUTLINE.label, _line_swatch(style.OTHER_OUTLINE)))
        return entries + (self.extra_key(data) if self.extra_key else [])


def available(panel: Panel, data: FigureData | StudyData) -> bool:
    """Whether the data holds what the panel needs."""
    if panel.study and not isinstance(data, StudyData):
        return False
    return all(_there(getattr(data, name, None)) for name in panel.needs)


def _there(value: Any) -> bool:
    return value is not None and (not hasattr(value, "__len__") or len(value) > 0)


def plane_view(data: FigureData, view: str) -> Bounds:
    """The part of the plane that all plane panels show, in mm.

    The map's area (that of the B-mode or of the mapped section where there is no map); with
    "lesion" the lesions with a margin of half their size, at least 2 mm, inside that area.
    """
    shown = [*data.maps, data.bmode, data.section_on_plane, data.error_mm]
    top, left, bottom, right = next(image.grid.bounds for image in shown if image is not None)
    lesions = [o for o in data.pathology if o.zone in images.LESION_ZONES]
    rings = [outline.exterior for outline in (*data.predicted, *lesions)]
    if view != "lesion" or not rings:
        return top, left, bottom, right
    points = np.concatenate(rings)
    low, high = points.min(axis=0), points.max(axis=0)
    margin = np.maximum((high - low) / 2, 2.0)
    low, high = low - margin, high + margin
    return max(top, low[0]), max(left, low[1]), min(bottom, high[0]), min(right, high[1])


def _line_swatch(look: style.LineStyle) -> Callable[[Axes], None]:
    def draw(ax: Axes) -> None:
        for colour, dashes, width in (
            (look.casing, "-", look.width_pt + 1.0),
            (look.colour, look.matplotlib, look.width_pt),
        ):
            ax.plot([0.02, 0.98], [0.5, 0.5], color=colour, linestyle=dashes, linewidth=width)

    return draw


def _overlap_key(_: FigureData) -> list[KeyEntry]:
    from matplotlib.patches import Rectangle

    def swatch(colour: str, hatch: str) -> Callable[[Axes], None]:
        return lambda ax: ax.add_patch(  # type: ignore[return-value]
            Rectangle(
                (0.02, 0.1), 0.96, 0.8, fc=colour, ec=style.INK, hatch=hatch, lw=0.4, clip_on=False
            )
        )

    return [(name, swatch(*look)) for name, look in style.OVERLAP.items()]


def _focus_key(data: FigureData) -> list[KeyEntry]:
    if data.focus_mm is None:
        return []

    def swatch(ax: Axes) -> None:
        for colour, width, size in (("black", 1.8, 6.0), ("white", 0.8, 5.0)):
            ax.plot([0.5], [0.5], "+", color=colour, mew=width, ms=size)

    return [("focus", swatch)]


def _amplitude(which: str) -> Callable[[Axes, FigureData, str], Any]:
    def draw(ax: Axes, data: FigureData, view: str) -> Any:
        both = [m.data for m in (data.baseline, data.final) if m is not None]
        values = np.concatenate([m[np.isfinite(m)] for m in both])
        top = float(np.percentile(values, 99)) if len(values) else 0.0
        most = style.round_up(top) if top > 0 else 1.0
        return images.draw_amplitude(ax, getattr(data, which), most, plane_view(data, view))

    return draw


def _plane(draw: Callable[[Axes, FigureData, Bounds], Any]) -> Callable[..., Any]:
    return lambda ax, data, view: draw(ax, data, plane_view(data, view))


_UM = "µm"
_LESIONS = ("predicted", "pathology")


def _table(panels: Sequence[Panel]) -> dict[str, Panel]:
    return {panel.name: panel for panel in panels}


PANELS: dict[str, Panel] = _table(
    [
        Panel(
            "bmode",
            "B-mode",
            "B-mode",
            ("bmode",),
            "a B-mode image",
            _plane(images.draw_bmode),
            outlines=("predicted",),
            extra_key=_focus_key,
        ),
        Panel(
            "baseline",
            "Baseline amplitude",
            "Baseline",
            ("baseline",),
            "displacement maps",
            _amplitude("baseline"),
            colour_bar=_UM,
        ),
        Panel(
            "final",
            "Final amplitude",
            "Final",
            ("final",),
            "displacement maps",
            _amplitude("final"),
            colour_bar=_UM,
        ),
        Panel(
            "change",
            "Change from baseline",
            "Change",
            ("change_percent",),
            "a change map",
            _plane(images.draw_change),
            colour_bar="%",
            outlines=("predicted",),
            extra_key=_focus_key,
        ),
        Panel(
            "section",
            "Section",
            "Section",
            ("section",),
            "the section's image",
            lambda ax, data, view: images.draw_section(ax, data),
            rigid=False,
            axes=False,
            left_mm=1.0,
            outlines=("section_outlines",),
        ),
        Panel(
            "mapped",
            "Section on the imaging plane",
            "On the plane",
            ("section_on_plane",),
            "the section mapped onto the plane",
            _plane(images.draw_mapped),
            outlines=_LESIONS,
            lines=key_numbers,
        ),
        Panel(
            "overlap",
            "Overlap",
            "Overlap",
            _LESIONS,
            "a predicted and a pathology lesion",
            _plane(images.draw_overlap),
            extra_key=_overlap_key,
        ),
        Panel(
            "error",
            "Expected alignment error",
            "Error",
            ("error_mm",),
            "the alignment's error map",
            _plane(images.draw_error),
            colour_bar="mm",
            outlines=_LESIONS,
        ),
        Panel(
            "course",
            "Course during treatment",
            "Course",
            ("course",),
            "maps over treatment time",
            lambda ax, data, view: plots.draw_course(ax, data),
            image=False,
            rigid=False,
            left_mm=9.5,
            right_mm=8.5,
        ),
        Panel(
            "agreement",
            "Agreement",
            "Agreement",
            ("agreement",),
            "the agreement",
            lambda ax, data, view: plots.draw_agreement(ax, data),
            image=False,
            rigid=False,
            left_mm=15.0,
        ),
        Panel(
            "threshold",
            "Choice of threshold",
            "Threshold",
            ("threshold_curves",),
            "agreement over thresholds",
            lambda ax, data, view: plots.draw_threshold(ax, data),
            image=False,
            rigid=False,
        ),
        Panel(
            "regression",
            "Predicted against pathology",
            "Regression",
            (),
            "cases",
            lambda ax, data, view: study_plots.draw_regression(ax, data),
            image=False,
            study=True,
            left_mm=9.5,
        ),
        Panel(
            "bland-altman",
            "Difference against mean",
            "Differences",
            (),
            "cases",
            lambda ax, data, view: study_plots.draw_bland_altman(ax, data),
            image=False,
            study=True,
            left_mm=9.5,
            lines=limits_in_words,
        ),
        Panel(
            "per-case",
            "Each case",
            "Each case",
            ("per_case",),
            "a measure of every case",
            lambda ax, data, view: study_plots.draw_per_case(ax, data),
            height_mm=study_plots.per_case_height_mm,
            image=False,
            study=True,
            left_mm=18.0,
        ),
    ]
)
