"""Outlines as GeoJSON: what is written comes back, and a bad file is refused in one sentence."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import shape

from coreg.errors import FrameError, InputError
from coreg.geometry import Outline
from coreg.sources.outlines import read_outlines, write_outlines

SQUARE = [[0, 0], [4, 0], [4, 2], [0, 2], [0, 0]]
HOLE = [[1, 0.5], [1, 1.5], [2, 1.5], [2, 0.5], [1, 0.5]]


def feature(coordinates, kind="Polygon", **properties):
    return {
        "type": "Feature",
        "properties": {"zone": "ablated", **properties},
        "geometry": {"type": kind, "coordinates": coordinates},
    }


def save(path, *features, **members):
    document = {"type": "FeatureCollection", "features": list(features), **members}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


@pytest.fixture
def file(tmp_path):
    return tmp_path / "lesion.geojson"


def test_coordinates_are_x_then_y_and_points_row_then_column(file):
    (outline,) = read_outlines(save(file, feature([SQUARE], observer="A", made_by="by hand")))
    assert outline.exterior.tolist() == [[0, 0], [0, 4], [2, 4], [2, 0]]
    assert (outline.zone, outline.observer, outline.made_by) == ("ablated", "A", "by hand")
    assert outline.frame == "slide"
    assert outline.area == 8


def test_pieces_and_holes_survive(file):
    other = [[[10, 10], [11, 10], [11, 11], [10, 10]]]
    outlines = read_outlines(save(file, feature([[SQUARE, HOLE], other], "MultiPolygon")))
    assert [len(o.holes) for o in outlines] == [1, 0]
    assert [o.area for o in outlines] == [7, 0.5]


def test_written_rings_follow_the_right_hand_rule(file):
    """RFC 7946 section 3.1.6: exterior rings anticlockwise, holes clockwise, rings closed."""
    ring = np.array([[0, 0], [2, 0], [2, 4], [0, 4.0]])
    for turned in (ring, ring[::-1]):
        hole = turned / 4 + 0.5
        write_outlines(file, [Outline(turned, "slide", (hole,), zone="tumour")])
        (written,) = json.loads(file.read_text())["features"]
        outer, inner = (shapely.LinearRing(r) for r in written["geometry"]["coordinates"])
        assert outer.is_ccw
        assert not inner.is_ccw
        assert written["geometry"]["coordinates"][0][0] == written["geometry"]["coordinates"][0][-1]


def test_an_independent_reader_sees_the_same_region(file):
    """Shapely's own GeoJSON mapping is the reference."""
    star = np.array([[np.sin(a), np.cos(a)] for a in np.linspace(0, 6, 30)]) * [3, 2] + [5, 9]
    outline = Outline(star, "slide", zone="ablated")
    write_outlines(file, [outline])
    (written,) = json.loads(file.read_text())["features"]
    assert shape(written["geometry"]).equals(outline.polygon())


@settings(max_examples=40, deadline=None)
@given(
    radii=st.lists(st.floats(0.5, 20), min_size=5, max_size=40),
    centre=st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
    zone=st.sampled_from(["viable", "tumour", "diffusion-damaged", "ablated", "tissue"]),
    note=st.text(max_size=20),
)
def test_round_trip_is_exact(tmp_path_factory, radii, centre, zone, note):
    angle = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    ring = np.array(centre) + np.array(radii)[:, None] * np.c_[np.sin(angle), np.cos(angle)]
    outline = Outline(ring, "slide", zone=zone, observer=note, made_by="by hand")
    path = tmp_path_factory.mktemp("outlines") / "a.geojson"
    write_outlines(path, [outline])
    (back,) = read_outlines(path)
    order = np.lexsort(ring.T), np.lexsort(back.exterior.T)
    np.testing.assert_array_equal(ring[order[0]], back.exterior[order[1]])
    assert back.area == pytest.approx(outline.area, rel=1e-12)
    assert (back.zone, back.observer, back.made_by) == (zone, note, "by hand")
    assert "mended" not in back.extra


def test_other_properties_and_the_frame_are_kept(file):
    outline = Outline([[0, 0], [0, 1], [1, 0]], "plane", zone="predicted lesion", extra={"k": [1]})
    write_outlines(file, [outline])
    (back,) = read_outlines(file)
    assert back.extra == {"k": [1]}
    assert back.frame == "plane"


def test_a_folder_is_read_in_the_order_of_its_names(tmp_path):
    save(tmp_path / "b.geojson", feature([SQUARE], observer="B"))
    save(tmp_path / "a.geojson", feature([SQUARE], observer="A"))
    (tmp_path / "notes.txt").write_text("not an outline")
    assert [o.observer for o in read_outlines(tmp_path)] == ["A", "B"]


def test_an_empty_folder_and_an_empty_collection_hold_no_outlines(tmp_path, file):
    assert read_outlines(tmp_path) == []
    write_outlines(file, [])
    assert read_outlines(file) == []


def test_a_ring_that_crosses_itself_is_split_and_the_mending_told(file):
    bowtie = [[0, 0], [2, 2], [2, 0], [0, 2], [0, 0]]
    outlines = read_outlines(save(file, feature([bowtie])))
    assert sum(o.area for o in outlines) == pytest.approx(2)
    assert len(outlines) == 2
    assert "Feature 1 of" in outlines[0].extra["mended"]
    assert "self-intersection" in outlines[0].extra["mended"]
    assert "2 pieces" in outlines[0].extra["mended"]


