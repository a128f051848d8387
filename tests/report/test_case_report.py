"""The report of a case: what it says, what it escapes, and that it stands alone."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pypdf
import pytest
from invented_case_folder import MEASURES, SUMMARIES, invented_case_folder

from coreg.case import new_case
from coreg.errors import InputError
from coreg.report import CAUTIONS, case_document, case_report
from coreg.report.html import to_html
from coreg.report.pdf import to_pdf
from coreg.report.words import plain_words

HOSTILE = '<script>alert("x")</script> & "quotes" </title>'


class Outline(HTMLParser):
    """Tags, headings and text of a page."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.headings, self.images, self.text = [], [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "img":
            self.images.append(dict(attributes))

    def handle_data(self, data):
        self.text.append(data)

    @property
    def words(self):
        return re.sub(r"\s+", " ", " ".join(self.text))


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return invented_case_folder(tmp_path_factory.mktemp("case") / "a")


@pytest.fixture(scope="module")
def page(case):
    return Outline(to_html(case_document(case)))


def pdf_words(data):
    import io

    reader = pypdf.PdfReader(io.BytesIO(data))
    return re.sub(r"\s+", " ", " ".join(p.extract_text() for p in reader.pages))


def test_every_caution_is_there(page):
    for caution in CAUTIONS:
        assert caution in page.words


@pytest.mark.parametrize(
    "said",
    [
        "rabbit 3, left kidney",
        "25.1 mm², where the amplitude fell by 38 % or more",
        "outlined by hand (A. Observer, B. Observer; majority)",
        "330.1 mm² of the imaging plane",
        "0.81 (0.74–0.86)",
        "The prediction covers 86 % of the pathology lesion. Anything from 0.78 to 0.92 fits",
        "The predicted centre lies 0.21 mm shallower.",
        "Verdict: doubtful.",
        "15 % of its 6.0 mm across",
        "Landmark 'vessel, lower branch' does not fit the others.",
        "0.90 mm (0.60–1.30)",
        "14.1 %",
        "no displacement estimate 288.1 mm²",
        "Displacement left out for correlation: 12.5 % of the map.",
        "3.0 % of the predicted lesion (ablated) lies outside the region of validity",
        "no Pathology lesion not judged, since no pathology lesion at all",
        "Open question: The unit of the depth axis is not stated; mm was taken.",
        "The intervals of ablated leave out threshold",
        "The resolution of the displacement alone would allow a Dice of at most 0.97 for ablated.",
        "[align] model thin-plate",
    ],
)
def test_report_says(page, said):
    assert said in page.words


def test_html_and_pdf_say_the_same(case):
    """Every text of the document is in both."""
    document = case_document(case)
    html, pdf = Outline(to_html(document)).words, pdf_words(to_pdf(document)).replace(" ", "")
    assert document.title in html
    assert document.title.replace(" ", "") in pdf
    for section in document.sections:
        for block in section.blocks:
            for text in (*getattr(block, "items", ()), getattr(block, "text", "")):
                assert re.sub(r"\s+", " ", text) in html
                assert re.sub(r"\s+", "", text) in pdf
            for row in getattr(block, "rows", ()):
                assert all(re.sub(r"\s+", " ", cell) in html for cell in row)


def test_page_stands_alone(page):
    """No script, no frame, nothing that a browser would fetch."""
    for tag, attributes in page.tags:
        assert tag not in ("script", "iframe", "object", "embed", "base")
        for name in ("src", "href", "data", "poster", "action", "srcset"):
            value = attributes.get(name) or ""
            assert value == "" or value.startswith(("data:", "#")), (tag, value)
        assert not any(name.startswith("on") for name in attributes)


def test_style_fetches_nothing(case):
    html = to_html(case_document(case))
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style


def test_headings_step_down_one_by_one(page):
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(page.headings, page.headings[1:], strict=False))


def test_pictures_have_an_alternative_text(page):
    assert page.images
    for image in page.images:
        assert len(image["alt"]) > 40
        assert "Panels: B-mode, Change from baseline." in image["alt"]


