"""How large a slide's pixels are, and who says so. Never assumed: where nobody says it, ask.

Units: every size here is mm along (row, column).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any
from xml.etree import ElementTree

import numpy as np

from coreg.errors import InputError

OME_XML = "OME-XML"
TAGS = "TIFF resolution tags"
DESCRIPTION = "scanner's description"
DICOM = "DICOM"
NGFF = "OME-Zarr metadata"
CASE = "case.toml"

# Two statements of one pixel size that differ by more than this share disagree.
TOLERANCE = 0.01
# Resolutions in dots per inch that programs write when they know none (common practice, no source).
SCREEN_DPI = (72.0, 96.0)
PRINT_DPI = (150.0, 200.0, 300.0, 400.0, 600.0, 1200.0)

_MM = {
    "m": 1e3,
    "dm": 1e2,
    "cm": 10.0,
    "centimeter": 10.0,
    "mm": 1.0,
    "millimeter": 1.0,
    "µm": 1e-3,
    "μm": 1e-3,
    "um": 1e-3,
    "micron": 1e-3,
    "microns": 1e-3,
    "micrometer": 1e-3,
    "nm": 1e-6,
    "nanometer": 1e-6,
    "pm": 1e-9,
    "Å": 1e-7,
    "angstrom": 1e-7,
    "inch": 25.4,
    "in": 25.4,
    "meter": 1e3,
}


@dataclass(frozen=True)
class Statement:
    """One source's word: mm along (row, column), who says it, and a doubt or ""."""

    mm: tuple[float, float]
    source: str
    doubt: str = ""


@dataclass(frozen=True)
class PixelSize:
    """What was taken, mm along (row, column), from whom, and sentences for the user."""

    mm: tuple[float, float]
    source: str
    warnings: tuple[str, ...] = ()


def unit_mm(unit: str | None) -> float | None:
    """Length of a unit in mm by its name or sign, or None for an unknown one."""
    return _MM.get((unit or "").strip()) or _MM.get((unit or "").strip().lower())


def choose(
    statements: list[Statement], given_um: Any, where: str, notes: tuple[str, ...] = ()
) -> PixelSize:
    """Take the case's pixel size where it gives one, else the first statement.

    Parameters
    ----------
    statements : in order of trust
    given_um : µm from case.toml: a number, or a pair along (row, column); None where not given
    where : the file, for messages
    notes : why a source was not believed; shown where none is left

    Raises
    ------
    InputError where nothing says it, or the given value is no length.
    """
    statements = [s for s in statements if all(np.isfinite(v) and v > 0 for v in s.mm)]
    if given_um is not None:
        statements = [Statement(_given(given_um), CASE), *statements]
    if not statements:
        reason = f" ({' '.join(notes)})" if notes else ""
        raise InputError(
            f"{where} does not say how large its pixels are{reason}; "
            "set [slide] pixel_size_um in case.toml."
        )
    taken, others = statements[0], statements[1:]
    warnings = [f"{where}: {taken.doubt}"] if taken.doubt else []
    for other in others:
        if not other.doubt and _differ(taken.mm, other.mm):
            warnings.append(
                f"{where}: the pixel size is {_um(taken.mm)} by {taken.source} and "
                f"{_um(other.mm)} by {other.source}; that of {taken.source} was taken."
            )
    return PixelSize(taken.mm, taken.source, tuple(warnings))


def from_ome_xml(xml: str, image: int = 0, where: str = "The slide") -> Statement | None:
    """PhysicalSizeX/Y of an image of OME-XML (2016-06; µm where no unit is written), or None.

    Raises `InputError`, which names `where`, for XML that cannot be parsed.
    """
    pixels = _ome_pixels(xml, image, where)
    if pixels is None:
        return None
    sizes = []
    for axis in ("Y", "X"):
        unit = unit_mm(pixels.get(f"PhysicalSize{axis}Unit", "µm"))
        number = _number(pixels.get(f"PhysicalSize{axis}"))
        if number is None or unit is None:
            return None
        sizes.append(number * unit)
    return Statement((sizes[0], sizes[1]), OME_XML)


def significant_bits(xml: str, image: int = 0) -> int | None:
    """SignificantBits of an image of OME-XML, or None where it is not written."""
    pixels = _ome_pixels(xml, image)
    text = pixels.get("SignificantBits") if pixels is not None else None
    return int(text) if text and text.isdigit() and int(text) > 0 else None


