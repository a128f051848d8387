"""TIFF, BigTIFF and OME-TIFF written by tifffile (independent of the reader's own tile code)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from data.slides.make import pattern

from coreg.errors import InputError
from coreg.sources.slides import open_slide

ALL = slice(None)
HALF_UM = {"resolution": (20_000, 20_000), "resolutionunit": "CENTIMETER"}


def pyramid(path: Path, full: np.ndarray, *, bigtiff: bool = False, **options) -> Path:
    """A three-level pyramid in SubIFDs, each level every second pixel of the one before."""
    options = {"tile": (64, 64), "photometric": "rgb", "compression": "deflate", **options}
    with tifffile.TiffWriter(path, bigtiff=bigtiff, ome=options.pop("ome", False)) as writer:
        metadata = options.pop("metadata", None)
        writer.write(full, subifds=2, metadata=metadata, **HALF_UM, **options)
        writer.write(full[::2, ::2], subfiletype=1, **options)
        writer.write(full[::4, ::4], subfiletype=1, **options)
    return path


@pytest.mark.parametrize("bigtiff", [False, True])
@pytest.mark.parametrize("compression", ["deflate", "lzw", "zstd", None])
def test_lossless_pyramid_reads_as_written(tmp_path, compression, bigtiff):
    full = pattern(200, 230)
    path = pyramid(tmp_path / "a.tif", full, compression=compression, bigtiff=bigtiff)
    with open_slide(path) as slide:
        assert [level.grid.shape for level in slide.levels] == [(200, 230), (100, 115), (50, 58)]
        assert [level.downsample for level in slide.levels] == [1, 2, 4]
        assert slide.pixel_size == pytest.approx((0.0005, 0.0005), rel=1e-9)
        assert slide.pixel_size_source == "TIFF resolution tags"
        for k in range(3):
            np.testing.assert_array_equal(slide.read(k, ALL, ALL), full[:: 2**k, :: 2**k])
        np.testing.assert_array_equal(
            slide.read(0, slice(60, 70), slice(100, 999)), full[60:70, 100:]
        )


@pytest.mark.parametrize(("compression", "bound"), [("jpeg", 12), ("jpeg2000", 0)])
def test_jpeg_tiles_read_like_tifffile(tmp_path, compression, bound):
    """The lossy bound is of the written picture; against tifffile's own reading it is exact."""
    smooth = pattern(128, 192)
    smooth[..., 2] = 100
    path = pyramid(tmp_path / "a.tif", smooth, compression=compression)
    with open_slide(path) as slide:
        mine = slide.read(0, ALL, ALL)
    np.testing.assert_array_equal(mine, tifffile.imread(path))
    assert np.abs(mine.astype(int) - smooth).max() <= bound


def test_pages_of_reduced_size_are_levels(tmp_path):
    """As other programs write pyramids: each level a page of its own, not a SubIFD."""
    full = pattern(256, 256)
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        for k in range(3):
            part = np.ascontiguousarray(full[:: 2**k, :: 2**k])
            writer.write(
                part,
                tile=(64, 64),
                photometric="rgb",
                subfiletype=int(k > 0),
                metadata=None,
                **HALF_UM,
            )
    with open_slide(tmp_path / "a.tif") as slide:
        assert [level.grid.shape[0] for level in slide.levels] == [256, 128, 64]


def test_ome_tiff_pixel_size_outranks_the_tags(tmp_path):
    metadata = {"axes": "YXS", "PhysicalSizeX": 0.25, "PhysicalSizeY": 0.3}
    path = pyramid(tmp_path / "a.ome.tif", pattern(), ome=True, metadata=metadata)
    with open_slide(path) as slide:
        assert slide.pixel_size == pytest.approx((0.0003, 0.00025))
        assert slide.pixel_size_source == "OME-XML"
        assert len(slide.warnings) == 1
        assert "0.5 µm by TIFF resolution tags; that of OME-XML was taken" in slide.warnings[0]


