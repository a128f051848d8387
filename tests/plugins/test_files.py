"""What napari's Open and Save do with our files."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("napari", reason="napari is not installed (the extra 'gui')")

from napari.components import ViewerModel
from napari.layers import Layer

from coreg.errors import InputError
from coreg.geometry import ZONES, Grid, Outline
from coreg.sources.outlines import read_outlines
from coreg_napari import layers as make
from coreg_napari.readers import (
    get_case_reader,
    read_case,
    read_recording_file,
    read_slide,
)
from coreg_napari.writers import write_outlines_file, write_zones_file

SQUARE = np.array([[2.0, 3.0], [2.0, 6.0], [5.0, 6.0], [5.0, 3.0]])


@pytest.fixture
def manifest():
    from npe2 import PluginManifest

    return PluginManifest.from_distribution("coreg")


def test_every_command_of_the_manifest_can_be_imported(manifest):
    assert manifest.contributions.commands
    for command in manifest.contributions.commands:
        assert callable(command.python_name and manifest_import(command.python_name))


def manifest_import(name: str):
    from importlib import import_module

    module, _, attribute = name.partition(":")
    return getattr(import_module(module), attribute)


def test_a_case_folder_is_read_and_other_folders_are_not(small, tmp_path):
    assert get_case_reader(str(tmp_path)) is None
    assert get_case_reader([str(small)]) is None
    assert get_case_reader(str(small / "case.toml")) is not None
    made = get_case_reader(str(small))(str(small))
    viewer = ViewerModel()
    for data in made:
        viewer.add_layer(Layer.create(*data))
    assert [layer.name for layer in viewer.layers] == ["section", "outlines of A", "outlines of B"]
    assert all(make.in_mm(layer) for layer in viewer.layers)


def test_a_case_with_results_shows_the_plane_and_hides_the_section(small):
    from coreg.case import open_case

    open_case(small).run(["predict"])
    visible = {k["name"]: k.get("visible", True) for _, k, _ in read_case(small)}
    assert visible["change (%)"]
    assert visible["predicted lesion"]
    assert not visible["section"]


def test_a_slide_is_lazy_multiscale_and_in_mm(tmp_path):
    from coreg.geometry import Image
    from coreg.sources.slides.write import write_ome_tiff

    grid = Grid((600, 900), (0.002, 0.002), (0.001, 0.001), "slide")
    picture = np.random.default_rng(0).integers(0, 255, (600, 900, 3)).astype(np.uint8)
    write_ome_tiff(tmp_path / "s.ome.tif", Image(picture, grid))
    (made,) = read_slide(str(tmp_path / "s.ome.tif"))
    layer = Layer.create(*made)
    assert layer.multiscale
    assert layer.rgb
    np.testing.assert_allclose(layer.scale, (0.002, 0.002))
    np.testing.assert_allclose(layer.extent.world[1], grid.to_mm([[599, 899]])[0])
    np.testing.assert_array_equal(np.asarray(made[0][0][10:20, 30:40]), picture[10:20, 30:40])
    made[0][0].slide.close()


def test_a_recording_is_read_as_its_case_says_and_alone_by_its_axes(small, tmp_path):
    (made,) = read_recording_file(str(small / "maps.npz"))
    assert made[0].shape == (40, 30)
    np.testing.assert_allclose(made[1]["translate"], (0.0, -7.0))
    alone = tmp_path / "alone.npz"
    np.savez(alone, map=np.ones((4, 5)), depth=np.arange(4.0), lateral=np.arange(5.0))
    (made,) = read_recording_file(str(alone))
    np.testing.assert_allclose(made[1]["scale"], (1.0, 1.0))


def test_an_oscillation_alone_asks_for_a_case(tmp_path):
    np.savez(tmp_path / "r.npz", um=np.ones((2, 3, 4, 5)))
    with pytest.raises(InputError, match="make a case for it"):
        read_recording_file(str(tmp_path / "r.npz"))


def test_saved_outlines_are_in_mm_whatever_the_layer_s_scale(tmp_path):
    layer = Layer.create(
        *make.outline_layer([Outline(SQUARE, "slide", zone="ablated")], "slide", "o", "outlines")
    )
    layer.scale, layer.translate = (2.0, 2.0), (1.0, 0.0)
    data, meta, _ = layer.as_layer_data_tuple()
    write_outlines_file(str(tmp_path / "o.geojson"), data, meta)
    (back,) = read_outlines(tmp_path / "o.geojson")
    assert back.area == pytest.approx(36.0)
    np.testing.assert_allclose(back.exterior.min(axis=0), (5.0, 6.0))


def test_outlines_in_pixels_are_refused(tmp_path):
    layer = Layer.create([SQUARE], {"shape_type": "polygon", "name": "mine"}, "shapes")
    data, meta, _ = layer.as_layer_data_tuple()
    with pytest.raises(InputError, match="'mine' is in pixel × pixel, not in mm"):
        write_outlines_file(str(tmp_path / "o.geojson"), data, meta)


def test_painted_zones_become_outlines(tmp_path):
    grid = Grid((40, 40), (0.5, 0.5), (0.25, 0.25), "slide")
    labels = np.zeros(grid.shape, dtype=np.uint8)
    labels[10:20, 10:30] = ZONES["ablated"]
    layer = Layer.create(*make.labels_layer(labels, grid, "zones", "strokes"))
    data, meta, _ = layer.as_layer_data_tuple()
    write_zones_file(str(tmp_path / "z.geojson"), data, meta)
    (back,) = read_outlines(tmp_path / "z.geojson")
    assert back.zone == "ablated"
    assert back.area == pytest.approx(50.0, rel=0.02)


def test_a_label_that_is_no_zone_is_refused(tmp_path):
    layer = Layer.create(
        *make.labels_layer(np.full((4, 4), 9), Grid((4, 4), (1, 1), frame="slide"), "z", "strokes")
    )
    data, meta, _ = layer.as_layer_data_tuple()
    with pytest.raises(InputError, match="The label 9 is no zone"):
        write_zones_file(str(tmp_path / "z.geojson"), data, meta)
