"""`coreg check` finds beforehand what a step would stumble over, in the same words, and quickly."""

from __future__ import annotations

import shutil

import pytest
from hard_use.bad_inputs import ALL, Bad
from hard_use.bad_inputs.table import setting

from coreg import cli

# What no look beforehand can know, with the reason.
NOT_BEFOREHAND = {
    "a TIFF with a tile overwritten": "every tile would have to be decoded",
    "a section that the slide does not have": "sections are found by looking for tissue",
    "panels too narrow to be read": "the panels' widths follow from finished results",
}
STEPS = ("predict", "outline", "align")
EVERY = 5  # of the table, in the order in which it is written: some thirty of 160


def stumbles() -> list[Bad]:
    """What makes a step of a case fail, in itself and not by what happens meanwhile."""
    plain = [bad for bad in ALL if not bad.alone and bad.code == 1 and bad.on == "stderr"]
    parts = ("Slide", "B-mode", "Displacement recording", "Landmarks", "Outlines")
    return [bad for bad in plain if bad.part in parts and bad.what not in NOT_BEFOREHAND]


@pytest.mark.parametrize("bad", [pytest.param(b, id=b.name) for b in stumbles()[::EVERY]])
def test_check_finds(bad, spoilt, capsys):
    arguments = [str(argument) for argument in bad.make(spoilt)]
    assert arguments[0] in STEPS
    assert cli.main(["check", arguments[1]]) == 1
    said = capsys.readouterr()
    assert "wrong" in said.out or "coreg: " in said.err
    assert "Traceback" not in said.out + said.err
    assert "fault of its own" not in said.err


@pytest.mark.parametrize(
    ("spoil", "finding"),
    [
        (lambda case: (case / "outlines" / "first.geojson").unlink(), "there is none; draw"),
        (lambda case: setting(case, "slide", stain='"Giemsa 2"'), "Unknown stain"),
        (lambda case: setting(case, "predict", focus_mm="[99.0, 1.0]"), "lies off the recording"),
        (lambda case: setting(case, "outlines", source='"proposal"'), "cannot be told apart"),
        (lambda case: setting(case, "outlines", source='"model"'), "model is not given"),
    ],
)
def test_check_finds_what_only_a_step_would_notice(spoil, finding, spoilt, capsys):
    spoil(spoilt)
    assert cli.main(["check", str(spoilt)]) == 1
    assert finding in capsys.readouterr().out


def test_check_finds_that_results_cannot_be_written(spoilt, capsys):
    shutil.rmtree(spoilt / "results")
    (spoilt / "results").write_bytes(b"")
    assert cli.main(["check", str(spoilt)]) == 1
    assert "cannot be written to" in capsys.readouterr().out
