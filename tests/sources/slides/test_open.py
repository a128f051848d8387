"""Files are told apart by their content; what cannot be read is said in one sentence."""

from __future__ import annotations

import subprocess
import sys

import pytest
import tifffile
from data.slides.make import pattern

from coreg.errors import InputError
from coreg.sources.slides import open_slide


def test_the_name_does_not_matter(tmp_path):
    tifffile.imwrite(tmp_path / "slide.jpg", pattern(), photometric="rgb")
    with open_slide(tmp_path / "slide.jpg", 1.0) as slide:
        assert slide.kind == "TIFF"
    with open_slide(f"file://{tmp_path / 'slide.jpg'}", 1.0) as slide:
        assert slide.shape == pattern().shape[:2]


def test_missing_unknown_and_empty_files(tmp_path):
    with pytest.raises(InputError, match=r"does not exist; correct \[slide\] path in case\.toml"):
        open_slide(tmp_path / "none.tif")
    (tmp_path / "a.txt").write_text("notes")
    with pytest.raises(InputError, match="no slide of a known kind"):
        open_slide(tmp_path / "a.txt", 1.0)
    (tmp_path / "b.tif").write_bytes(b"")
    with pytest.raises(InputError, match="no slide of a known kind"):
        open_slide(tmp_path / "b.tif", 1.0)
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="holds no DICOM whole-slide image"):
        open_slide(tmp_path / "empty", 1.0)
    with pytest.raises(InputError, match="Addresses that begin with nowhere:// are not known"):
        open_slide("nowhere://a/b.tif")


def test_importing_the_readers_loads_no_heavy_library():
    code = (
        "import sys, coreg.sources.slides; "
        "print([m for m in ('tifffile', 'zarr', 'openslide', 'scipy', 'PIL', 'fsspec') "
        "if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