def test_multi_file_ome_tiff(tmp_path):
    """Three channels, each in a file of its own, tied by UUID as OME-TIFF 2016-06 describes."""
    full = pattern(96, 80)
    names = [f"c{k}.ome.tif" for k in range(3)]
    uuids = [f"urn:uuid:00000000-0000-0000-0000-00000000000{k}" for k in range(3)]
    data = "".join(
        f'<TiffData FirstC="{k}" FirstT="0" FirstZ="0" IFD="0" PlaneCount="1">'
        f'<UUID FileName="{names[k]}">{uuids[k]}</UUID></TiffData>'
        for k in range(3)
    )
    for k in range(3):
        xml = (
            '<OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06" '
            f'UUID="{uuids[k]}"><Image ID="Image:0"><Pixels ID="Pixels:0" DimensionOrder="XYCZT" '
            'Type="uint8" SizeX="80" SizeY="96" SizeC="3" SizeZ="1" SizeT="1" '
            f'PhysicalSizeX="0.5" PhysicalSizeY="0.5">{data}</Pixels></Image></OME>'
        )
        tifffile.imwrite(
            tmp_path / names[k], full[..., k], tile=(32, 32), description=xml, metadata=None
        )
    with open_slide(tmp_path / names[0]) as slide:
        np.testing.assert_array_equal(slide.read(0, ALL, ALL), full)
    (tmp_path / names[2]).unlink()
    with pytest.raises(InputError, match=r"refers to a file that is missing"):
        open_slide(tmp_path / names[0])


