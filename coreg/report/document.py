"""A report as plain content: sections of text, tables and pictures, whatever it is written as.

All text is plain text; the writers escape it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; `marked` paragraphs stand out."""

    text: str
    marked: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list; `numbered` where its items are referred to by number."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True)
class Table:
    """A table; the first cell of each row names the row.

    widths : relative widths of the columns, for print; () for equal ones
    """

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...] = ()


@dataclass(frozen=True)
class Picture:
    """A PNG image with what a reader who cannot see it is told, and its legend."""

    png: bytes
    alternative: str
    legend: str


Block = Paragraph | Bullets | Table | Picture


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Document:
    """A report: title, one line under it, sections."""

    title: str
    subtitle: str
    sections: tuple[Section, ...]
