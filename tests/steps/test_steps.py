"""The steps on the sample case: repeatable, redone only where stale, each by its own command."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest

import coreg
from coreg import cli
from coreg.case import STEPS
from coreg.errors import InputError


@pytest.fixture(scope="module")
def case(sample_made):
    return coreg.open_case(sample_made)


@pytest.fixture(scope="module")
def truth(sample_made):
    return json.loads((sample_made / "truth" / "truth.json").read_text("utf-8"))


def test_the_same_inputs_give_the_same_results(case, sample_copy):
    again = coreg.open_case(sample_copy)
    shutil.rmtree(sample_copy / "results")
    again.run()
    for step in STEPS:
        assert again.result(step).record["outputs"] == case.result(step).record["outputs"], step


def test_only_what_is_stale_is_redone(sample_copy):
    case = coreg.open_case(sample_copy)
    case.change("predict", threshold_percent=-30.0)
    result = case.run()
    assert "predict" in result.done
    assert "outline" not in result.done
    assert result.summaries["predict"]["threshold_percent"] == -30.0


def test_each_step_can_be_run_by_its_command(sample_copy, capsys):
    shutil.rmtree(sample_copy / "results")
    assert cli.main(["agree", str(sample_copy), "--quiet"]) == 1
    assert "needs predict" in capsys.readouterr().err
    for step in STEPS:
        assert cli.main([step, str(sample_copy), "--quiet", "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["done"] == [step]


def test_a_matlab_recording_gives_the_same_prediction(case, sample_copy):
    """The same arrays from .npz and from a MATLAB v5 file, written by SciPy."""
    from scipy.io import savemat

    with np.load(sample_copy / "recording.npz") as arrays:
        savemat(sample_copy / "recording.mat", {name: arrays[name] for name in arrays.files})
    other = coreg.open_case(sample_copy)
    other.change("displacement", path="recording.mat")
    found = other.run(["predict"]).summaries["predict"]
    expected = case.result("predict").summary
    assert found["predicted_area_mm2"] == pytest.approx(expected["predicted_area_mm2"], rel=1e-9)


def test_the_program_can_propose_the_zones(sample_copy, truth):
    case = coreg.open_case(sample_copy)
    case.change("outlines", source="proposal")
    result = case.run(["outline", "align", "agree"])
    assert result.summaries["outline"]["found"]
    assert "pathologist" in result.summaries["outline"]["notes"][0]
    assert result.agreement["ablated"]["pathology_area_mm2"]["value"] == pytest.approx(
        truth["agreement"]["ablated"]["pathology_area_mm2"], rel=0.25
    )


def test_a_section_without_outlines_is_said(sample_copy):
    shutil.rmtree(sample_copy / "outlines")
    case = coreg.open_case(sample_copy)
    with pytest.raises(InputError, match="draw one, or set"):
        case.run(["outline"])
    assert case.result("outline") is not None, "the earlier result is untouched"


def test_one_section_of_several_can_be_chosen(sample_copy):
    case = coreg.open_case(sample_copy)
    whole = case.result("outline").summary["tissue_area_mm2"]
    case.change("slide", section=1)
    assert case.run(["outline"]).summaries["outline"]["tissue_area_mm2"] == pytest.approx(
        whole, rel=0.05
    )
    case.change("slide", section=7)
    with pytest.raises(InputError, match="there is no section 7"):
        case.run(["outline"])


def true_error(case, truth_folder) -> float:
    """Median error over the lesion's surroundings in plane mm, against the true transform."""
    from coreg.steps.align import read_alignment
    from coreg.transforms import transform_from_dict

    true = transform_from_dict(json.loads((truth_folder / "transform.json").read_text("utf-8")))
    points = coreg.Grid((20, 20), (0.4, 0.4), (17.0, 3.5)).centres()
    found = read_alignment(case.result("align")).transform.to_slide(points)
    return float(np.median(np.linalg.norm(true.to_plane(found) - points, axis=1)))


@pytest.mark.parametrize("refine", ["outlines", "images"])
@pytest.mark.parametrize("landmarks", [True, False], ids=["landmarks", "no landmarks"])
def test_outlines_and_images_refine_the_alignment(sample_copy, refine, landmarks):
    """The tissue outline in the plane is the truth's own: this shows the way, not the error."""
    from coreg.demo import simulate
    from coreg.demo.sample import SCENARIO
    from coreg.sources.outlines import write_outlines

    tissue = simulate(SCENARIO).tissue_outline_plane()
    write_outlines(sample_copy / "outlines" / "plane.geojson", tissue, frame="plane")
    if not landmarks:
        table = sample_copy / "landmarks.csv"
        table.write_text(table.read_text("utf-8").splitlines()[0] + "\n", "utf-8")
    case = coreg.open_case(sample_copy)
    case.change("align", refine=refine)
    found = case.run(["outline", "align"]).summaries["align"]
    error = true_error(case, sample_copy / "truth")
    assert found["model"] == f"refined by {refine}"
    assert found["mirrored"] is True
    assert found["folded_share"] == 0
    assert error < 0.6
    low, high = found["error_interval_mm"]
    assert low < 0.6 < high * 2
    assert error < high


