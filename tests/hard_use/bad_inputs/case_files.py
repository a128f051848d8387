"""Case files and case folders."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from hard_use.bad_inputs.table import Arguments, bad, cut, setting

PART = "Case file and case folder"


@bad(
    PART,
    "the folder is not there",
    "is not a folder; give the folder that holds case.toml.",
    code=2,
)
def no_folder(case: Path) -> Arguments:
    return "run", case.with_name("nowhere")


@bad(
    PART,
    "a file in place of the folder",
    "is not a folder; give the folder that holds case.toml.",
    code=2,
)
def file_for_folder(case: Path) -> Arguments:
    return "run", case / "landmarks.csv"


@bad(
    PART,
    "a folder without case.toml",
    "holds no case.toml; make one with 'coreg new … --slide FILE --displacement FILE'.",
)
def no_case_file(case: Path) -> Arguments:
    (case / "case.toml").unlink()
    return "run", case


@bad(
    PART,
    "case.toml is a folder",
    "holds no case.toml; make one with 'coreg new … --slide FILE --displacement FILE'.",
)
def case_file_is_folder(case: Path) -> Arguments:
    (case / "case.toml").unlink()
    (case / "case.toml").mkdir()
    return "run", case


@bad(
    PART,
    "case.toml is a link to itself",
    "holds no case.toml; make one with 'coreg new … --slide FILE --displacement FILE'.",
)
def case_file_loops(case: Path) -> Arguments:
    (case / "case.toml").unlink()
    (case / "case.toml").symlink_to("case.toml")
    return "run", case


@bad(PART, "case.toml is empty", ": [slide] path is not given; write there which file it is.")
def empty_case_file(case: Path) -> Arguments:
    (case / "case.toml").write_bytes(b"")
    return "outline", case


@bad(
    PART,
    "case.toml cut in the middle of a text",
    "is not valid TOML: Unterminated string … ; correct that line.",
)
def cut_case_file(case: Path) -> Arguments:
    (case / "case.toml").write_text('[case]\nname = "rab', encoding="utf-8")
    return "run", case


@bad(
    PART, "a key given twice", "is not valid TOML: Cannot overwrite a value … ; correct that line."
)
def key_twice(case: Path) -> Arguments:
    setting(case, "case", note='"a"\nnote = "b"')
    return "run", case


@bad(
    PART,
    "brackets nested a hundred thousand deep",
    "is not valid TOML: maximum recursion depth exceeded; correct that line.",
)
def nested_case_file(case: Path) -> Arguments:
    (case / "case.toml").write_text("x = " + "[" * 100_000, encoding="utf-8")
    return "run", case


@bad(
    PART,
    "a whole number of 10,000 digits",
    (
        "is not valid TOML: Exceeds the limit … for integer string conversion: value has "
        "10000 digits; use sys.set_int_max_str_digits … to increase the limit; correct that "
        "line."
    ),
)
def long_number(case: Path) -> Arguments:
    setting(case, "agree", draws="9" * 10_000)
    return "run", case


@bad(PART, "saved as Latin-1", "is not UTF-8 text; save it again as UTF-8.")
def latin_case_file(case: Path) -> Arguments:
    (case / "case.toml").write_bytes('[case]\nnote = "10 µm"\n'.encode("latin-1"))
    return "run", case


@bad(PART, "saved as UTF-16", "is not UTF-8 text; save it again as UTF-8.")
def wide_case_file(case: Path) -> Arguments:
    text = (case / "case.toml").read_text(encoding="utf-8")
    (case / "case.toml").write_bytes(text.encode("utf-16"))
    return "run", case


@bad(PART, "a picture in place of case.toml", "is not UTF-8 text; save it again as UTF-8.")
def picture_for_case_file(case: Path) -> Arguments:
    shutil.copy(case / "bmode.png", case / "case.toml")
    return "run", case


@bad(PART, "an unknown section", ": section [slides] is not known; did you mean 'slide'?")
def unknown_section(case: Path) -> Arguments:
    with open(case / "case.toml", "a", encoding="utf-8") as file:
        file.write("[slides]\n")
    return "run", case


@bad(
    PART,
    "an unknown key",
    ": [predict] treshold_percent is not known; did you mean 'threshold_percent'?",
)
def unknown_key(case: Path) -> Arguments:
    setting(case, "predict", treshold_percent="-30")
    return "run", case


@bad(PART, "a value in place of a section", ": [slide] should be a section, got 3.")
def value_for_section(case: Path) -> Arguments:
    (case / "case.toml").write_text("slide = 3\n", encoding="utf-8")
    return "run", case


@bad(PART, "a number in quotes", ": [predict] threshold_percent should be a number, got '-40'.")
def number_in_quotes(case: Path) -> Arguments:
    setting(case, "predict", threshold_percent='"-40"')
    return "run", case


@bad(
    PART,
    "text without end in place of a number",
    ": [predict] threshold_percent should be a number,",
)
def megabyte_of_text(case: Path) -> Arguments:
    setting(case, "predict", threshold_percent='"' + "x" * 1_000_000 + '"')
    return "run", case


@bad(PART, "a date in place of text", ": [case] time should be text in quotes, got datetime.date")
def date_for_text(case: Path) -> Arguments:
    setting(case, "case", time="2026-11-25")
    return "run", case


@bad(PART, "a number out of bounds", ": [predict] threshold_percent should be at most -1, got 40.")
def out_of_bounds(case: Path) -> Arguments:
    setting(case, "predict", threshold_percent="40")
    return "run", case


@bad(PART, "a number that is nan", ": [predict] smooth_mm should be a finite number, got nan.")
def nan_setting(case: Path) -> Arguments:
    setting(case, "predict", smooth_mm="nan")
    return "run", case


@bad(
    PART,
    "a word that is no choice",
    (
        ": [align] model should be one of 'rigid', 'similarity', 'affine', 'thin-plate', "
        "got 'elastic'."
    ),
)
def no_choice(case: Path) -> Arguments:
    setting(case, "align", model='"elastic"')
    return "run", case


@bad(PART, "a list of the wrong length", ": [predict] focus_mm should hold 2 numbers, got 3.")
def wrong_length(case: Path) -> Arguments:
    setting(case, "predict", focus_mm="[1.0, 2.0, 3.0]")
    return "run", case


@bad(
    PART,
    "a later version of the format",
    ": format 99 is newer than this coreg reads … ; update coreg.",
)
def later_format(case: Path) -> Arguments:
    text = (case / "case.toml").read_text(encoding="utf-8")
    (case / "case.toml").write_text(text.replace("format = 1", "format = 99"), encoding="utf-8")
    return "run", case


@bad(
    PART,
    "a path that climbs out of the case folder",
    (
        ": [slide] path climbs out of the case folder … ; write the absolute path, so that "
        "it can be seen where it leads."
    ),
)
def climbing_path(case: Path) -> Arguments:
    setting(case, "slide", path='"../../etc/passwd"')
    return "run", case


@bad(
    PART,
    "a path that climbs out with backslashes",
    (
        ": [displacement] path climbs out of the case folder … ; write the absolute path, "
        "so that it can be seen where it leads."
    ),
)
def climbing_backslashes(case: Path) -> Arguments:
    setting(case, "displacement", path="'..\\..\\secret.npz'")
    return "run", case


@bad(
    PART,
    "landmarks at an absolute path",
    (
        ": [landmarks] path leads out of the case folder … ; the tool writes there, so keep "
        "it inside."
    ),
)
def absolute_landmarks(case: Path) -> Arguments:
    setting(case, "landmarks", path='"/etc/passwd"')
    return "run", case


@bad(
    PART,
    "an outlines folder at an address",
    (
        ": [outlines] folder leads out of the case folder … ; the tool writes there, so "
        "keep it inside."
    ),
)
def remote_outlines(case: Path) -> Arguments:
    setting(case, "outlines", folder='"https://example.org/outlines"')
    return "run", case


@bad(PART, "a path with a NUL character", ": [slide] path holds a NUL character; take it out.")
def nul_in_path(case: Path) -> Arguments:
    setting(case, "slide", path='"slide\\u0000.tif"')
    return "run", case


@bad(PART, "a file name of 300 characters", "is not there; correct [slide] path in")
def long_path(case: Path) -> Arguments:
    setting(case, "slide", path='"' + "x" * 300 + '.tif"')
    return "outline", case


@bad(
    PART,
    "a path with a line break and a terminal's control codes",
    "is not there; correct [slide] path in",
)
def control_codes(case: Path) -> Arguments:
    setting(case, "slide", path='"a\\n\\u001b[2Jb.tif"')
    return "outline", case


@bad(
    PART,
    "results is a link that leads out of the case folder",
    (
        "is a link that leads out of … , and the tool writes there; put a plain file or "
        "folder in its place."
    ),
)
def results_lead_out(case: Path) -> Arguments:
    elsewhere = case.with_name("elsewhere")
    elsewhere.mkdir()
    shutil.rmtree(case / "results")
    (case / "results").symlink_to(elsewhere)
    return "run", case


@bad(
    PART,
    "the outlines folder is a link that leads out of the case folder",
    (
        "is a link that leads out of … , and the tool writes there; put a plain file or "
        "folder in its place."
    ),
)
def outlines_lead_out(case: Path) -> Arguments:
    elsewhere = case.with_name("elsewhere")
    shutil.move(case / "outlines", elsewhere)
    (case / "outlines").symlink_to(elsewhere)
    return "run", case


@bad(PART, "results is a file", "cannot be written to … ; choose a folder you may write to.")
def results_is_file(case: Path) -> Arguments:
    shutil.rmtree(case / "results")
    (case / "results").write_bytes(b"x")
    return "run", case


@bad(PART, "the lock is a folder", "cannot be written to … ; choose a folder you may write to.")
def lock_is_folder(case: Path) -> Arguments:
    (case / "results" / ".lock").unlink(missing_ok=True)
    (case / "results" / ".lock").mkdir()
    return "run", case, "--again"


@bad(
    PART,
    "a result's maps are cut short",
    "cannot be read … ; delete the results folder and run the case again.",
)
def cut_result(case: Path) -> Arguments:
    cut(case / "results" / "predict" / "change.npz", 0.5)
    return "agree", case, "--again"


@bad(
    PART,
    "a result's transform is not JSON",
    "cannot be read … ; delete the results folder and run the case again.",
)
def broken_transform(case: Path) -> Arguments:
    (case / "results" / "align" / "transform.json").write_text("{", encoding="utf-8")
    return "agree", case, "--again"


@bad(
    PART,
    "a result's transform is JSON of another kind",
    ("Unknown kind of transform 3; expected 'affine', 'warp', 'thin-plate' or 'perturbed'."),
)
def other_transform(case: Path) -> Arguments:
    (case / "results" / "align" / "transform.json").write_text('{"kind": 3}', encoding="utf-8")
    return "agree", case, "--again"


@bad(
    PART,
    "a result's zones are gone",
    "agree needs outline, which is to do … ; run 'coreg outline … ' or 'coreg run",
)
def no_zones(case: Path) -> Arguments:
    (case / "results" / "outline" / "zones.geojson").unlink()
    return "agree", case, "--again"


@bad(
    PART,
    "a step before the one that it needs",
    "agree needs align, which is to do … ; run 'coreg align … ' or 'coreg run",
)
def step_too_early(case: Path) -> Arguments:
    shutil.rmtree(case / "results" / "align")
    return "agree", case


@bad(
    PART,
    "a report of a case that was not run",
    "A report needs the step predict, which is to do; run 'coreg run",
)
def report_too_early(case: Path) -> Arguments:
    for step in (case / "results").iterdir():
        if step.is_dir():
            shutil.rmtree(step)
    return "report", case


@bad(
    PART,
    "an export with pixels of no size",
    "--um-per-px should be a number above 0, got 0.",
    code=2,
)
def export_no_size(case: Path) -> Arguments:
    return "export", case, "--um-per-px", "0"


@bad(
    PART, "an export with pixels of nan", "--um-per-px should be a number above 0, got nan.", code=2
)
def export_nan(case: Path) -> Arguments:
    return "export", case, "--um-per-px", "nan"


@bad(
    PART,
    "an export with pixels of a picometre",
    "--um-per-px 1e-06 would make 9e+19 pixels; give a larger one.",
    code=2,
)
def export_tiny(case: Path) -> Arguments:
    return "export", case, "--um-per-px", "1e-6"


@bad(
    PART,
    "a demo with pixels of no size",
    "The slide's pixel size should be 0.1 to 50 µm, got 0.",
    code=2,
)
def demo_no_size(case: Path) -> Arguments:
    return "demo", case.with_name("demo"), "--um-per-px", "0"


@bad(PART, "a demo with a negative seed", "The seed should be 0 or more, got -1.", code=2)
def demo_negative_seed(case: Path) -> Arguments:
    return "demo", case.with_name("demo"), "--seed", "-1"


@bad(
    PART, "a demo where a case is", "is there already and not empty; choose another folder.", code=2
)
def demo_on_case(case: Path) -> Arguments:
    return "demo", case


@bad(
    PART,
    "a new case where one is",
    "is there already; choose another folder or edit that file.",
    code=2,
)
def new_on_case(case: Path) -> Arguments:
    return "new", case


@bad(PART, "a new case below a file", "cannot be made … ; choose a folder you may write to.")
def new_below_file(case: Path) -> Arguments:
    return "new", case / "landmarks.csv" / "case"


@bad(
    PART,
    "a new case with a file that is not there",
    "is not there; give the path of a file.",
    code=2,
)
def new_without_file(case: Path) -> Arguments:
    return "new", case.with_name("other"), "--slide", os.fspath(case / "missing.tif")


@bad(
    PART,
    "a new case with a setting that is none",
    "--set 'agree.drawz=3': [agree] drawz is not a setting of a case.",
    code=2,
)
def new_wrong_setting(case: Path) -> Arguments:
    return "new", case.with_name("other"), "--set", "agree.drawz=3"


@bad(
    PART,
    "a new case with a setting of the wrong type",
    ": [agree] draws should be a whole number, got 'many'.",
)
def new_wrong_type(case: Path) -> Arguments:
    return "new", case.with_name("other"), "--set", "agree.draws=many"