def test_a_loop_drawn_past_the_start_keeps_all_that_it_encloses(file):
    past = [[0, 0], [4, 0], [4, 4], [0, 4], [0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]
    (outline,) = read_outlines(save(file, feature([past])))
    assert outline.area == pytest.approx(16)


def test_a_hole_drawn_with_one_stroke_through_a_cut_stays_a_hole(file):
    cut = [[0, 0], [4, 0], [4, 4], [0, 4], [0, 0], [1, 1], [1, 2], [2, 2], [2, 1], [1, 1], [0, 0]]
    (outline,) = read_outlines(save(file, feature([cut])))
    assert outline.area == pytest.approx(15)


def test_a_crossing_outline_is_written_as_sound_pieces(file):
    write_outlines(file, [Outline([[0, 0], [2, 2], [0, 2], [2, 0]], "slide", zone="tumour")])
    written = json.loads(file.read_text())["features"]
    assert all(shape(f["geometry"]).is_valid for f in written)
    assert sum(shape(f["geometry"]).area for f in written) == pytest.approx(2)


BAD = {
    "open ring": (feature([SQUARE[:-1]]), r"feature 1 of .*lesion.geojson is open"),
    "few positions": (feature([[[0, 0], [1, 1], [0, 0]]]), "has 3 positions.*at least 4"),
    "not a number": (feature([[[0, 0], [1, float("nan")], [1, 1], [0, 0]]]), "finite numbers"),
    "infinite": (feature([[[0, 0], [1, float("inf")], [1, 1], [0, 0]]]), "finite numbers"),
    "text": (feature([[[0, 0], ["1", 0], [1, 1], [0, 0]]]), "Position 2 of a ring"),
    "true": (feature([[[0, 0], [True, 0], [1, 1], [0, 0]]]), "Position 2 of a ring"),
    "one value": (feature([[[0, 0], [1], [1, 1], [0, 0]]]), "Position 2 of a ring"),
    "misspelt zone": (feature([SQUARE], zone="ablate"), "did you mean 'ablated'"),
    "unknown zone": (feature([SQUARE], zone="xyz"), "use one of viable, tumour"),
    "no zone": (feature([SQUARE], zone=None), "Unknown zone None in feature 1"),
    "plane zone": (feature([SQUARE], zone="predicted lesion"), "Unknown zone"),
    "point": (feature([0, 0], "Point"), "Expected a Polygon or MultiPolygon as feature 1"),
    "null geometry": ({**feature([SQUARE]), "geometry": None}, "Expected a Polygon"),
    "no rings": (feature([]), "no coordinates in feature 1"),
    "no pieces": (feature([], "MultiPolygon"), "no coordinates in feature 1"),
    "coordinates of no list": (feature("abc"), "coordinates of feature 1 .* not a list"),
    "line": (feature([[[0, 0], [1, 0], [2, 0], [0, 0]]]), "encloses no area"),
    "one point": (feature([[[1, 1]] * 5]), "fewer than 3 different points"),
    "no feature": ({"type": "Polygon"}, "Expected a GeoJSON Feature as feature 1"),
    "text properties": ({**feature([SQUARE]), "properties": "zone"}, "not a JSON object"),
    "number as observer": (feature([SQUARE], observer=3), "'observer' of feature 1 .* not text"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_feature_is_refused_in_one_sentence(file, name):
    bad, message = BAD[name]
    with pytest.raises(InputError, match=message):
        read_outlines(save(file, bad))


def test_the_number_of_the_bad_feature_is_named(file):
    with pytest.raises(InputError, match="feature 2 of"):
        read_outlines(save(file, feature([SQUARE]), feature([SQUARE[:-1]])))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b'{"type": ', "not valid JSON at line 1"),
        (b"", "not valid JSON"),
        (b"[]", "not a GeoJSON FeatureCollection"),
        (b'{"type": "FeatureCollection"}', "not a GeoJSON FeatureCollection"),
        (b'{"type": "FeatureCollection", "features": 3}', "not a GeoJSON FeatureCollection"),
        (b"\xff\xfe\x00", "not text in UTF-8"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"type": "FeatureCollection", "features": [], "frame": "moon"}', "frame 'moon'"),
        (b'{"type": "FeatureCollection", "features": [], "unit": "px"}', "in 'px'"),
    ],
)
def test_a_bad_file_is_refused_in_one_sentence(file, content, message):
    file.write_bytes(content)
    with pytest.raises(InputError, match=message):
        read_outlines(file)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(InputError, match=r"Cannot read outlines from .*none\.geojson"):
        read_outlines(tmp_path / "none.geojson")


def test_a_failed_write_leaves_the_old_file_and_nothing_else(file):
    good = Outline([[0, 0], [0, 1], [1, 0]], "slide", zone="tumour")
    write_outlines(file, [good])
    before = file.read_bytes()
    with pytest.raises(InputError, match=r"Unknown zone 'tumor'.*did you mean 'tumour'"):
        write_outlines(file, [good, Outline(good.exterior, "slide", zone="tumor")])
    with pytest.raises(FrameError, match="one frame"):
        write_outlines(file, [good, Outline(good.exterior, "plane", zone="tumour")])
    assert file.read_bytes() == before
    assert [p.name for p in file.parent.iterdir()] == [file.name]


def test_a_folder_that_does_not_exist_is_named(tmp_path):
    with pytest.raises(InputError, match=r"a\.geojson could not be written to .*none"):
        write_outlines(tmp_path / "none" / "a.geojson", [])
