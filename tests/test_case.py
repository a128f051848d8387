"""The case folder: settings checked, results swapped whole, staleness told."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from coreg.case import STEPS, new_case, open_case
from coreg.errors import InputError, UsageError
from coreg.results import Results, write_text
from coreg.schema import SCHEMA


@pytest.fixture
def case(tmp_path):
    (tmp_path / "slide.tif").write_bytes(b"not looked into")
    (tmp_path / "recording.npz").write_bytes(b"not looked into")
    return new_case(
        tmp_path / "case",
        {
            "slide": {"path": str(tmp_path / "slide.tif")},
            "displacement": {"path": str(tmp_path / "recording.npz")},
        },
    )


def do(case, step, **summary):
    with case.writing(step) as (folder, filled):
        (folder / "numbers.txt").write_text("1")
        filled.update(summary)


def do_all(case):
    for step in STEPS:
        do(case, step)


def states(case):
    return {name: status.state for name, status in case.status().items()}


def test_a_new_case_opens_with_all_settings_and_says_each_in_its_file(case):
    assert case.settings["align"]["model"] == SCHEMA["align"]["model"].default
    text = (case.folder / "case.toml").read_text()
    for section, keys in SCHEMA.items():
        assert f"[{section}]" in text
        for key, setting in keys.items():
            assert f"{key} = " in text
            assert setting.about in text


def test_nothing_is_overwritten(case):
    with pytest.raises(UsageError, match="is there already"):
        new_case(case.folder, {})


def test_changing_a_setting_keeps_the_comments(case):
    case.change("agree", draws=200)
    text = (case.folder / "case.toml").read_text()
    assert "draws = 200" in text
    assert SCHEMA["agree"]["seed"].about in text
    assert open_case(case.folder).settings["agree"]["draws"] == 200


def test_a_wrong_change_leaves_the_file_as_it_was(case):
    before = (case.folder / "case.toml").read_bytes()
    with pytest.raises(InputError, match="at least 50"):
        case.change("agree", draws=1)
    assert (case.folder / "case.toml").read_bytes() == before
    assert case.settings["agree"]["draws"] == 1000


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[agre]\n", r"section \[agre\] is not known; did you mean 'agree'"),
        ("[agree]\ndraw = 3\n", "did you mean 'draws'"),
        ('[agree]\ndraws = "many"\n', "whole number"),
        ("[agree]\ndraws = true\n", "whole number"),
        ("[slide]\npixel_size_um = [0, 0.5]\n", "above 0"),
        ("[slide]\npixel_size_um = [nan, 0.5]\n", "finite"),
        ("[slide]\npixel_size_um = [0.5]\n", "hold 2 numbers"),
        ('[align]\nmodel = "elastic"\n', "one of 'rigid'"),
        ("agree = 3\n", "should be a section"),
        ("[agree\n", "not valid TOML"),
        ("format = 2\n", "update coreg"),
        ('[slide]\npath = "../other/slide.tif"\n', "climbs out"),
        ('[slide]\npath = "a\\\\..\\\\..\\\\slide.tif"\n', "climbs out"),
        ('[landmarks]\npath = "/etc/landmarks.csv"\n', "keep it inside"),
        ('[outlines]\nfolder = "C:\\\\elsewhere"\n', "keep it inside"),
    ],
)
def test_a_wrong_case_file_gets_one_sentence(tmp_path, text, sentence):
    (tmp_path / "case.toml").write_text(text)
    with pytest.raises(InputError, match=sentence) as caught:
        open_case(tmp_path)
    assert "\n" not in str(caught.value)
    assert "case.toml" in str(caught.value)


def test_what_is_no_case_is_said(tmp_path):
    with pytest.raises(InputError, match=r"holds no case\.toml"):
        open_case(tmp_path)
    with pytest.raises(UsageError, match="is not a folder"):
        open_case(tmp_path / "nowhere")
    (tmp_path / "case.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="UTF-8"):
        open_case(tmp_path)


def test_steps_are_to_do_then_done(case):
    assert set(states(case).values()) == {"to do"}
    do_all(case)
    assert set(states(case).values()) == {"done"}


def test_a_changed_input_makes_stale_what_used_it_and_what_follows(case, tmp_path):
    do_all(case)
    (tmp_path / "recording.npz").write_bytes(b"changed")
    status = case.status()
    assert status["predict"].state == "stale"
    assert "displacement has changed" in status["predict"].reason
    assert status["outline"].state == "done"
    assert status["agree"].state == "stale"


def test_a_touched_input_with_the_same_content_stays_done(case, tmp_path):
    do_all(case)
    os.utime(tmp_path / "recording.npz", ns=(1, 1))
    assert set(states(case).values()) == {"done"}


def test_a_changed_setting_or_new_outline_is_named(case):
    do_all(case)
    case.change("agree", draws=300)
    assert case.status()["agree"].reason == "[agree] draws has changed"
    assert case.status()["align"].state == "done"
    (case.folder / "outlines" / "a.geojson").write_text("{}")
    assert case.status()["outline"].reason == "outlines/a.geojson is new"


def test_a_step_made_again_makes_the_next_stale_only_where_it_differs(case):
    do_all(case)
    do(case, "predict")
    assert states(case)["agree"] == "done"
    do(case, "predict", area=3.0)
    assert case.status()["align"].reason == "predict was made again"


def test_alignment_stands_alone_until_a_lesion_is_known(case):
    do(case, "align")
    assert states(case)["align"] == "done"
    do(case, "predict")
    assert case.status()["align"].reason == "predict was made again"


def test_a_record_says_what_made_the_result(case):
    do_all(case)
    record = case.result("align").record
    assert set(record["after"]) == {"predict", "outline"}
    assert set(record["inputs"]) == {"slide", "landmarks"}
    assert len(record["inputs"]["slide"]["sha256"]) == 64
    assert record["settings"]["align"]["model"] == "thin-plate"
    assert record["versions"]["numpy"]
    assert record["outputs"]["numbers.txt"]


def test_a_failing_step_leaves_the_earlier_result(case):
    do(case, "predict", area=1.0)

    def fail():
        with case.writing("predict") as (folder, _):
            (folder / "half.txt").write_text("half")
            raise RuntimeError("half-way")

    with pytest.raises(RuntimeError, match="half-way"):
        fail()
    assert case.result("predict").summary == {"area": 1.0}
    assert [p.name for p in (case.folder / "results").iterdir()] == ["predict"]


@pytest.mark.parametrize("cut", ["before the swap", "within the swap", "after the swap"])
def test_a_crash_leaves_the_old_or_the_new_result(tmp_path, cut):
    results = Results(tmp_path / "results")
    for content in ("old", "new"):
        with results.replace("predict", {}) as (folder, summary):
            (folder / "a.txt").write_text(content)
            summary["content"] = content
        if content == "old":
            os.rename(tmp_path / "results/predict", tmp_path / "kept")
    place = tmp_path / "results/predict"
    new, old = tmp_path / "results/.predict.new", tmp_path / "results/.predict.old"
    if cut == "before the swap":
        os.rename(place, new)
        (new / "record.json").unlink()
        os.rename(tmp_path / "kept", place)
    elif cut == "within the swap":
        os.rename(place, new)
        os.rename(tmp_path / "kept", old)
    else:
        os.rename(tmp_path / "kept", old)
    expected = "old" if cut == "before the swap" else "new"
    assert results.read("predict").summary["content"] == expected
    with results.locked():
        pass
    assert results.read("predict").folder == place
    assert (place / "a.txt").read_text() == expected
    assert not new.exists()
    assert not old.exists()


def test_a_damaged_record_counts_as_to_do(case):
    do(case, "predict")
    write_text(case.folder / "results/predict/record.json", "{")
    assert states(case)["predict"] == "to do"
    write_text(case.folder / "results/predict/record.json", json.dumps({"step": "predict"}))
    assert states(case)["predict"] == "to do"


def test_two_processes_cannot_work_on_one_case_and_a_dead_one_leaves_no_lock(case):
    program = (
        "import sys, time; from coreg.case import open_case; c = open_case(sys.argv[1])\n"
        "with c.results.locked(): print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", program, str(case.folder)], stdout=subprocess.PIPE
    )
    try:
        assert holder.stdout.readline().strip() == b"held"
        with (
            pytest.raises(InputError, match=f"worked on by process {holder.pid}"),
            case.results.locked(),
        ):
            pass
    finally:
        holder.kill()
        holder.communicate()
    with case.results.locked():
        pass


def test_a_yes_or_no_given_to_a_new_case_is_written_with_its_comment(tmp_path):
    case = new_case(tmp_path / "a", {"align": {"robust": True}})
    assert case.settings["align"]["robust"] is True
    assert "robust = true # down-weight" in (tmp_path / "a" / "case.toml").read_text("utf-8")
