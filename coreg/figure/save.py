"""Figures to files: PDF and SVG with text as text, PNG, TIFF; the same inputs, the same bytes."""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coreg.errors import InputError
from coreg.figure import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FORMATS = ("pdf", "png", "svg", "tiff")
_LEAST_IMAGE_DPI, _TIFF_DPI = 300, 600
# Dates would make the bytes differ; None leaves them out.
_METADATA: dict[str, dict[str, str | None]] = {
    "pdf": {"CreationDate": None, "ModDate": None},
    "svg": {"Date": None},
}


def save(
    figure: Figure,
    folder: str | os.PathLike[str],
    formats: Sequence[str] = ("pdf", "png"),
    dpi: int = 300,
    stem: str = "figure",
) -> list[Path]:
    """Write the figure once per format; same figure, same bytes.

    Parameters
    ----------
    formats : from pdf, svg (text stays text), png, tiff (600 dpi)
    dpi : of the PNG, and of the images inside PDF and SVG (there at least 300)

    Returns
    -------
    The files' paths, in the order of `formats`.
    """
    for name in formats:
        if name not in FORMATS:
            raise InputError(
                f"A figure cannot be written as {name!r}; known are {', '.join(FORMATS)}."
            )
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{place} cannot be made ({error.strerror}); choose a folder you may write to."
        ) from error
    paths = []
    for name in formats:
        path = place / f"{stem}.{name}"
        temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
        data = to_bytes(figure, name, dpi)
        try:
            temporary.write_bytes(data)
            os.replace(temporary, path)
        except OSError as error:
            temporary.unlink(missing_ok=True)
            raise InputError(
                f"{path.name} could not be written to {place} ({error.strerror or error}); free "
                "some space or choose a folder you may write to."
            ) from error
        paths.append(path)
    return paths


def to_bytes(figure: Figure, format_name: str, dpi: int = 300) -> bytes:
    """The figure as the bytes of a file of one of `FORMATS`."""
    file = io.BytesIO()
    resolution = {"png": dpi, "tiff": _TIFF_DPI}.get(format_name, max(dpi, _LEAST_IMAGE_DPI))
    extra: dict[str, Any] = {}
    if format_name == "tiff":
        extra["pil_kwargs"] = {"compression": "tiff_lzw"}
    with style.house_style():
        figure.savefig(
            file,
            format=format_name,
            dpi=resolution,
            metadata=_METADATA.get(format_name),
            facecolor="white",
            **extra,
        )
    return file.getvalue()
