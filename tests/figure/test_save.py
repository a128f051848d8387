"""The files: fonts, text, resolution and bytes, read back with other programs' libraries."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET

import numpy as np
import pypdf
import pytest
from invented_results import invented_case
from PIL import Image as Picture

from coreg.errors import InputError
from coreg.figure import Layout, draw, save

LAYOUT = Layout(("change", "mapped", "agreement"), 2, 120.0)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("figure")
    paths = save(draw(invented_case(), LAYOUT), folder, ("pdf", "png", "svg", "tiff"))
    return {path.suffix[1:]: path for path in paths}


def text_sizes(page):
    """Size in points of every piece of text of a PDF page, with the page's scaling in it."""
    sizes = []

    def visit(text, cm, tm, font, size):
        if text.strip():
            scale = np.array([[tm[0], tm[1]], [tm[2], tm[3]]]) @ np.array(
                [[cm[0], cm[1]], [cm[2], cm[3]]]
            )
            sizes.append(size * float(np.sqrt(abs(np.linalg.det(scale)))))

    page.extract_text(visitor_text=visit)
    return sizes


def test_pdf_has_the_width_in_print(files):
    box = pypdf.PdfReader(files["pdf"]).pages[0].mediabox
    assert float(box.width) * 25.4 / 72 == pytest.approx(120.0, abs=0.05)


def test_pdf_text_is_text_of_at_least_6_pt(files):
    page = pypdf.PdfReader(files["pdf"]).pages[0]
    words = page.extract_text()
    for expected in ("Change from baseline", "Lateral (mm)", "Dice 0.81 (0.74–0.86)", "5 mm"):
        assert expected in words
    assert min(text_sizes(page)) >= 6.0 - 1e-6


def test_pdf_embeds_every_font(files):
    fonts = pypdf.PdfReader(files["pdf"]).pages[0]["/Resources"]["/Font"]
    assert len(fonts) > 0
    for font in fonts.values():
        inner = font.get_object()
        for descendant in inner.get("/DescendantFonts", [inner]):
            descriptor = descendant.get_object()["/FontDescriptor"]
            assert "/FontFile2" in descriptor, inner["/BaseFont"]


def test_pdf_holds_no_date(files):
    about = pypdf.PdfReader(files["pdf"]).metadata
    assert "/CreationDate" not in about
    assert "/ModDate" not in about


def test_pdf_images_have_at_least_300_dpi(files):
    """An image's pixels against the box that its transform gives it on the page."""
    page = pypdf.PdfReader(files["pdf"]).pages[0]
    widths = {
        name: obj.get_object()["/Width"] for name, obj in page["/Resources"]["/XObject"].items()
    }
    content = pypdf.generic.ContentStream(page["/Contents"], None)
    matrices, current, checked = [], np.eye(3), 0
    for operands, operator in content.operations:
        if operator == b"q":
            matrices.append(current)
        elif operator == b"Q":
            current = matrices.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = (float(v) for v in operands)
            current = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ current
        elif (
            operator == b"Do"
            and page["/Resources"]["/XObject"][operands[0]]["/Subtype"] == "/Image"
        ):
            inches = np.hypot(*current[0, :2]) / 72
            assert widths[operands[0]] / inches >= 299.5
            checked += 1
    assert checked >= 3  # change map, its colour bar, mapped section


def test_svg_text_is_text_of_at_least_6_pt(files):
    root = ET.parse(files["svg"]).getroot()
    elements = [e for e in root.iter() if e.tag.endswith("}text")]
    words = {"".join(e.itertext()) for e in elements}
    assert {"Change from baseline", "Depth (mm)"} <= words
    assert root.attrib["width"].endswith("pt")
    sizes = []
    for element in elements:
        style = dict(p.split(":", 1) for p in element.attrib["style"].split("; ") if ":" in p)
        size = style.get("font-size") or next(
            part for part in style["font"].split() if part.endswith("px")
        )
        sizes.append(float(size.strip().removesuffix("px")))
    # One SVG unit is one point: the viewBox has the size of the page in points.
    assert float(root.attrib["viewBox"].split()[2]) == pytest.approx(120 / 25.4 * 72, rel=1e-4)
    assert min(sizes) >= 6.0


def test_png_and_tiff_have_their_resolution(files):
    for suffix, dpi in (("png", 300), ("tiff", 600)):
        with Picture.open(files[suffix]) as picture:
            assert picture.info["dpi"] == pytest.approx((dpi, dpi), abs=0.1)
            assert picture.width == pytest.approx(120 / 25.4 * dpi, abs=1)


def test_same_inputs_give_the_same_bytes(files, tmp_path):
    again = save(draw(invented_case(), LAYOUT), tmp_path, ("pdf", "png", "svg", "tiff"))
    for path in again:
        assert path.read_bytes() == files[path.suffix[1:]].read_bytes(), path.name


def test_other_inputs_give_other_bytes(files, tmp_path):
    """The check above would not notice a file that never depends on the data."""
    (path,) = save(draw(invented_case(), Layout(("change",), 1, 120.0)), tmp_path, ("svg",))
    assert path.read_bytes() != files["svg"].read_bytes()


def test_unknown_format_is_refused(tmp_path):
    with pytest.raises(InputError, match="cannot be written as 'gif'; known are pdf, png"):
        save(draw(invented_case(), LAYOUT), tmp_path, ("gif",))
    assert not list(tmp_path.iterdir())


def test_folder_that_is_a_file_is_one_sentence(tmp_path):
    place = tmp_path / "taken"
    place.write_text("")
    with pytest.raises(InputError, match="taken cannot be made"):
        save(draw(invented_case(), LAYOUT), place, ("png",))


def test_pixels_of_a_coarse_map_stay_square():
    """Maps are shown pixel by pixel: no value appears that is not in the map."""
    figure = draw(invented_case(), Layout(("change",), 1, 85.0, "", "lesion"))
    file = io.BytesIO()
    figure.savefig(file, format="png", dpi=300)
    ax = next(a for a in figure.axes if a.get_label() == "change")
    picture = np.asarray(Picture.open(file).convert("RGB"))
    scale = picture.shape[1] / figure.bbox.width
    x, y = ax.transData.transform((0.0, 16.5)) * scale
    row = picture[picture.shape[0] - int(y), int(x) - 200 : int(x) + 200]
    steps = np.abs(np.diff(row.astype(int), axis=0)).sum(axis=1) > 0
    assert steps.mean() < 0.15
