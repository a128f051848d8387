"""A report as one HTML file: styles and pictures inside, no script, nothing loaded from outside."""

from __future__ import annotations

import base64
import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from coreg.report.document import Document
from coreg.results import write_text

if TYPE_CHECKING:
    from jinja2 import Template


def write_html(document: Document, path: str | os.PathLike[str]) -> Path:
    """Write the report; every text is escaped. Same document, same bytes.

    Raises
    ------
    InputError : the file cannot be written
    """
    place = Path(path)
    write_text(place, to_html(document))
    return place


def to_html(document: Document) -> str:
    """The report as HTML text."""
    return _template().render(document=document)


@cache
def _template() -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("coreg.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["base64"] = lambda data: base64.b64encode(data).decode("ascii")
    environment.filters["kind"] = lambda block: type(block).__name__
    return environment.get_template("report.html")
