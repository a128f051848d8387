"""The course of treatment as a movie (GIF or MP4) and as a plot."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from coreg.displacement.over_time import Course
from coreg.errors import InputError
from coreg.geometry import Grid, Outline

_DPI = 100
# Colours that most colour-blind readers tell apart (Okabe and Ito, from memory).
_LINE, _BAND, _AREA, _ONSET = "#0072B2", "#56B4E9", "#D55E00", "#444444"


def save_movie(
    path: str | Path,
    maps: np.ndarray,
    times_s: np.ndarray,
    grid: Grid,
    *,
    outlines: Sequence[Sequence[Outline]] | None = None,
    label: str = "change of displacement (%)",
    limits: tuple[float, float] = (-80.0, 80.0),
    colours: str = "RdBu_r",
    frames_per_second: float = 4.0,
    progress: Callable[[float, str], None] | None = None,
) -> Path:
    """Write maps over treatment as a movie.

    Parameters
    ----------
    path : ends in .gif (Pillow) or .mp4 (needs ffmpeg on the machine)
    maps : (times, depth, lateral); NaN is drawn grey
    times_s : (times,)
    outlines : for each time the outlines to draw, in plane mm
    label : of the colour bar, with its unit
    limits : values at the ends of the colour bar
    colours : a matplotlib colour map

    Returns
    -------
    The path written. Nothing is left behind where writing fails.
    """
    path = Path(path)
    stack = np.asarray(maps)
    if stack.ndim != 3 or stack.shape[1:] != grid.shape or len(stack) == 0:
        raise InputError(
            f"Expected maps of shape (times, {grid.shape[0]}, {grid.shape[1]}), got {stack.shape}."
        )
    if len(times_s) != len(stack) or (outlines is not None and len(outlines) != len(stack)):
        raise InputError(f"Expected times and outlines for each of {len(stack)} maps.")
    if not frames_per_second > 0:
        raise InputError(f"Expected frames_per_second above 0, got {frames_per_second}.")
    suffix = path.suffix.lower()
    if suffix not in (".gif", ".mp4"):
        raise InputError(f"A movie is written as .gif or .mp4, not {suffix!r}; rename {path.name}.")
    if suffix == ".mp4" and shutil.which("ffmpeg") is None:
        raise InputError("An .mp4 needs the program ffmpeg, which is not installed; write a .gif.")
    draw = _MovieFigure(stack, np.asarray(times_s), grid, outlines, label, limits, colours)
    with _replaced(path) as temporary:
        if suffix == ".gif":
            _write_gif(temporary, draw, len(stack), frames_per_second, progress)
        else:
            _write_mp4(temporary, draw, len(stack), frames_per_second, progress)
    return path


@contextmanager
def _replaced(path: Path) -> Iterator[Path]:
    """A temporary file in the same folder that takes the path's place once written."""
    if not path.parent.is_dir():
        raise InputError(f"There is no folder {path.parent} to write {path.name} into.")
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}-", suffix=path.suffix)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


