"""The napari plugin: the whole job with mouse and eyes. It calls `coreg` and keeps no science.

Nothing heavy is imported here: napari reads the manifest and loads what is used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from coreg.case import Case

__all__ = ["show"]


def show(case: Case) -> None:
    """Open a window on a case and stay until it is closed.

    Raises
    ------
    ImportError : napari or a Qt binding is not installed
    """
    import napari

    from coreg_napari.panel import open_window

    open_window(case.folder)
    napari.run()
