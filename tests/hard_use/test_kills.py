"""A few kills of those that tests/benchmarks/bench_kills.py does by the hundred; Ctrl-C; locks."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hard_use.kills import Window, case_state, forked, left_behind, step_state

from coreg.case import STEPS, open_case
from coreg.errors import InputError
from coreg.results import Results, finish_set, write_set, write_text


@pytest.mark.parametrize("after_s", [0.05, 0.3, 0.8])
def test_a_killed_run_leaves_old_or_new_results(after_s, finished, tmp_path):
    case = tmp_path / "case"
    shutil.copytree(finished, case)
    old = case_state(case)
    open_case(case).change("predict", threshold_percent=-55.0)
    forked(lambda: open_case(case).run(["predict", "outline", "align"]), after_s)
    killed = {step: step_state(case, step) for step in STEPS}
    assert killed["agree"] == old["agree"]
    forked(lambda: open_case(case).run(["predict"]))
    new = step_state(case, "predict")
    assert killed["predict"] in (old["predict"], new)
    assert new != old["predict"]
    assert not left_behind(case)


@pytest.mark.parametrize("after_s", [0.02, 0.1, 0.2])
def test_a_killed_window_leaves_files_of_one_state_each(after_s, tmp_path):
    pytest.importorskip("napari")
    Window(tmp_path).kill_one(after_s, finish=True)


def test_ctrl_c_stops_a_command_with_one_line(finished, tmp_path):
    case = tmp_path / "case"
    shutil.copytree(finished, case)
    old = case_state(case)
    command = [sys.executable, "-m", "coreg.cli", "run", str(case), "--again", "--quiet"]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    lock = case / "results" / ".lock"
    while not (lock.exists() and lock.read_text()):  # until the work has begun
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    said = process.communicate(timeout=60)[1]
    assert process.returncode == 1
    assert said == "coreg: Stopped; earlier results are untouched.\n"
    assert case_state(case) == old
    assert not left_behind(case)


def test_two_processes_on_one_case_get_a_sentence(finished, tmp_path):
    case = tmp_path / "case"
    shutil.copytree(finished, case)
    with open_case(case).results.locked():
        command = [sys.executable, "-m", "coreg.cli", "predict", str(case), "--again"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert f"is being worked on by process {os.getpid()}; wait for it to end" in done.stderr


def test_the_lock_of_a_dead_process_is_taken_over(finished, tmp_path):
    case = tmp_path / "case"
    shutil.copytree(finished, case)

    def die_with_the_lock() -> None:
        with open_case(case).results.locked():
            os.kill(os.getpid(), signal.SIGKILL)

    assert not forked(die_with_the_lock)
    assert "process" in (case / "results" / ".lock").read_text()
    with open_case(case).results.locked():
        assert f"process {os.getpid()}" in (case / "results" / ".lock").read_text()


def test_a_lock_that_is_a_link_is_not_followed(finished, tmp_path):
    case, precious = tmp_path / "case", tmp_path / "precious"
    shutil.copytree(finished, case)
    precious.write_text("keep", encoding="utf-8")
    (case / "results" / ".lock").unlink(missing_ok=True)
    (case / "results" / ".lock").symlink_to(precious)
    with (
        pytest.raises(InputError, match="cannot be written to"),
        open_case(case).results.locked(),
    ):
        pass
    assert precious.read_text(encoding="utf-8") == "keep"


def test_what_a_dead_process_was_writing_is_removed(tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    abandoned = tmp_path / f".case.toml.{dead.pid}.tmp"
    others = tmp_path / f".case.toml.{os.getppid()}.tmp"
    for path in (abandoned, others):
        path.write_text("half", encoding="utf-8")
    with Results(tmp_path / "results").locked():
        pass
    assert not abandoned.exists()
    assert others.exists(), "its process still runs"


def test_files_that_belong_together_are_replaced_together(tmp_path):
    write_set(tmp_path, {"a.csv": "old a", "b.json": "old b"})
    # A process that dies while it moves the first of them into place.
    staged = tmp_path / ".files-being-replaced"
    staged.mkdir()
    write_text(tmp_path / "a.csv", "new a")
    write_text(staged / "b.json", "new b")
    write_text(staged / ".complete", "")
    finish_set(tmp_path)
    assert (tmp_path / "b.json").read_text() == "new b"
    # One that dies before all is written.
    staged.mkdir()
    write_text(staged / "a.csv", "newer a")
    finish_set(tmp_path)
    assert (tmp_path / "a.csv").read_text() == "new a"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "b.json"]


def test_a_folder_that_is_full_keeps_the_old_set(tmp_path, monkeypatch):
    write_set(tmp_path, {"a.csv": "old"})

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(InputError, match="No space left on device"):
        write_set(tmp_path, {"a.csv": "new"})
    assert Path(tmp_path / "a.csv").read_text() == "old"
    assert not left_behind(tmp_path)
