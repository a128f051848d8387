"""How figures look: sizes in points and mm, colours, colour maps and line styles.

Every size holds at print size: a figure is made at its width in print and never scaled.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.colors import Colormap

MM_PER_INCH = 25.4
SMALL_PT, TEXT_PT, LETTER_PT = 6.0, 7.0, 9.0
THIN_PT, LINE_PT = 0.5, 1.0
INK, QUIET, NO_VALUE = "#1a1a1a", "#5a5a5a", "#c4c4c4"

_RC: Any = {
    "font.family": ["DejaVu Sans"],
    "font.size": TEXT_PT,
    "axes.titlesize": TEXT_PT,
    "axes.labelsize": SMALL_PT,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "legend.fontsize": SMALL_PT,
    "axes.linewidth": THIN_PT,
    "axes.labelpad": 2.0,
    "xtick.major.width": THIN_PT,
    "ytick.major.width": THIN_PT,
    "xtick.major.size": 2.0,
    "ytick.major.size": 2.0,
    "xtick.major.pad": 1.5,
    "ytick.major.pad": 1.5,
    "hatch.linewidth": 0.4,
    "lines.linewidth": LINE_PT,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.parse_math": False,  # names of cases may hold dollar signs
    "pdf.fonttype": 42,  # TrueType embedded, text stays text
    "svg.fonttype": "none",  # text stays text
    "svg.hashsalt": "coreg",  # else ids in the file are random
}


@contextmanager
def house_style() -> Iterator[None]:
    """Matplotlib's defaults and ours, whatever the user's own settings; restored afterwards."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_RC)
        yield


@dataclass(frozen=True)
class LineStyle:
    """An outline: its dashes tell it apart without colour, its casing from any background."""

    label: str
    colour: str
    dashes: tuple[float, ...] = ()  # on, off in points; () is solid
    width_pt: float = LINE_PT
    casing: str = "#000000"

    @property
    def matplotlib(self) -> Any:
        """Matplotlib's name of the dashes."""
        return (0, self.dashes) if self.dashes else "-"


# Light colours in a black casing stand out from H&E, from speckle and from every colour map here.
OUTLINES: dict[str, LineStyle] = {
    "predicted lesion": LineStyle("predicted lesion", "#ffe14d", (4.0, 2.0), 1.2),
    "ablated": LineStyle("ablated", "#27d3ee", (), 1.2),
    "diffusion-damaged": LineStyle("diffusion-damaged", "#ffffff", (), 0.6),
    "tumour": LineStyle("tumour", "#ff8a5c", (0.8, 1.4), 1.2),
    "viable": LineStyle("viable", "#b7f0a0", (6.0, 1.5, 1.0, 1.5), 0.8),
    "artefact": LineStyle("artefact", "#b0b0b0", (2.0, 1.0), 0.8),
}
OTHER_OUTLINE = LineStyle("other", "#e0e0e0", (1.0, 1.0), 0.8)

# Regions of the overlap map: (fill, hatch); the hatch tells them apart without colour.
OVERLAP: dict[str, tuple[str, str]] = {
    "both": ("#3b4252", ""),
    "predicted only": ("#ffe14d", "/////"),
    "pathology only": ("#6fd6e8", "....."),
}
SERIES = (("#1f4e9c", "-", "o"), ("#c8621a", "--", "s"), ("#2b8a6b", "-.", "^"), (INK, ":", "D"))


def outline_style(zone: str) -> LineStyle:
    """The style of an outline's zone."""
    return OUTLINES.get(zone, OTHER_OUTLINE)


@cache
def amplitude_map() -> Colormap:
    """Perceptually uniform, dark to light; grey where there is no value."""
    import matplotlib

    return matplotlib.colormaps["viridis"].with_extremes(bad=NO_VALUE)


@cache
def error_map() -> Colormap:
    """Perceptually uniform and made for colour-blind readers; grey where there is no value."""
    import matplotlib

    return matplotlib.colormaps["cividis"].with_extremes(bad=NO_VALUE)


@cache
def change_map() -> Colormap:
    """Blue (stiffer) over near-white (0) to brown (softer), equal steps of CIELAB on either side.

    Both ends have the same lightness, so that in grey the sign is lost but the size kept.
    """
    from matplotlib.colors import ListedColormap
    from skimage.color import lab2rgb

    blue, middle, brown = np.array([[28, 12, -46], [96, 0, 0], [28, 26, 36]], dtype=float)
    t = np.linspace(0, 1, 128)[:, None]
    lab = np.concatenate([blue + t * (middle - blue), middle + t * (brown - middle)])
    rgb = np.clip(lab2rgb(lab[None])[0], 0, 1)
    return ListedColormap(rgb, name="coreg-change").with_extremes(bad=NO_VALUE)


def symmetric_range(values: np.ndarray) -> float:
    """Half of a range around 0 that holds 99.9 % of the values, rounded up to a round number.

    1 where there are no finite values or all are 0.
    """
    finite = np.abs(values[np.isfinite(values)])
    top = float(np.percentile(finite, 99.9)) if len(finite) else 0.0
    return round_up(top) if top > 0 else 1.0


def round_up(value: float) -> float:
    """The smallest of 1, 2, 2.5, 4, 5, 6, 8, 10 times a power of ten that is at least `value`."""
    power = 10.0 ** np.floor(np.log10(value))
    step = next(s for s in (1, 2, 2.5, 4, 5, 6, 8, 10) if s * power >= value * (1 - 1e-9))
    return float(step * power)


def round_down(value: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is at most `value`."""
    power = 10.0 ** np.floor(np.log10(value) + 1e-12)
    step = next(s for s in (5, 2, 1) if s * power <= value * (1 + 1e-9))
    return float(step * power)