def _ome_pixels(xml: str, image: int, where: str = "The slide") -> ElementTree.Element | None:
    if "<!DOCTYPE" in xml:  # OME-XML has none; entities only serve to expand or to fetch files
        raise InputError(
            f"{where} holds OME-XML with a document type, which is not read; export it again."
        )
    try:
        root = ElementTree.fromstring(xml.strip("\x00 \r\n"))
    except ElementTree.ParseError as error:
        raise InputError(
            f"{where} holds OME-XML that cannot be read ({error}); export it again."
        ) from None
    pixels = [element for element in root.iter() if element.tag.rpartition("}")[2] == "Pixels"]
    return pixels[image] if image < len(pixels) else None


def from_description(text: str) -> Statement | None:
    """The size in a scanner's description text, or None.

    Known: ``MPP = 0.25`` (µm, fields between ``|``), and XML with an attribute named
    DICOM_PIXEL_SPACING whose content is two quoted lengths in mm (row, column).
    """
    match = re.search(r"(?:^|\|)\s*MPP\s*=\s*([0-9.eE+-]+)", text)
    number = _number(match.group(1)) if match else None
    if number:
        return Statement((number * 1e-3, number * 1e-3), DESCRIPTION)
    match = re.search(
        r'"DICOM_PIXEL_SPACING"[^>]*>\s*(?:&quot;|")([0-9.eE+-]+)(?:&quot;|")\s+'
        r'(?:&quot;|")([0-9.eE+-]+)(?:&quot;|")',
        text,
    )
    if match:
        row, column = _number(match.group(1)), _number(match.group(2))
        if row and column:
            return Statement((row, column), DESCRIPTION)
    return None


def from_tags(
    x_resolution: float | None, y_resolution: float | None, unit: int, description: str = ""
) -> tuple[Statement | None, str]:
    """The size in TIFF 6.0's resolution tags (282, 283, 296), or None with the reason.

    Parameters
    ----------
    x_resolution, y_resolution : pixels per unit; None where the tag is missing
    unit : 1 none, 2 inch, 3 cm (TIFF 6.0); 4 mm, 5 µm are written by some programs
    description : ImageJ writes unit 1 and names the unit in its description instead
    """
    if not x_resolution or not y_resolution:
        return None, ""
    named = re.search(r"^unit=(\S+)", description, re.MULTILINE)
    if description.startswith("ImageJ=") and named:
        length = unit_mm(named.group(1).replace("\\u00B5", "µ"))
    else:
        length = {2: 25.4, 3: 10.0, 4: 1.0, 5: 1e-3}.get(unit)
    if length is None:
        return None, ""
    size = (length / y_resolution, length / x_resolution)
    dpi = 25.4 / size[1]
    if any(abs(dpi - screen) < 0.5 for screen in SCREEN_DPI):
        return None, f"Its resolution tags say {dpi:.0f} dpi, a screen's, which is no measurement."
    doubt = ""
    if any(abs(dpi - usual) < 0.5 for usual in PRINT_DPI):
        doubt = (
            f"the pixel size of {_um(size)} is from resolution tags that say {dpi:.0f} dpi, which "
            "many programs write without measuring; check it against a known length, or set "
            "[slide] pixel_size_um in case.toml."
        )
    return Statement(size, TAGS, doubt), ""


def _given(value: Any) -> tuple[float, float]:
    try:
        numbers = np.atleast_1d(np.asarray(value, dtype=np.float64)).ravel()
    except (TypeError, ValueError):
        numbers = np.zeros(0)
    if numbers.size == 1:
        numbers = np.repeat(numbers, 2)
    if numbers.size != 2 or not np.isfinite(numbers).all() or (numbers <= 0).any():
        raise InputError(
            f"Expected [slide] pixel_size_um to be one length in µm, or two along (row, column), "
            f"above 0; got {value!r}."
        )
    return float(numbers[0]) * 1e-3, float(numbers[1]) * 1e-3


def _number(text: str | None) -> float | None:
    try:
        number = float(text) if text is not None else None
    except ValueError:
        return None
    return number if number is not None and np.isfinite(number) and number > 0 else None


def _differ(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return any(abs(p - q) > TOLERANCE * max(p, q) for p, q in zip(a, b, strict=True))


def _um(mm: tuple[float, float]) -> str:
    row, column = mm[0] * 1e3, mm[1] * 1e3
    return f"{row:.4g} µm" if not _differ(mm, (mm[1], mm[0])) else f"{row:.4g} × {column:.4g} µm"