@pytest.mark.parametrize(
    ("array", "options", "expected"),
    [
        (pattern()[..., 0], {"photometric": "minisblack"}, lambda a: np.stack([a] * 3, -1)),
        (pattern()[..., 0], {"photometric": "miniswhite"}, lambda a: np.stack([255 - a] * 3, -1)),
        (pattern().astype(np.uint16) * 257, {"photometric": "rgb"}, lambda a: a // 257),
        (pattern(), {"photometric": "rgb", "planarconfig": "separate"}, lambda a: a),
        (pattern(), {"photometric": "rgb", "tile": None, "rowsperstrip": 7}, lambda a: a),
        (
            pattern(),
            {"photometric": "rgb", "tile": None, "rowsperstrip": 50, "compression": None},
            lambda a: a,
        ),
    ],
    ids=["grey", "white is zero", "16 bit", "planar", "strips", "plain strips"],
)
def test_kinds_of_samples(tmp_path, array, options, expected):
    data = np.moveaxis(array, -1, 0) if "planarconfig" in options else array
    options = {"tile": (64, 64), "compression": "deflate", **options}
    tifffile.imwrite(tmp_path / "a.tif", data, metadata=None, **HALF_UM, **options)
    with open_slide(tmp_path / "a.tif") as slide:
        np.testing.assert_array_equal(slide.read(0, ALL, ALL), expected(array))


def test_twelve_bits_by_their_declared_range(tmp_path):
    """OME-XML SignificantBits 12: 4095 is white, not 65535."""
    values = np.full((64, 64, 3), 4095, dtype=np.uint16)
    metadata = {"axes": "YXS", "PhysicalSizeX": 1, "PhysicalSizeY": 1, "SignificantBits": 12}
    tifffile.imwrite(tmp_path / "a.ome.tif", values, photometric="rgb", metadata=metadata)
    with open_slide(tmp_path / "a.ome.tif") as slide:
        assert slide.read(0, ALL, ALL).min() == 255


def test_palette_is_looked_up(tmp_path):
    index = (np.arange(64 * 64).reshape(64, 64) % 4).astype(np.uint8)
    table = np.zeros((3, 256), dtype=np.uint16)
    table[:, :4] = np.array([[255, 0, 9], [1, 2, 3], [200, 100, 50], [0, 0, 0]]).T * 257
    tifffile.imwrite(tmp_path / "a.tif", index, photometric="palette", colormap=table, **HALF_UM)
    with open_slide(tmp_path / "a.tif") as slide:
        np.testing.assert_array_equal(slide.read(0, ALL, ALL), (table.T // 257)[index])


def test_opacity_is_laid_over_white(tmp_path):
    rgba = np.zeros((32, 32, 4), dtype=np.uint8)
    rgba[:16, :, 3] = 255
    tifffile.imwrite(
        tmp_path / "a.tif", rgba, photometric="rgb", extrasamples=["unassalpha"], **HALF_UM
    )
    with open_slide(tmp_path / "a.tif") as slide:
        data = slide.read(0, ALL, ALL)
    assert data[:16].max() == 0
    assert data[16:].min() == 255


def test_a_tile_left_out_is_white(tmp_path):
    full = np.zeros((128, 128, 3), dtype=np.uint8)

    def tiles():
        yield full[:64, :64]
        yield None
        yield full[:64, :64]
        yield full[:64, :64]

    tifffile.imwrite(
        tmp_path / "a.tif",
        tiles(),
        shape=full.shape,
        dtype=np.uint8,
        tile=(64, 64),
        photometric="rgb",
        compression="deflate",
        metadata=None,
        **HALF_UM,
    )
    with open_slide(tmp_path / "a.tif") as slide:
        data = slide.read(0, ALL, ALL)
    assert data[:64, 64:].min() == 255
    assert data[:64, :64].max() == 0


def test_planes_beyond_the_first_are_mentioned(tmp_path):
    stack = np.stack([pattern(), pattern() // 2])
    metadata = {"axes": "ZYXS", "PhysicalSizeX": 1, "PhysicalSizeY": 1}
    tifffile.imwrite(tmp_path / "a.ome.tif", stack, photometric="rgb", metadata=metadata)
    with open_slide(tmp_path / "a.ome.tif") as slide:
        np.testing.assert_array_equal(slide.read(0, ALL, ALL), pattern())
        assert slide.warnings == [
            f"{tmp_path / 'a.ome.tif'} holds 2 planes along Z; the first was read."
        ]


@pytest.mark.parametrize("channels", [2, 5])
def test_fluorescence_channels_are_refused(tmp_path, channels):
    data = np.zeros((channels, 64, 64), dtype=np.uint16)
    metadata = {"axes": "CYX", "PhysicalSizeX": 1, "PhysicalSizeY": 1}
    tifffile.imwrite(tmp_path / "a.ome.tif", data, photometric="minisblack", metadata=metadata)
    with pytest.raises(InputError, match="which is no stained section; export it as RGB"):
        open_slide(tmp_path / "a.ome.tif")


@pytest.mark.parametrize("kind", ["header", "half", "noise"])
def test_damaged_files_raise_one_sentence(tmp_path, kind):
    path = pyramid(tmp_path / "a.tif", pattern(256, 256))
    data = path.read_bytes()
    if kind == "header":
        path.write_bytes(data[:40])
    elif kind == "half":
        path.write_bytes(data[: len(data) // 2])
    else:
        path.write_bytes(data[:8] + np.random.default_rng(0).bytes(len(data) - 8))
    said = "cannot be read as a TIFF|is damaged|is cut short|holds no image"
    with pytest.raises(InputError, match=said):
        read_all(path)


def read_all(path):
    with open_slide(path, 0.5) as slide:
        for k in range(len(slide.levels)):
            slide.read(k, ALL, ALL)


def test_damaged_tile_is_named(tmp_path):
    path = pyramid(tmp_path / "a.tif", pattern(256, 256), compression="jpeg")
    with tifffile.TiffFile(path) as tiff:
        offset, size = tiff.pages[0].dataoffsets[5], tiff.pages[0].databytecounts[5]
    data = bytearray(path.read_bytes())
    data[offset : offset + size] = bytes(size)
    path.write_bytes(data)
    with open_slide(path) as slide:
        slide.read(0, slice(0, 64), ALL)
        with pytest.raises(InputError, match=r"tile \(row 1, column 1\) of level 0 is damaged"):
            slide.read(0, ALL, ALL)
