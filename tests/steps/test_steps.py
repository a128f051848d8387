"""The steps on the sample case: repeatable, redone only where stale, each by its own command."""

from __future__ import annotations

import json
import shutil

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
