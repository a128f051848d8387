"""The command line: exit codes, one sentence instead of a traceback, JSON for scripts."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from coreg import cli
from coreg.case import open_case
from coreg.schema import SCHEMA


@pytest.fixture
def files(tmp_path):
    for name in ("slide.tif", "recording.npz"):
        (tmp_path / name).write_bytes(b"not looked into")
    return tmp_path


def new(files, *more):
    arguments = ["new", str(files / "case"), "--slide", str(files / "slide.tif")]
    return cli.main([*arguments, "--displacement", str(files / "recording.npz"), *more])


def test_new_makes_a_case_with_the_settings_given(files, capsys):
    assert (
        new(files, "--animal", "R03", "--set", "agree.draws=200", "--set", "slide.stain=TTC") == 0
    )
    settings = open_case(files / "case").settings
    assert settings["case"]["animal"] == "R03"
    assert settings["agree"]["draws"] == 200
    assert settings["slide"]["stain"] == "TTC"
    assert "case.toml" in capsys.readouterr().out


def test_a_file_inside_the_case_folder_is_named_from_there(files):
    (files / "case").mkdir()
    (files / "case" / "s.tif").write_bytes(b"x")
    assert cli.main(["new", str(files / "case"), "--slide", str(files / "case" / "s.tif")]) == 0
    assert open_case(files / "case").settings["slide"]["path"] == "s.tif"


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["run", "nowhere"], "is not a folder"),
        (["new", "case", "--slide", "missing.tif"], "is not there"),
        (["new", "case", "--set", "agree.draw=3"], "is not a setting"),
        (["new", "case", "--set", "nonsense"], "SECTION.KEY=VALUE"),
        (["check", "nowhere"], "is not a folder"),
    ],
)
def test_wrong_use_is_2_with_one_sentence(arguments, sentence, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert cli.main(arguments) == 2
    error = capsys.readouterr().err
    assert error.startswith("coreg: ")
    assert sentence in error
    assert error.count("\n") == 1


def test_a_case_that_cannot_be_processed_is_1(files, capsys):
    new(files)
    for command in ("run", "predict", "align"):
        assert cli.main([command, str(files / "case"), "--quiet"]) == 1
        error = capsys.readouterr().err
        assert error.startswith("coreg: ")
        assert error.count("\n") == 1
        assert "Traceback" not in error


def test_check_lists_every_fault_and_is_1(files, capsys):
    new(files)
    capsys.readouterr()
    assert cli.main(["check", str(files / "case"), "--json"]) == 1
    findings = json.loads(capsys.readouterr().out)["findings"]
    wrong = {finding["where"] for finding in findings if finding["level"] == "wrong"}
    assert wrong == {"slide", "displacement", "landmarks", "outlines"}


def test_an_unknown_command_or_option_is_2(capsys):
    for arguments in (["dance"], ["run"], ["run", "case", "--fast"]):
        with pytest.raises(SystemExit, match="2"):
            cli.main(arguments)
    assert cli.main([]) == 2
    assert "usage" in capsys.readouterr().out


def test_help_tells_the_cautions_and_every_command(capsys):
    for arguments in (["--help"], ["run", "--help"], ["demo", "--help"]):
        with pytest.raises(SystemExit, match="0"):
            cli.main(arguments)
        text = " ".join(capsys.readouterr().out.split())
        assert "a qualified pathologist confirms them" in text
        assert "Not for diagnosis" in text


def test_stopping_is_said_and_is_1(files, capsys, monkeypatch):
    new(files)

    def stop(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("coreg.case.Case.run", stop)
    assert cli.main(["run", str(files / "case")]) == 1
    assert "Stopped" in capsys.readouterr().err


def test_a_fault_of_ours_is_said_without_a_traceback(files, capsys, monkeypatch):
    new(files)

    def fail(*_, **__):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("coreg.case.Case.run", fail)
    monkeypatch.delenv("COREG_DEBUG", raising=False)
    assert cli.main(["run", str(files / "case")]) == 1
    assert "please report it" in capsys.readouterr().err


def test_the_installed_command_runs():
    command = [sys.executable, "-m", "coreg.cli", "--version"]
    assert subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


def test_every_setting_can_be_checked_against_its_own_default():
    for section, keys in SCHEMA.items():
        for key, setting in keys.items():
            if setting.default is not None:
                assert setting.checked(setting.default, f"[{section}] {key}") == setting.default
