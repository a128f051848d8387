"""Strips of a study: pages, order, and cases that cannot be shown."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pypdf
import pytest
from invented_results import invented_case

from coreg.cohort import Study, StudyCase
from coreg.errors import InputError
from coreg.report import write_strips


def study_of(count, folder):
    cases = tuple(StudyCase(f"case-{i}", Path(f"case-{i}"), f"rabbit {i}") for i in range(count))
    return Study("rabbits", folder, cases)


def gather(folder):
    if folder.name == "case-2":
        raise InputError("The step agree is to do.")
    data = invented_case(folder.name)
    return dataclasses.replace(data, bmode=None, section_on_plane=None, error_mm=None)


def test_cases_stand_in_order_and_those_left_out_are_named(tmp_path):
    paths, left_out = write_strips(study_of(4, tmp_path), cases_a_page=2, gather=gather)
    assert [p.name for p in paths] == [
        "strips-01.pdf",
        "strips-01.png",
        "strips-02.pdf",
        "strips-02.png",
    ]
    assert left_out == [("case-2", "The step agree is to do.")]
    words = [pypdf.PdfReader(p).pages[0].extract_text() for p in paths if p.suffix == ".pdf"]
    shown = [[i for i in range(4) if f"case-{i}" in text] for text in words]
    assert shown == [[0, 1], [3]]


def test_a_study_without_any_case_to_show_is_one_sentence(tmp_path):
    study = Study("rabbits", tmp_path, (StudyCase("case-2", Path("case-2"), "a"),))
    with pytest.raises(InputError, match="No case of 'rabbits' can be shown: The step agree"):
        write_strips(study, gather=gather)


def test_a_case_folder_that_was_not_run_is_named(tmp_path):
    from coreg.case import new_case

    case = new_case(tmp_path / "a", {})
    study = Study("rabbits", tmp_path, (StudyCase("a", case.folder, "a"),))
    with pytest.raises(InputError, match="can be shown: The step predict is to do"):
        write_strips(study)