def test_tables_name_their_columns_and_rows(page):
    scopes = [attributes.get("scope") for tag, attributes in page.tags if tag == "th"]
    assert set(scopes) == {"col", "row"}
    tables = sum(tag == "table" for tag, _ in page.tags)
    assert sum(tag == "caption" for tag, _ in page.tags) == tables > 5


def test_what_comes_from_files_is_escaped(tmp_path):
    case = invented_case_folder(tmp_path / "b", name=HOSTILE)
    html, _ = case_report(case, tmp_path / "out")
    text = html.read_text(encoding="utf-8")
    assert "<script" not in text
    page = Outline(text)
    assert HOSTILE in page.words
    assert sum(tag == "title" for tag, _ in page.tags) == 1
    assert HOSTILE in pdf_words((tmp_path / "out" / "report.pdf").read_bytes())


def test_input_hashes_and_versions_are_listed(tmp_path):
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / "slide.tif").write_bytes(b"not really a slide")
    case = invented_case_folder(tmp_path / "c", slide={"path": "slide.tif"})
    words = Outline(to_html(case_document(case))).words
    import hashlib

    import numpy

    assert hashlib.sha256(b"not really a slide").hexdigest() in words
    assert f"numpy {numpy.__version__}" in words
    assert case.result("agree").record["id"] in words


def test_stale_results_are_called_so(tmp_path):
    case = invented_case_folder(tmp_path / "d")
    assert "no longer belong" not in Outline(to_html(case_document(case))).words
    case.change("agree", draws=77)
    words = Outline(to_html(case_document(case))).words
    assert "no longer belong to the present inputs and settings: agree ([agree] draws" in words


def test_methods_name_every_parameter_that_made_the_result(tmp_path):
    """Odd values that appear nowhere else are all found in the methods."""
    settings = {
        "displacement": {"modulation_frequency_hz": 61.5, "frame_rate_hz": 987.0},
        "predict": {
            "standard_errors": 1.75,
            "focus_mm": [20.25, -3.75],
            "focus_radius_mm": 2.35,
            "connected_to_focus": True,
            "smallest_mm2": 1.35,
            "fill_holes_mm2": 0.85,
            "smooth_mm": 0.45,
            "low_baseline": "leave out",
        },
        "landmarks": {"error_mm": 0.37},
        "outlines": {"spacing_um": 11.5, "consensus": "staple"},
        "align": {"smoothing": 0.464, "robust": True, "refine": "outlines"},
        "agree": {"draws": 543, "seed": 91, "point_spread_mm": [0.95, 1.15]},
    }
    case = invented_case_folder(tmp_path / "e", **settings)
    document = case_document(case)
    methods = next(s for s in document.sections if s.heading == "Methods").blocks[0].text
    for value in (
        *("of 61.5 Hz at 987 frames/s", "37.5 %", "1.75", "20.25 mm", "-3.75 mm", "2.35 mm"),
        *("1.35 mm²", "0.85 mm²", "0.45 mm", "left out", "0.37 mm", "11.5 µm", "STAPLE"),
        *("0.464", "weighted down", "refined with outlines", "543", "seed 91", "0.95 mm"),
        *("1.15 mm", "16 pairs", "4 × 4 µm", "80 × 100 pixels"),
    ):
        assert value in methods, value


def test_a_setting_that_the_methods_do_not_know_is_named_all_the_same():
    from coreg.report.methods import case_methods
    from coreg.schema import check_settings

    settings = check_settings({})
    settings["agree"]["novel_limit_mm"] = 4.25
    text = case_methods(settings, SUMMARIES)[0].text
    further = text.split("Further settings: ")[1].split(". Computations")[0]
    assert "novel limit mm 4.25" in further


def test_proposed_zones_are_called_proposals(tmp_path):
    case = invented_case_folder(tmp_path / "h", outlines={"source": "proposal"})
    with case.writing("outline") as (_, summary):
        summary.update({**SUMMARIES["outline"], "source": "proposal", "observers": []})
    words = Outline(to_html(case_document(case))).words
    assert "zones proposed by the program, to be confirmed by a pathologist" in words
    assert "Zones were proposed by the program after colour deconvolution [" in words


