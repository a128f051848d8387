"""Sample data: the invented demo case."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from coreg_napari.layers import LayerData


def demo_folder() -> Path:
    """Where the sample case is kept for this user."""
    from platformdirs import user_data_path

    return user_data_path("coreg") / "demo-case"


def demo_case() -> list[LayerData]:
    """The demo case as layers; made and run when it is first asked for."""
    from coreg.case import CASE_FILE
    from coreg_napari.readers import read_case

    folder = demo_folder()
    if not (folder / CASE_FILE).is_file():
        from coreg.steps.demo import run_demo

        run_demo(folder, seed=0, um_per_px=4.0)
    return read_case(folder)
