"""Write the small slides of this folder with independent writers, from a computed pattern.

Run by hand in an environment with the package ome-zarr of the Open Microscopy Environment (0.18 was
used); the tests read the files and do not need it. `pattern` says what must come out.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
PIXEL_UM = 0.5


def pattern(rows: int = 192, columns: int = 160) -> np.ndarray:
    """uint8 (rows, columns, 3): a ramp down, a ramp across, and blocks of 16 pixels."""
    y, x = np.mgrid[:rows, :columns]
    blocks = np.where((y // 16 + x // 16) % 2, 210, 60)
    return np.stack([40 + y, 60 + x, blocks], axis=-1).astype(np.uint8)


def ngff(version: str) -> None:
    import zarr
    from ome_zarr.format import FormatV04, FormatV05
    from ome_zarr.writer import write_image

    target = HERE / f"ngff-{version}.ome.zarr"
    shutil.rmtree(target, ignore_errors=True)
    group = zarr.open_group(str(target), mode="w", zarr_format=2 if version == "0.4" else 3)
    write_image(
        np.moveaxis(pattern(), -1, 0),
        group,
        axes=["c", "y", "x"],
        scale={"y": PIXEL_UM, "x": PIXEL_UM},
        axes_units={"y": "micrometer", "x": "micrometer"},
        scale_factors=[2],
        fmt=FormatV04() if version == "0.4" else FormatV05(),
        storage_options={"chunks": (3, 64, 64)},
    )


if __name__ == "__main__":
    for each in ("0.4", "0.5"):
        ngff(each)
