"""A report as PDF, made without a browser; fonts embedded, same document, same bytes."""

from __future__ import annotations

import io
import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from coreg.errors import InputError
from coreg.report.document import Block, Bullets, Document, Paragraph, Picture, Table

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

_FONT, _BOLD = "coreg-sans", "coreg-sans-bold"
_FRAME_PADDING = 6  # points, reportlab's own
_INK, _RULE, _MARK = "#1d2530", "#b9c2cc", "#fdf3ea"


def write_pdf(document: Document, path: str | os.PathLike[str]) -> Path:
    """Write the report on A4 pages; raise `InputError` where the file cannot be written."""
    place = Path(path)
    data = to_pdf(document)
    temporary = place.with_name(f".{place.name}.{os.getpid()}.tmp")
    try:
        temporary.write_bytes(data)
        os.replace(temporary, place)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise InputError(
            f"{place.name} could not be written to {place.parent} ({error.strerror}); free some "
            "space or choose a folder you may write to."
        ) from error
    return place


def to_pdf(document: Document) -> bytes:
    """The report as the bytes of a PDF file."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    _register_fonts()
    styles = _styles()
    file = io.BytesIO()
    pages = SimpleDocTemplate(
        file,
        pagesize=A4,
        leftMargin=18 * mm,
        rightMargin=18 * mm,
        topMargin=18 * mm,
        bottomMargin=18 * mm,
        title=document.title,
        author="",
        creator="coreg",
        lang="en",
        initialFontName=_FONT,  # else Helvetica is named and not embedded
        invariant=1,  # no date, no random identity
    )
    story: list[Any] = [_text(document.title, styles["title"])]
    story.append(_text(document.subtitle, styles["subtitle"]))
    for section in document.sections:
        story.append(_text(section.heading, styles["heading"]))
        for block in section.blocks:
            story += _flowables(block, styles, pages.width - 2 * _FRAME_PADDING)

    def number(canvas: Any, _: Any) -> None:
        canvas.setFont(_FONT, 7.5)
        canvas.drawRightString(A4[0] - 18 * mm, 10 * mm, f"{canvas.getPageNumber()}")

    pages.build(story, onFirstPage=number, onLaterPages=number)
    return file.getvalue()


def _flowables(block: Block, styles: dict[str, Any], width: float) -> list[Flowable]:
    if isinstance(block, Paragraph):
        return [_text(block.text, styles["marked" if block.marked else "body"])]
    if isinstance(block, Bullets):
        return [
            _text(item, styles["item"], f"{number}." if block.numbered else "•")
            for number, item in enumerate(block.items, start=1)
        ]
    if isinstance(block, Picture):
        return _picture(block, styles, width)
    return _table(block, styles, width)


def _picture(picture: Picture, styles: dict[str, Any], width: float) -> list[Flowable]:
    from reportlab.lib.units import mm
    from reportlab.lib.utils import ImageReader
    from reportlab.platypus import Image

    columns, rows = ImageReader(io.BytesIO(picture.png)).getSize()
    wide = min(width, 205 * mm * columns / rows)  # the legend's first lines fit the page, too
    image = Image(io.BytesIO(picture.png), wide, wide * rows / columns)
    return [image, _text(picture.legend, styles["legend"])]


def _table(table: Table, styles: dict[str, Any], width: float) -> list[Flowable]:
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Table as Grid

    widths = table.widths or (1.0,) * len(table.header)
    cells = [[_text(cell, styles["head"]) for cell in table.header]]
    cells += [[_text(cell, styles["cell"]) for cell in row] for row in table.rows]
    sizes = [width * w / sum(widths) for w in widths]
    grid = Grid(cells, sizes, repeatRows=1, hAlign="LEFT")
    grid.setStyle(
        [
            ("FONTNAME", (0, 0), (-1, -1), _FONT),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(_INK)),
            ("LINEBELOW", (0, 1), (-1, -1), 0.3, HexColor(_RULE)),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 6),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
        ]
    )
    return [_text(table.caption, styles["caption"]), grid]


def _text(text: str, style: Any, bullet: str | None = None) -> Flowable:
    from reportlab.platypus import Paragraph as Lines

    return Lines(escape(text), style, bulletText=bullet)


def _styles() -> dict[str, Any]:
    from reportlab.lib.colors import HexColor
    from reportlab.lib.styles import ParagraphStyle

    body = ParagraphStyle(
        "body",
        fontName=_FONT,
        bulletFontName=_FONT,
        fontSize=8.5,
        leading=12,
        textColor=HexColor(_INK),
        spaceAfter=5,
        splitLongWords=1,
    )

    def style(name: str, **changes: Any) -> Any:
        return ParagraphStyle(name, parent=body, **changes)

    return {
        "body": body,
        "title": style("title", fontName=_BOLD, fontSize=15, leading=19, spaceAfter=4),
        "subtitle": style("subtitle", fontSize=9, spaceAfter=6),
        "heading": style(
            "heading", fontName=_BOLD, fontSize=11, leading=14, spaceBefore=12, keepWithNext=1
        ),
        "marked": style("marked", backColor=HexColor(_MARK), borderPadding=4, spaceBefore=5),
        "item": style("item", leftIndent=14, bulletIndent=2, spaceAfter=2),
        "legend": style("legend", fontSize=7.5, leading=10.5, spaceBefore=4),
        "caption": style("caption", fontName=_BOLD, spaceBefore=8, spaceAfter=2, keepWithNext=1),
        "head": style("head", fontName=_BOLD, fontSize=7.5, leading=10, spaceAfter=0),
        "cell": style("cell", fontSize=7.5, leading=10, spaceAfter=0),
    }


@cache
def _register_fonts() -> None:
    from matplotlib.font_manager import FontProperties, findfont
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    for name, weight in ((_FONT, "normal"), (_BOLD, "bold")):
        properties = FontProperties(family="DejaVu Sans", weight=weight)
        registerFont(TTFont(name, findfont(properties, fallback_to_default=False)))
