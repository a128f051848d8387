"""Strokes teach zones; the model is kept as numbers and knows where it does not apply."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import ndimage
from zones import sections

from coreg.errors import InputError
from coreg.geometry import ZONES
from coreg.zones.features import compute
from coreg.zones.learn import Stroke, ZoneModel, applicability, paint, train


def strokes(truth, grid, zones=("viable", "diffusion-damaged", "ablated")):
    """Four short strokes a zone, one a quarter of the section, well inside the zone."""
    drawn = []
    middle = np.argwhere(truth == ZONES["ablated"]).mean(axis=0)
    for zone in zones:
        depth = ndimage.distance_transform_edt(truth == ZONES[zone])
        places = np.argwhere(depth > 0)
        side = (places > middle) @ [2, 1]
        for quarter in range(4):
            own = places[side == quarter]
            deepest = own[np.argmax(depth[tuple(own.T)])]
            along = own[np.argsort(np.linalg.norm(own - deepest, axis=1))[:9]]
            drawn.append(Stroke(zone, grid.to_mm(along), 0.08))
    return drawn


@pytest.fixture(scope="module")
def section():
    return sections.paint(1)


@pytest.fixture(scope="module")
def features(section):
    return compute(section.image)


@pytest.fixture(scope="module")
def model(section, features):
    return train(features, strokes(section.truth_on(features.grid), features.grid))


def score(model, section, features, **options):
    truth = section.truth_on(features.grid)
    labels = model.predict(features, **options).labels
    return [sections.dice(labels == k, truth == k) for k in (3, 4)]


def test_strokes_teach_the_zones(section, features, model):
    rim, core = score(model, section, features)
    assert core > 0.97
    assert rim > 0.95


@pytest.mark.parametrize("stain", ["Masson's trichrome", "NADH-diaphorase", "TTC"])
def test_strokes_teach_the_zones_of_other_stains(stain):
    section = sections.paint(4, stain=stain)
    features = compute(section.image, stain)
    drawn = strokes(section.truth_on(features.grid), features.grid)
    rim, core = score(train(features, drawn), section, features)
    assert core > 0.97
    assert rim > 0.95


def test_what_was_painted_keeps_its_zone(section, features, model):
    """A correction in the middle of another zone holds, and changes little around it."""
    middle = np.argwhere(section.truth_on(features.grid) == ZONES["ablated"]).mean(axis=0)
    spot = Stroke("viable", features.grid.to_mm([middle]), 0.3)
    said = paint([spot], features.grid) > 0
    plain, heard = model.predict(features), model.predict(features, strokes=[spot])
    assert (plain.labels[said] == ZONES["ablated"]).all()
    assert (heard.labels[said] == ZONES["viable"]).all()
    assert (heard.confidence[said] == 1).all()
    assert (heard.labels == plain.labels)[~said].mean() > 0.99


def test_a_model_holds_on_another_section_of_the_study(model):
    other = sections.paint(2)
    features = compute(other.image)
    assert applicability(model, features).verdict == "applicable"
    rim, core = score(model, other, features)
    assert core > 0.93
    assert rim > 0.8


def test_a_stain_shift_is_told(model):
    shifted = compute(sections.paint(2, strength=2.0).image)
    judged = applicability(model, shifted)
    assert judged.verdict == "not applicable"
    assert "spreads from the training section" in judged.reason
    assert judged.outside > applicability(model, compute(sections.paint(2).image)).outside


def test_adapting_takes_out_a_shift_of_the_stain(model):
    shifted = sections.paint(2, strength=1.6)
    features = compute(shifted.image)
    assert score(model, shifted, features, adapt=True)[1] > 0.9


def test_another_stain_or_pixel_size_is_refused(section, model):
    with pytest.raises(InputError, match="trained on H&E, this section is H-DAB"):
        model.predict(compute(section.image, "H-DAB"))
    assert applicability(model, compute(section.image, "H-DAB")).verdict == "not applicable"
    coarse = sections.paint(1).image
    from dataclasses import replace

    with pytest.raises(InputError, match="trained on pixels of 16 µm, these are of 8 µm"):
        model.predict(replace(compute(coarse), pixel_um=8.0))


def test_a_saved_model_predicts_the_same(features, model, tmp_path):
    model.save(tmp_path / "model.json")
    loaded = ZoneModel.load(tmp_path / "model.json")
    np.testing.assert_array_equal(loaded.predict(features).labels, model.predict(features).labels)
    assert loaded.options == model.options


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.pop("centre"), "damaged"),
        (lambda d: d.update(format="zone model 9"), "not a zone model of this version"),
        (lambda d: d.update(intercept="x"), "damaged"),
        (lambda d: d["coefficients"].pop(), "damaged .sizes do not fit"),
        (lambda d: d.update(zones=["moon", "viable", "ablated"]), "damaged .sizes do not fit"),
    ],
)
def test_a_damaged_model_is_refused(model, tmp_path, change, message):
    path = tmp_path / "model.json"
    model.save(path)
    values = json.loads(path.read_text())
    change(values)
    path.write_text(json.dumps(values))
    with pytest.raises(InputError, match=message):
        ZoneModel.load(path)


def test_a_file_that_is_no_model_is_refused(tmp_path):
    with pytest.raises(InputError, match="Cannot read"):
        ZoneModel.load(tmp_path / "none.json")
    (tmp_path / "text.json").write_text("no")
    with pytest.raises(InputError, match="is not JSON"):
        ZoneModel.load(tmp_path / "text.json")


def test_strokes_as_lines_or_as_labels_are_the_same(section, features, model):
    drawn = strokes(section.truth_on(features.grid), features.grid)
    again = train(features, paint(drawn, features.grid))
    np.testing.assert_allclose(again.coefficients, model.coefficients)


def test_strokes_that_cannot_teach_are_refused(section, features):
    drawn = strokes(section.truth_on(features.grid), features.grid)
    with pytest.raises(InputError, match="Strokes for 1 zone were given"):
        train(features, drawn[:4])
    with pytest.raises(InputError, match="miss the tissue"):
        train(features, [drawn[0], Stroke("ablated", np.array([[0.05, 0.05], [0.1, 0.1]]), 0.05)])
    with pytest.raises(InputError, match="Unknown zone 'core'"):
        train(features, [Stroke("core", np.array([[1.0, 1.0]]), 0.1)])
    with pytest.raises(InputError, match="number 9, which is no zone"):
        train(features, np.full(features.grid.shape, 9, np.uint8))
    with pytest.raises(InputError, match="Expected strokes of shape"):
        train(features, np.zeros((2, 2), np.uint8))