class _MovieFigure:
    """Draws one frame after another into the same figure."""

    def __init__(
        self,
        maps: np.ndarray,
        times: np.ndarray,
        grid: Grid,
        outlines: Sequence[Sequence[Outline]] | None,
        label: str,
        limits: tuple[float, float],
        colours: str,
    ) -> None:
        import matplotlib
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        top, left, bottom, right = grid.bounds
        height = 4.2
        width = float(np.clip(height * (right - left) / (bottom - top), 2.4, 8.0))
        self._maps, self._times, self._outlines = maps, times, outlines
        self.figure = Figure(figsize=(width + 1.9, height + 1.0), dpi=_DPI, layout="constrained")
        self._canvas = FigureCanvasAgg(self.figure)
        self._axes = self.figure.add_subplot()
        colour_map = matplotlib.colormaps[colours].with_extremes(bad="0.75")
        self._picture = self._axes.imshow(
            maps[0],
            extent=(left, right, bottom, top),
            vmin=limits[0],
            vmax=limits[1],
            cmap=colour_map,
            interpolation="nearest",
        )
        self._axes.set_xlabel("lateral (mm)")
        self._axes.set_ylabel("depth (mm)")
        bar = self.figure.colorbar(self._picture, ax=self._axes, extend="both")
        bar.set_label(label)
        self._lines: list[Any] = []

    def frame(self, i: int) -> np.ndarray:
        """RGB uint8 of frame i."""
        self.show(i)
        self._canvas.draw()
        return np.asarray(self._canvas.buffer_rgba())[..., :3].copy()

    def show(self, i: int) -> None:
        self._picture.set_data(self._maps[i])
        self._axes.set_title(f"{self._times[i]:.1f} s")
        for line in self._lines:
            line.remove()
        self._lines = []
        for outline in () if self._outlines is None else self._outlines[i]:
            for ring in (outline.exterior, *outline.holes):
                closed = np.vstack([ring, ring[:1]])
                # A dark line in a light one shows on every colour.
                for colour, width in (("white", 3.0), ("black", 1.4)):
                    self._lines += self._axes.plot(
                        closed[:, 1], closed[:, 0], color=colour, linewidth=width
                    )


def _write_gif(
    path: Path,
    draw: _MovieFigure,
    count: int,
    rate: float,
    progress: Callable[[float, str], None] | None,
) -> None:
    from PIL import Image as Picture

    pictures = []
    for i in range(count):
        if progress is not None:
            progress(i / count, f"drawing frame {i + 1} of {count}")
        pictures.append(
            Picture.fromarray(draw.frame(i)).convert(
                "P", palette=Picture.Palette.ADAPTIVE, colors=256
            )
        )
    # GIF counts in hundredths of a second.
    pictures[0].save(
        path,
        format="GIF",
        save_all=True,
        append_images=pictures[1:],
        duration=max(20, round(100 / rate) * 10),
        loop=0,
        optimize=False,
    )


def _write_mp4(
    path: Path,
    draw: _MovieFigure,
    count: int,
    rate: float,
    progress: Callable[[float, str], None] | None,
) -> None:
    from matplotlib.animation import FFMpegWriter

    writer = FFMpegWriter(fps=max(1, round(rate)), codec="h264", extra_args=["-pix_fmt", "yuv420p"])
    with writer.saving(draw.figure, str(path), _DPI):
        for i in range(count):
            if progress is not None:
                progress(i / count, f"drawing frame {i + 1} of {count}")
            draw.show(i)
            writer.grab_frame()


def save_course_plot(path: str | Path, found: Course) -> Path:
    """Plot change and lesion area against time; .png, .pdf or .svg by the path's suffix."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    path = Path(path)
    if path.suffix.lower() not in (".png", ".pdf", ".svg"):
        raise InputError(f"A plot is written as .png, .pdf or .svg, not {path.suffix!r}.")
    figure = Figure(figsize=(6.0, 5.0), dpi=150, layout="constrained")
    FigureCanvasAgg(figure)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    above.axhline(0, color="0.7", linewidth=0.8)
    above.fill_between(
        found.times_s, found.low, found.high, color=_BAND, alpha=0.4, label="quartiles"
    )
    above.plot(found.times_s, found.median, color=_LINE, marker="o", markersize=3, label="median")
    onset = found.onset
    if np.isfinite(onset.time_s):
        above.axvline(onset.time_s, color=_ONSET, linestyle="--", label="onset")
        above.axvspan(
            *onset.interval_s, color=_ONSET, alpha=0.12, label=f"{onset.level:.0%} interval"
        )
    above.set_ylabel("change of displacement (%)")
    above.legend(frameon=False, fontsize=8)
    below.plot(found.times_s, found.area_mm2, color=_AREA, marker="s", markersize=3)
    below.set_ylabel("predicted lesion (mm²)")
    below.set_xlabel("time (s)")
    below.set_ylim(bottom=0)
    with _replaced(path) as temporary:
        figure.savefig(temporary)
    return path