def test_images_alone_state_no_error_and_are_refused(sample_copy):
    table = sample_copy / "landmarks.csv"
    table.write_text(table.read_text("utf-8").splitlines()[0] + "\n", "utf-8")
    case = coreg.open_case(sample_copy)
    for refine, sentence in (("images", "do not tell how far"), ("outlines", "both sides")):
        case.change("align", refine=refine)
        with pytest.raises(InputError, match=sentence):
            case.run(["align"])


def test_the_slides_own_stain_vectors_are_stored_and_near_what_was_painted(sample_made, case):
    """The generator knows the optical densities; 10 µm pixels mix them, so the bound is wide."""
    from coreg.sources.slides import open_slide

    stain = case.result("outline").summary["stain"]
    assert stain["reason"] == ""
    true = json.loads((sample_made / "truth" / "truth.json").read_text("utf-8"))
    painted = np.array(true["stain_optical_density"])[:2]
    painted /= np.linalg.norm(painted, axis=1, keepdims=True)
    found = np.array(stain["vectors"])
    angles = np.degrees(np.arccos(np.clip((painted * found).sum(axis=1), -1, 1)))
    assert stain["stains"] == ["haematoxylin", "eosin"]
    assert angles.max() < 10
    with open_slide(sample_made / "slide.ome.tif") as slide:
        corner = slide.read(0, slice(0, 50), slice(0, 50))  # bare glass
    np.testing.assert_allclose(stain["white"], np.median(corner, axis=(0, 1)), atol=2)


def test_a_movie_and_a_plot_of_the_course_are_written_where_asked(sample_copy):
    case = coreg.open_case(sample_copy)
    case.change("predict", movie=True)
    case.run(["predict"])
    result = case.result("predict")
    assert result.file("change.gif").read_bytes().startswith(b"GIF89a")
    assert result.file("course.png").read_bytes().startswith(b"\x89PNG")


def test_export_writes_images_that_open_as_slides_with_the_right_pixel_size(sample_made, capsys):
    from coreg.sources.slides import open_slide, read_ome_tiff

    assert cli.main(["export", str(sample_made), "--um-per-px", "50", "--quiet", "--json"]) == 0
    files = {path.rsplit("/", 1)[1]: path for path in json.loads(capsys.readouterr().out)["files"]}
    with open_slide(files["section.ome.tif"]) as section:
        np.testing.assert_allclose(section.pixel_size, 0.05)
    zones = read_ome_tiff(files["zones.ome.tif"])
    assert set(np.unique(zones.data)) == {0, 2, 3, 4}
    agreed = coreg.open_case(sample_made).result("agree").summary["zones"]["ablated"]
    area = (zones.data == 4).sum() * zones.grid.pixel_area
    assert area == pytest.approx(agreed["pathology_area_mm2"]["value"], rel=0.03)


def test_export_shows_the_section_as_another_slide_is_stained(sample_made, sample_copy):
    """The other slide is this one at 0.6 of every optical density, so the ratio is known."""
    from coreg.sources.slides import open_slide, read_ome_tiff, write_ome_tiff
    from coreg.steps.export import export_case

    with open_slide(sample_copy / "slide.ome.tif") as slide:
        image = slide.image(slide.pixel_size[0])
    fainter = 255 * (np.maximum(image.data, 1) / 255.0) ** 0.6
    write_ome_tiff(sample_copy / "slide.ome.tif", replace(image, data=fainter.astype(np.uint8)))
    other = coreg.open_case(sample_copy)
    other.run(["outline"])

    case = coreg.open_case(sample_made)
    section = export_case(case, spacing_um=50)[0]
    own = -np.log10(np.maximum(read_ome_tiff(section).data, 1) / 255.0)
    export_case(case, spacing_um=50, stain_like=other)
    shown = -np.log10(np.maximum(read_ome_tiff(section).data, 1) / 255.0)
    stained = own.sum(axis=-1) > 0.6
    ratio = np.median(shown[stained].sum(axis=-1) / own[stained].sum(axis=-1))
    assert ratio == pytest.approx(0.6, abs=0.03)

    other.change("slide", stain="TTC")
    with pytest.raises(InputError, match="outline"):
        export_case(case, spacing_um=50, stain_like=other)


