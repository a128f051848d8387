"""Slides and B-mode images."""

from __future__ import annotations

import json
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
from hard_use.bad_inputs.table import Arguments, bad, cut, packed_zeros, setting
from hard_use.small_case import slide_pixels, write_slide

SLIDE = "Slide"


def use(case: Path, name: str, *, um: bool = False) -> Path:
    """Make the case name another slide file; with a pixel size where the file has none."""
    setting(case, "slide", path=json.dumps(name), pixel_size_um="[40.0, 40.0]" if um else "")
    return case / name


def png(width: int, height: int, rows: bytes = b"", *more: tuple[bytes, bytes]) -> bytes:
    """A PNG with the header that one likes, 8-bit grey."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        checksum = struct.pack(">I", zlib.crc32(kind + content))
        return struct.pack(">I", len(content)) + kind + content + checksum

    parts = [(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)), *more]
    parts += [(b"IDAT", zlib.compress(rows)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunk(kind, content) for kind, content in parts)


def tiff(
    width: int, height: int, *, tile: tuple[int, int] | None = None, data: bytes = b""
) -> bytes:
    """A little-endian TIFF 6.0 of one page, 8-bit RGB, whose header says what one likes."""
    tags: list[tuple[int, int, int, int]] = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, 8),
        (259, 3, 1, 8),
        (262, 3, 1, 2),
    ]
    if tile is None:
        tags += [(273, 4, 1, 8), (277, 3, 1, 3), (278, 4, 1, height), (279, 4, 1, len(data))]
    else:
        tags += [(277, 3, 1, 3), (322, 4, 1, tile[1]), (323, 4, 1, tile[0])]
        tags += [(324, 4, 1, 8), (325, 4, 1, len(data))]
    body = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", *tag) for tag in tags)
    return b"II*\0" + struct.pack("<I", 8 + len(data)) + data + body + struct.pack("<I", 0)


def with_ome_xml(path: Path, change: Any) -> None:
    """Rewrite the slide with its OME-XML changed, of whatever length."""
    import tifffile

    with tifffile.TiffFile(path) as file:
        xml = file.ome_metadata or ""
    tifffile.imwrite(
        path,
        slide_pixels(),
        photometric="rgb",
        tile=(64, 64),
        compression="zlib",
        description=change(xml).encode(),
        metadata=None,
    )


@bad(SLIDE, "none named", ": [slide] path is not given; write there which file it is.")
def no_slide(case: Path) -> Arguments:
    setting(case, "slide", path="")
    return "outline", case


@bad(SLIDE, "the file is not there", "is not there; correct [slide] path in")
def slide_not_there(case: Path) -> Arguments:
    use(case, "missing.tif")
    return "outline", case


@bad(
    SLIDE,
    "an empty file",
    "is no slide of a known kind; give a TIFF, OME-TIFF, OME-Zarr, DICOM, PNG or JPEG.",
)
def empty_slide(case: Path) -> Arguments:
    (case / "slide.ome.tif").write_bytes(b"")
    return "outline", case


@bad(
    SLIDE,
    "a folder with nothing of a slide in it",
    "holds no DICOM whole-slide image; give the folder of the series.",
)
def folder_for_slide(case: Path) -> Arguments:
    use(case, "outlines")
    return "outline", case


@bad(
    SLIDE,
    "text with the ending .tif",
    "is no slide of a known kind; give a TIFF, OME-TIFF, OME-Zarr, DICOM, PNG or JPEG.",
)
def text_for_slide(case: Path) -> Arguments:
    use(case, "text.tif").write_text("not a slide\n" * 99, encoding="utf-8")
    return "outline", case


@bad(SLIDE, "a link to itself", "is not there; correct [slide] path in")
def slide_loops(case: Path) -> Arguments:
    use(case, "loop.tif").symlink_to("loop.tif")
    return "outline", case


@bad(SLIDE, "two links that point at each other", "is not there; correct [slide] path in")
def slides_in_a_circle(case: Path) -> Arguments:
    use(case, "a.tif").symlink_to("b.tif")
    (case / "b.tif").symlink_to("a.tif")
    return "outline", case


@bad(
    SLIDE,
    "a TIFF cut after its first bytes",
    "cannot be read as a TIFF … ; export the slide again.",
)
def slide_cut_early(case: Path) -> Arguments:
    cut(case / "slide.ome.tif", 12)
    return "outline", case


@bad(
    SLIDE,
    "a TIFF cut in the middle",
    ("is cut short: 11 of the 20 tiles or strips of a level lie beyond its end; copy it again."),
)
def slide_cut(case: Path) -> Arguments:
    cut(case / "slide.ome.tif", 0.5)
    return "outline", case


@bad(
    SLIDE,
    "a TIFF with a tile overwritten",
    ": tile … of level 0 is damaged … ; export the slide again.",
)
def slide_tile_damaged(case: Path) -> Arguments:
    import tifffile

    path = case / "slide.ome.tif"
    with tifffile.TiffFile(path) as file:
        offset, size = file.pages.first.dataoffsets[7], file.pages.first.databytecounts[7]
    content = bytearray(path.read_bytes())
    content[offset : offset + size] = b"\x55" * size
    path.write_bytes(bytes(content))
    return "outline", case


@bad(
    SLIDE,
    "a TIFF that says it has 4 × 10⁹ rows and columns in one piece",
    (
        "packs 4294967295 × 4294967295 pixels in one piece, which cannot be read in part; "
        "save it as a tiled, pyramidal TIFF."
    ),
    alone=True,
)
def slide_absurd_size(case: Path) -> Arguments:
    use(case, "big.tif", um=True).write_bytes(tiff(2**32 - 1, 2**32 - 1, data=zlib.compress(b"x")))
    return "outline", case


@bad(
    SLIDE,
    "a TIFF that says it has 4 × 10⁹ rows in tiles of 256",
    "lists 1 of its 281474976710656 tiles; copy or export it again.",
    alone=True,
)
def slide_absurd_tiles(case: Path) -> Arguments:
    content = tiff(2**32 - 1, 2**32 - 1, tile=(256, 256), data=zlib.compress(b"x"))
    use(case, "big.tif", um=True).write_bytes(content)
    return "outline", case


@bad(
    SLIDE,
    "a TIFF whose tile unpacks to a thousand times its due",
    ": tile … of level 0 is damaged … ; export the slide again.",
    alone=True,
)
def slide_tile_bomb(case: Path) -> Arguments:
    content = tiff(256, 256, tile=(256, 256), data=packed_zeros(b"", 120))
    use(case, "bomb.tif", um=True).write_bytes(content)
    return "outline", case


@bad(SLIDE, "a TIFF without width", "cannot be read as a TIFF … ; export the slide again.")
def slide_no_width(case: Path) -> Arguments:
    content = tiff(64, 64, data=zlib.compress(bytes(64 * 64 * 3)))
    use(case, "odd.tif", um=True).write_bytes(content.replace(struct.pack("<H", 256), b"\xfe\xff"))
    return "outline", case


@bad(
    SLIDE,
    "a TIFF whose list of pages leads back to itself",
    "does not say how large its pixels are; set [slide] pixel_size_um in case.toml.",
    alone=True,
)
def slide_pages_in_a_circle(case: Path) -> Arguments:
    data = zlib.compress(bytes(64 * 64 * 3))
    content = tiff(64, 64, data=data)[:-4] + struct.pack("<I", 8 + len(data))
    use(case, "circle.tif").write_bytes(content)
    return "outline", case


@bad(
    SLIDE,
    "a picture without a pixel size",
    "does not say how large its pixels are; set [slide] pixel_size_um in case.toml.",
)
def slide_without_size(case: Path) -> Arguments:
    from PIL import Image

    Image.fromarray(slide_pixels()).save(use(case, "flat.png"))
    return "outline", case


@bad(SLIDE, "a pixel size of 0 in case.toml", ": [slide] pixel_size_um should be above 0, got 0.")
def slide_size_zero(case: Path) -> Arguments:
    setting(case, "slide", pixel_size_um="[0.0, 0.5]")
    return "outline", case


@bad(
    SLIDE,
    "a negative pixel size in case.toml",
    ": [slide] pixel_size_um should be above 0, got -0.5.",
)
def slide_size_negative(case: Path) -> Arguments:
    setting(case, "slide", pixel_size_um="[0.5, -0.5]")
    return "outline", case


@bad(
    SLIDE,
    "a pixel size of nan in case.toml",
    ": [slide] pixel_size_um should be a finite number, got nan.",
)
def slide_size_nan(case: Path) -> Arguments:
    setting(case, "slide", pixel_size_um="[nan, nan]")
    return "outline", case


@bad(
    SLIDE,
    "a pixel size of 1e-300 µm in case.toml",
    (
        "An outline of 'tumour' by first lies wholly off the slide (y 0 to 3e-301 mm, x 0 "
        "to 2.4e-301 mm); outlines are in slide millimetres, x before y."
    ),
)
def slide_size_tiny(case: Path) -> Arguments:
    setting(case, "slide", pixel_size_um="[1e-300, 1e-300]")
    return "outline", case


@bad(
    SLIDE,
    "a pixel size of 0 in the OME-XML",
    "does not say how large its pixels are; set [slide] pixel_size_um in case.toml.",
)
def slide_xml_zero(case: Path) -> Arguments:
    path = case / "slide.ome.tif"
    with_ome_xml(path, lambda xml: xml.replace('PhysicalSizeX="40.0"', 'PhysicalSizeX="0"'))
    return "outline", case


@bad(SLIDE, "OME-XML cut short", "holds OME-XML that cannot be read … ; export it again.")
def slide_xml_cut(case: Path) -> Arguments:
    with_ome_xml(case / "slide.ome.tif", lambda xml: xml[: xml.index("SizeT=")] + "</OME>")
    return "outline", case


@bad(
    SLIDE,
    "OME-XML whose entities expand to gigabytes",
    "holds OME-XML with a document type, which is not read; export it again.",
    alone=True,
)
def slide_xml_bomb(case: Path) -> Arguments:
    def nested(xml: str) -> str:
        lines = ['<!ENTITY e0 "aaaaaaaaaaaaaaaa">']
        lines += [f'<!ENTITY e{k} "{f"&e{k - 1};" * 16}">' for k in range(1, 9)]
        start = xml.index("<OME")
        end = xml.index(">", start) + 1
        return (
            f"<?xml version='1.0'?><!DOCTYPE OME [{''.join(lines)}]>{xml[start:end]}&e8;{xml[end:]}"
        )

    with_ome_xml(case / "slide.ome.tif", nested)
    return "outline", case


@bad(
    SLIDE,
    "OME-XML that fetches a file of this machine",
    "holds OME-XML with a document type, which is not read; export it again.",
)
def slide_xml_fetches(case: Path) -> Arguments:
    def fetching(xml: str) -> str:
        start = xml.index("<OME")
        end = xml.index(">", start) + 1
        entity = '<!DOCTYPE OME [<!ENTITY f SYSTEM "file:///etc/passwd">]>'
        return f"<?xml version='1.0'?>{entity}{xml[start:end]}&f;{xml[end:]}"

    with_ome_xml(case / "slide.ome.tif", fetching)
    return "outline", case


@bad(
    SLIDE,
    "an OME-TIFF that refers to a file outside its folder",
    (
        "slide.ome.tif takes its data from '../../other.ome.tif', outside its own folder, "
        "where nobody sees it; put both files in one folder and save it again."
    ),
)
def slide_refers_out(case: Path) -> Arguments:
    def elsewhere(xml: str) -> str:
        data = '<UUID FileName="../../other.ome.tif">urn:uuid:0</UUID></TiffData>'
        return xml.replace('<TiffData IFD="0" PlaneCount="1"/>', f'<TiffData IFD="0">{data}')

    with_ome_xml(case / "slide.ome.tif", elsewhere)
    write_slide(case.parent / "other.ome.tif")
    return "outline", case


@bad(
    SLIDE,
    "a volume of two channels",
    "has 2 channels, which is no stained section; export it as RGB.",
)
def slide_two_channels(case: Path) -> Arguments:
    import tifffile

    pixels = np.zeros((2, 64, 64), dtype=np.uint8)
    tifffile.imwrite(use(case, "two.ome.tif", um=True), pixels, ome=True, metadata={"axes": "CYX"})
    return "outline", case


@bad(
    SLIDE,
    "complex numbers",
    "Pixels of type complex64 have no agreed white; export the slide as 8-bit RGB.",
)
def slide_complex(case: Path) -> Arguments:
    import tifffile

    tifffile.imwrite(use(case, "complex.tif", um=True), np.zeros((64, 64), dtype=np.complex64))
    return "outline", case


@bad(
    SLIDE,
    "one pixel, with outlines that lie elsewhere",
    (
        "An outline of 'tumour' by first lies wholly off the slide (y 0 to 0.04 mm, x 0 to "
        "0.04 mm); outlines are in slide millimetres, x before y."
    ),
)
def slide_one_pixel(case: Path) -> Arguments:
    from PIL import Image

    Image.new("RGB", (1, 1)).save(use(case, "one.png", um=True))
    return "outline", case


@bad(
    SLIDE,
    "nothing but white, with zones to be proposed",
    "Zones cannot be told apart at 40 µm per pixel; give a slide of at most 16.5 µm.",
)
def slide_white(case: Path) -> Arguments:
    from PIL import Image

    setting(case, "outlines", source='"proposal"')
    Image.new("RGB", (240, 300), "white").save(use(case, "white.png", um=True))
    return "outline", case


@bad(
    SLIDE,
    "a section that the slide does not have",
    "The slide holds 1 section … , so there is no section 7; correct [slide] section in",
)
def slide_no_section(case: Path) -> Arguments:
    setting(case, "slide", section="7")
    return "outline", case


@bad(
    SLIDE,
    "an unknown stain set",
    (
        "Unknown stain 'Giemsa 2'; [slide] stain is one of H&E, H-DAB, Masson's trichrome, "
        "NADH-diaphorase, TTC."
    ),
)
def slide_no_stain(case: Path) -> Arguments:
    setting(case, "slide", stain='"Giemsa 2"')
    return "outline", case


@bad(
    SLIDE,
    "a PNG that says it has 10⁹ pixels a side",
    (
        "has too many pixels in one piece, more than 178 million; save it as a tiled, "
        "pyramidal TIFF."
    ),
    alone=True,
)
def slide_png_bomb(case: Path) -> Arguments:
    use(case, "bomb.png", um=True).write_bytes(png(10**9, 10**9))
    return "outline", case


@bad(SLIDE, "a PNG cut short", "cannot be read as a picture … ; export it again as PNG or TIFF.")
def slide_png_cut(case: Path) -> Arguments:
    from PIL import Image

    Image.fromarray(slide_pixels()).save(use(case, "flat.png", um=True))
    cut(case / "flat.png", 0.6)
    return "outline", case


@bad(
    SLIDE,
    "a PNG whose text unpacks to gigabytes",
    "cannot be read as a picture … ; export it again as PNG or TIFF.",
    alone=True,
)
def slide_png_text_bomb(case: Path) -> Arguments:
    text = (b"zTXt", b"note\0\0" + packed_zeros(b"", 100))
    use(case, "text.png", um=True).write_bytes(png(64, 64, bytes(65 * 64), text))
    return "outline", case
