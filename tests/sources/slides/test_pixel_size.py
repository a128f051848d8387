"""Where the pixel size comes from; values by the standards named in each test."""

from __future__ import annotations

import pytest

from coreg.errors import InputError
from coreg.sources.slides.pixel_size import (
    Statement,
    choose,
    from_description,
    from_ome_xml,
    from_tags,
)

NAMESPACE = "http://www.openmicroscopy.org/Schemas/OME/2016-06"
OME = f'<OME xmlns="{NAMESPACE}"><Image><Pixels {{}}/></Image></OME>'


def test_ome_xml_unit_defaults_to_micrometres():
    """OME-XML 2016-06 (default µm from memory)."""
    found = from_ome_xml(
        OME.format('PhysicalSizeX="0.5" PhysicalSizeY="250" PhysicalSizeYUnit="nm"')
    )
    assert found.mm == pytest.approx((0.00025, 0.0005))
    assert from_ome_xml(OME.format('PhysicalSizeX="0.5"')) is None
    assert (
        from_ome_xml(OME.format('PhysicalSizeX="1" PhysicalSizeY="1" PhysicalSizeXUnit="pixel"'))
        is None
    )


def test_broken_ome_xml_is_said():
    with pytest.raises(InputError, match="OME-XML that cannot be read"):
        from_ome_xml("<OME")


def test_tags_20000_a_cm_are_half_a_micrometre():
    """TIFF 6.0, tags 282, 283, 296: 3 is cm, 2 is inch, 1 says nothing."""
    assert from_tags(20000, 20000, 3)[0].mm == pytest.approx((0.0005, 0.0005))
    assert from_tags(25400, 50800, 2)[0].mm == pytest.approx((0.0005, 0.001))
    assert from_tags(1, 1, 1) == (None, "")
    assert from_tags(None, 5, 3) == (None, "")


@pytest.mark.parametrize(("dpi", "taken"), [(72, False), (96, False), (300, True), (1200, True)])
def test_usual_dpi_are_refused_or_doubted(dpi, taken):
    statement, note = from_tags(dpi, dpi, 2)
    assert (statement is not None) == taken
    if taken:
        assert "check it against a known length" in statement.doubt
    else:
        assert f"{dpi} dpi" in note


def test_imagej_names_its_unit_in_the_description():
    found, _ = from_tags(2.0, 2.0, 1, "ImageJ=1.53\nunit=micron\n")
    assert found.mm == pytest.approx((0.0005, 0.0005))


def test_scanner_description_mpp():
    """The published example of a scanner's description, as tifffile's documentation prints it."""
    text = "Library v1\n46000x32914 [0,0] |AppMag = 20|MPP = 0.4990|Left = 25.691574"
    assert from_description(text).mm == pytest.approx((0.000499, 0.000499))
    xml = (
        '<Attribute Name="DICOM_PIXEL_SPACING" PMSVR="IDoubleArray">"0.00025" "0.0003"</Attribute>'
    )
    assert from_description(xml).mm == pytest.approx((0.00025, 0.0003))
    assert from_description("no such thing, MPPX = 3") is None


def test_nothing_said_asks_for_it():
    with pytest.raises(InputError, match=r"set \[slide\] pixel_size_um in case\.toml"):
        choose([], None, "a.tif")


def test_the_case_outranks_the_file_and_says_so():
    taken = choose([Statement((0.0005, 0.0005), "OME-XML")], (0.25, 0.25), "a.tif")
    assert taken.mm == pytest.approx((0.00025, 0.00025))
    assert taken.source == "case.toml"
    assert taken.warnings == (
        "a.tif: the pixel size is 0.25 µm by case.toml and 0.5 µm by OME-XML; that of case.toml "
        "was taken.",
    )


def test_agreeing_sources_say_nothing():
    a, b = Statement((0.0005, 0.0005), "OME-XML"), Statement((0.000503, 0.0005), "tags")
    assert choose([a, b], None, "a.tif").warnings == ()


@pytest.mark.parametrize("value", [0, -1, float("nan"), "x", (1, 2, 3), True and (0.5, -0.5)])
def test_a_given_size_that_is_no_length_is_refused(value):
    with pytest.raises(InputError, match=r"Expected \[slide\] pixel_size_um to be one length"):
        choose([], value, "a.tif")
