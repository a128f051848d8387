"""Reports that stand alone: one HTML file without network, and the same as PDF.

Public names load when used.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_WHERE = {
    "CAUTIONS": "cautions",
    "Document": "document",
    "case_document": "case",
    "case_report": "write",
    "study_document": "study",
    "study_report": "write",
    "write_html": "html",
    "write_pdf": "pdf",
    "write_strips": "strips",
}

__all__ = sorted(_WHERE)


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'coreg.report' has no attribute {name!r}")
    return getattr(import_module(f"coreg.report.{_WHERE[name]}"), name)


def __dir__() -> list[str]:
    return __all__