@pytest.mark.parametrize("motion", ["maps", "bmode"])
def test_motion_between_baseline_and_treatment_is_undone_and_said(sample_copy, motion):
    """The plane moves 1.2 mm deeper after the baseline: recording and B-mode frames alike."""
    rows, moved = 4, (4 * 40 / 134)  # pixels of the recording, and the same in mm
    before = coreg.open_case(sample_copy).result("predict").summary["predicted_area_mm2"]
    with np.load(sample_copy / "recording.npz") as file:
        arrays = {name: file[name] for name in file.files}
    arrays["displacement"][1:] = np.roll(arrays["displacement"][1:], rows, axis=2)
    del arrays["correlation"]
    np.savez(sample_copy / "recording.npz", **arrays)
    with np.load(sample_copy / "bmode.npz") as file:
        bmode = {name: file[name] for name in file.files}
    step = round(moved / float(np.diff(bmode["depth_mm"])[0]))
    frames = [np.roll(bmode["bmode_db"], step if i else 0, axis=0) for i in range(4)]
    np.savez(sample_copy / "bmode.npz", **{**bmode, "bmode_db": np.stack(frames)})
    case = coreg.open_case(sample_copy)
    case.change("displacement", correlation=None)
    case.change("predict", motion=motion)
    summary = case.run(["predict"]).summaries["predict"]
    (said,) = [note for note in summary["notes"] if note.startswith("Motion against")]
    assert float(re.search(r"up to ([\d.]+) mm", said)[1]) == pytest.approx(moved, abs=0.1)
    assert summary["predicted_area_mm2"] == pytest.approx(before, rel=0.08)


def test_motion_from_a_single_bmode_frame_is_refused(sample_copy):
    case = coreg.open_case(sample_copy)
    case.change("predict", motion="bmode")
    with pytest.raises(InputError, match="no frame 1"):
        case.run(["predict"])


def test_shadow_on_the_bmode_is_left_out_unless_asked_not_to(sample_copy):
    case = coreg.open_case(sample_copy)
    assert case.result("predict").summary["left_out_shares"]["shadow"] > 0.02
    case.change("predict", shadow_from_bmode=False)
    assert case.run(["predict"]).summaries["predict"]["left_out_shares"]["shadow"] == 0


def test_the_sample_raises_no_question(sample_made):
    assert coreg.open_case(sample_made).result("predict").summary["questions"] == []


def test_the_ablated_zone_may_pass_the_tumour_or_is_cut_to_it(sample_copy):
    """With a tumour outline that leaves out half of the ablated zone."""
    from shapely import box

    from coreg.sources.outlines import read_outlines, write_outlines

    folder = sample_copy / "outlines"
    drawn = read_outlines(folder)
    (core,) = (o for o in drawn if o.zone == "ablated" and o.observer == "observer 1")
    tumour = next(o for o in drawn if o.zone == "tumour")
    top, left, bottom, right = *core.exterior.min(axis=0), *core.exterior.max(axis=0)
    half = box((left + right) / 2, top - 1, right + 1, bottom + 1)
    ring = np.array(half.exterior.coords)[:-1, ::-1]
    shutil.rmtree(folder)
    folder.mkdir()
    only = replace(tumour, exterior=ring, holes=(), observer=core.observer)
    write_outlines(folder / "drawn.geojson", [core, only])
    case = coreg.open_case(sample_copy)

    def area():
        return case.run(["outline"]).summaries["outline"]["areas_as_cut_mm2"]["ablated"]

    assert area() == pytest.approx(core.area)
    case.change("outlines", ablated_inside_tumour=True)
    inside = core.polygon().intersection(half).area
    assert area() == pytest.approx(inside, rel=1e-6)
    assert 0.3 * core.area < inside < 0.7 * core.area
    write_outlines(folder / "drawn.geojson", [core])
    with pytest.raises(InputError, match="observer 1 drew no tumour; draw it, or set"):
        case.run(["outline"])


def test_the_observers_kappa_is_in_the_table_and_is_that_of_scikit_learn(case):
    """The two observers of the sample, over the pixels on which their consensus was sought."""
    result = case.run()
    found = {zone: table["observers_kappa"] for zone, table in result.agreement.items()}
    pairs = case.result("outline").summary["pairs"]
    for zone, kappa in found.items():
        assert kappa["value"] == pytest.approx(pairs[zone][0]["kappa"], abs=1e-9)
        assert kappa["low"] is None
    header = result.table.read_text(encoding="utf-8").splitlines()[0].split(",")
    assert "observers_kappa" in header
