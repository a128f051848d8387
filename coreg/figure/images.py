"""Panels that show an image: in mm, with a scale bar, outlines and where needed a colour bar."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.figure import style
from coreg.figure.data import FigureData
from coreg.figure.style import SMALL_PT
from coreg.geometry import Grid, Image, Outline

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.cm import ScalarMappable
    from matplotlib.path import Path

Bounds = tuple[float, float, float, float]  # mm: row min, column min, row max, column max


def draw_bmode(ax: Axes, data: FigureData, view: Bounds) -> None:
    """B-mode with the predicted lesion and the focus."""
    assert data.bmode is not None
    grey = np.asarray(data.bmode.data, dtype=np.float64)
    if grey.ndim == 3:
        grey = grey[..., :3].mean(axis=2)
    finite = grey[np.isfinite(grey)]
    low, high = np.percentile(finite, [1, 99]) if len(finite) else (0.0, 1.0)
    _show(ax, grey, data.bmode.grid, cmap="gray", vmin=low, vmax=max(high, low + 1e-12))
    _finish_plane(ax, view)
    draw_outlines(ax, data.predicted)
    _focus(ax, data)


def draw_amplitude(ax: Axes, image: Image, most_um: float, view: Bounds) -> ScalarMappable:
    """An amplitude map from 0 to `most_um` µm."""
    shown = _show(ax, image.data, image.grid, cmap=style.amplitude_map(), vmin=0, vmax=most_um)
    _finish_plane(ax, view)
    return shown


def draw_change(ax: Axes, data: FigureData, view: Bounds) -> ScalarMappable:
    """The change map with a range symmetric about 0, predicted lesion and region of validity."""
    assert data.change_percent is not None
    image = data.change_percent
    half = change_range(data)
    shown = _show(ax, image.data, image.grid, cmap=style.change_map(), vmin=-half, vmax=half)
    _finish_plane(ax, view)
    draw_outlines(ax, data.predicted)
    _focus(ax, data)
    return shown


def change_range(data: FigureData) -> float:
    """Half of the range in per cent that the change map is shown in; see `symmetric_range`.

    Judged in the region of validity where there is one: elsewhere noise may be larger than any
    lesion. At most 100: an amplitude cannot fall further.
    """
    assert data.change_percent is not None
    values = data.change_percent.data
    if data.valid is not None and data.valid.shape == values.shape and data.valid.any():
        values = values[data.valid]
    return min(style.symmetric_range(values), 100.0)


def draw_error(ax: Axes, data: FigureData, view: Bounds) -> ScalarMappable:
    """Expected alignment error in mm with both lesions."""
    assert data.error_mm is not None
    image = data.error_mm
    finite = image.data[np.isfinite(image.data)]
    top = float(np.percentile(finite, 99)) if len(finite) else 0.0
    most = style.round_up(top) if top > 0 else 1.0
    shown = _show(ax, image.data, image.grid, cmap=style.error_map(), vmin=0, vmax=most)
    _finish_plane(ax, view)
    draw_outlines(ax, (*data.pathology, *data.predicted))
    return shown


def draw_section(ax: Axes, data: FigureData) -> None:
    """The section as it lies on the slide, with its zones."""
    assert data.section is not None
    _show(ax, _rgb(data.section), data.section.grid)
    _finish(ax, data.section.grid.bounds)
    draw_outlines(ax, data.section_outlines)


def draw_mapped(ax: Axes, data: FigureData, view: Bounds) -> None:
    """The section pulled onto the plane, with predicted and pathology lesion."""
    assert data.section_on_plane is not None
    _show(ax, _rgb(data.section_on_plane), data.section_on_plane.grid)
    _finish_plane(ax, view)
    draw_outlines(ax, (*data.pathology, *data.predicted))


def draw_overlap(ax: Axes, data: FigureData, view: Bounds) -> None:
    """Where the two lesions agree and differ; grey outside the region of validity."""
    import shapely
    from matplotlib.patches import PathPatch

    if data.valid is not None:
        outside = np.where(data.valid, np.nan, 0.8)
        _show(ax, outside, data.maps[0].grid, cmap="gray", vmin=0, vmax=1)
    _finish_plane(ax, view)
    predicted = shapely.union_all([o.polygon() for o in data.predicted])
    pathology = shapely.union_all([o.polygon() for o in data.pathology if o.zone in LESION_ZONES])
    regions = {
        "both": predicted & pathology,
        "predicted only": predicted - pathology,
        "pathology only": pathology - predicted,
    }
    for name, region in regions.items():
        colour, hatch = style.OVERLAP[name]
        for path in _paths(region):
            ax.add_patch(
                PathPatch(path, facecolor=colour, edgecolor=style.INK, hatch=hatch, linewidth=0.4)
            )


LESION_ZONES = ("ablated", "diffusion-damaged")


def draw_outlines(ax: Axes, outlines: Iterable[Outline]) -> None:
    """Outlines in the style of their zone, over a casing that stands out from any background."""
    for outline in sorted(outlines, key=lambda o: _ORDER.get(o.zone, 0)):
        look = style.outline_style(outline.zone)
        for ring in (outline.exterior, *outline.holes):
            closed = np.concatenate([ring, ring[:1]])
            for colour, dashes, width in (
                (look.casing, "-", look.width_pt + 1.0),
                (look.colour, look.matplotlib, look.width_pt),
            ):
                ax.plot(
                    closed[:, 1],
                    closed[:, 0],
                    color=colour,
                    linestyle=dashes,
                    linewidth=width,
                    dash_capstyle="butt",
                    solid_joinstyle="round",
                    scalex=False,
                    scaley=False,
                )


_ORDER = {"viable": 0, "tumour": 1, "diffusion-damaged": 2, "ablated": 3, "predicted lesion": 4}


def scale_bar(ax: Axes, width_mm: float) -> None:
    """A bar of round length (at most 30 % of the image's width) in a white box, lower right."""
    from matplotlib.lines import Line2D
    from matplotlib.offsetbox import AnchoredOffsetbox, AuxTransformBox, TextArea, VPacker

    length = scale_bar_mm(width_mm)
    bar = AuxTransformBox(ax.transData)
    bar.add_artist(
        Line2D([0, length], [0, 0], color=style.INK, linewidth=1.5, solid_capstyle="butt")
    )
    label = TextArea(length_text(length), textprops={"size": SMALL_PT, "color": style.INK})
    packed = VPacker(children=[bar, label], align="center", pad=0, sep=1.5)
    box = AnchoredOffsetbox("lower right", child=packed, pad=0.3, borderpad=0.3, frameon=True)
    box.patch.set(facecolor="white", edgecolor="none", boxstyle="square,pad=0")
    ax.add_artist(box)


def scale_bar_mm(width_mm: float) -> float:
    """The longest of 1, 2, 5 times a power of ten that takes at most 30 % of an image's width."""
    return style.round_down(0.3 * width_mm)


def length_text(mm: float) -> str:
    """ "5 mm", or µm below 1 mm."""
    return f"{mm:g} mm" if mm >= 1 else f"{mm * 1000:g} µm"


def _focus(ax: Axes, data: FigureData) -> None:
    if data.focus_mm is None:
        return
    for colour, width, size in (("black", 1.8, 6.0), ("white", 0.8, 5.0)):
        ax.plot(
            [data.focus_mm[1]],
            [data.focus_mm[0]],
            marker="+",
            color=colour,
            markeredgewidth=width,
            markersize=size,
            scalex=False,
            scaley=False,
        )


def _show(ax: Axes, values: np.ndarray, grid: Grid, **look: Any) -> ScalarMappable:
    top, left, bottom, right = grid.bounds
    masked = np.ma.masked_invalid(values) if values.ndim == 2 else values
    # Pixels of a map are shown as they are; images that must shrink are averaged.
    return ax.imshow(
        masked,
        extent=(left, right, bottom, top),
        interpolation="antialiased",
        interpolation_stage="rgba",
        aspect="auto",
        **look,
    )


def _rgb(image: Image) -> np.ndarray:
    """RGB as uint8; what is missing (NaN) becomes white."""
    data = np.asarray(image.data)[..., :3]
    if data.dtype == np.uint8:
        return data
    high = 255.0 if np.nanmax(data, initial=0.0) > 1.0 else 1.0
    scaled = np.nan_to_num(data.astype(np.float64) / high, nan=1.0)
    return (np.clip(scaled, 0, 1) * 255 + 0.5).astype(np.uint8)


def _finish(ax: Axes, view: Bounds) -> None:
    top, left, bottom, right = view
    ax.set(xlim=(left, right), ylim=(bottom, top), xticks=[], yticks=[])
    scale_bar(ax, right - left)


def _finish_plane(ax: Axes, view: Bounds) -> None:
    from matplotlib.ticker import MaxNLocator

    _finish(ax, view)
    ax.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    ax.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    ax.set_xlabel("Lateral (mm)")
    ax.set_ylabel("Depth (mm)")


def _paths(region: object) -> list[Path]:
    """Matplotlib paths, holes included, of a shapely geometry."""
    from matplotlib.path import Path

    paths = []
    for part in getattr(region, "geoms", [region]):
        if part.geom_type != "Polygon" or part.is_empty:
            continue
        rings = [part.exterior, *part.interiors]
        paths.append(Path.make_compound_path(*[Path(ring.coords, closed=True) for ring in rings]))
    return paths