@pytest.mark.parametrize("rule", ["threshold", "otsu", "half-way", "growing"])
@pytest.mark.parametrize("model", ["rigid", "similarity", "affine", "thin-plate"])
def test_methods_cite_each_reference_that_they_list(tmp_path, rule, model):
    case = invented_case_folder(tmp_path / "f", predict={"rule": rule}, align={"model": model})
    section = next(s for s in case_document(case).sections if s.heading == "Methods")
    text, references = section.blocks[0].text, section.blocks[1].items
    cited = {int(n) for group in re.findall(r"\[([\d, ]+)\]", text) for n in group.split(",")}
    assert cited == set(range(1, len(references) + 1))
    assert any("Otsu" in r for r in references) == (rule == "otsu")
    assert any("Bookstein" in r for r in references) == (model == "thin-plate")
    assert "  " not in text
    assert " ;" not in text


def test_same_results_give_the_same_bytes(case, tmp_path):
    first = case_report(case, tmp_path / "one")
    second = case_report(case, tmp_path / "two")
    for a, b in zip(first, second, strict=True):
        assert a.read_bytes() == b.read_bytes(), a.name


def test_pdf_embeds_its_fonts_and_has_title_and_language(case):
    import io

    reader = pypdf.PdfReader(io.BytesIO(to_pdf(case_document(case))))
    assert reader.metadata.title == "Predicted lesion and pathology: rabbit 3, left kidney"
    assert reader.trailer["/Root"]["/Lang"] == "en"
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():
            descriptor = font.get_object()["/FontDescriptor"].get_object()
            assert "/FontFile2" in descriptor
    shown = pdf_words(to_pdf(case_document(case)))
    assert "mm²" in shown
    assert "−" in shown


def test_a_case_without_results_is_one_sentence(tmp_path):
    case = new_case(tmp_path / "empty", {})
    with pytest.raises(InputError, match="A report needs the step predict, which is to do"):
        case_report(case, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_damaged_figure_is_one_sentence(tmp_path):
    case = invented_case_folder(tmp_path / "g")
    result = case.result("figure")
    result.file("figure-legend.txt").unlink()
    document_or_error = case.result("figure")
    if document_or_error is not None:
        pytest.fail("the store should not give a result whose files are gone")
    headings = [s.heading for s in case_document(case).sections]
    assert "Figure" not in headings


def test_a_folder_that_cannot_be_made_is_one_sentence(case, tmp_path):
    (tmp_path / "taken").write_text("")
    with pytest.raises(InputError, match="taken cannot be made"):
        case_report(case, tmp_path / "taken")


def test_every_measure_with_a_value_has_words_or_needs_none():
    """Areas and extents speak for themselves."""
    silent = {
        measure
        for measure, estimate in MEASURES["ablated"].items()
        if not plain_words(measure, estimate)
    }
    assert silent == {"predicted_area_mm2", "pathology_outside_valid_share"}


@pytest.mark.parametrize(
    ("measure", "value", "words"),
    [
        ("area_difference_mm2", -2.04, "The predicted lesion is 2.0 mm² smaller."),
        ("area_difference_mm2", 0.01, "The predicted lesion is as large."),
        ("centroid_offset_depth_mm", 0.5, "The predicted centre lies 0.50 mm deeper."),
        (
            "centroid_offset_lateral_mm",
            -0.5,
            "The predicted centre lies 0.50 mm towards smaller lateral positions.",
        ),
        ("precision", 0.771, "77 % of the predicted lesion is damaged in pathology."),
    ],
)
def test_signs_in_words(measure, value, words):
    assert plain_words(measure, {"value": value, "low": None, "high": None}) == words


def test_invented_summaries_have_the_zones_of_the_steps():
    from coreg.steps.outline import LESIONS

    assert set(SUMMARIES["agree"]["zones"]) == set(LESIONS)
