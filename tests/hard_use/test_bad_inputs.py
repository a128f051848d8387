"""Each bad input of the table: one sentence, the exit code, earlier results untouched."""

from __future__ import annotations

import hashlib
import resource
import subprocess
import sys
from pathlib import Path

import pytest
from hard_use.bad_inputs import ALL, Bad
from hard_use.bad_inputs.machines import at_progress

from coreg import cli
from coreg.errors import LONGEST

ROOT = Path(__file__).resolve().parents[2]
# What a bomb or an absurd header may take of the machine: the libraries alone take some 150 MB.
MOST_MEMORY_KB = 600_000
MOST_SECONDS = 60


def contents(case: Path) -> dict[str, str]:
    """The hash of every result by its name; the lock is no result."""
    folder = case / "results"
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and path.name != ".lock"
    }


@pytest.mark.parametrize("bad", [pytest.param(bad, id=bad.name) for bad in ALL if not bad.alone])
def test_it_gets_one_sentence(bad: Bad, spoilt, capsys):
    arguments = [str(argument) for argument in bad.make(spoilt)]
    if not watches_progress(bad):
        arguments.append("--quiet")
    before = contents(spoilt)
    capsys.readouterr()
    with bad.within(spoilt):
        code = cli.main(arguments)
    said = capsys.readouterr()
    assert code == bad.code, said.err
    if bad.on == "stderr":
        check_sentence(said.err, bad)
    else:
        assert in_order(bad.says, said.out), said.out
        assert not said.err
    assert contents(spoilt) == before
    assert not list(spoilt.parent.rglob("it-ran")), "the file's own program was run"


# The peak of the process itself: on Linux `ru_maxrss` starts at its parent's, here pytest's.
ALONE = """
import pathlib, resource, sys
from coreg.cli import main
code = main(sys.argv[1:])
status = pathlib.Path("/proc/self/status")
if status.exists():
    print(next(line.split()[1] for line in status.read_text().splitlines() if "VmHWM" in line))
else:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
sys.exit(code)
"""


@pytest.mark.parametrize("bad", [pytest.param(bad, id=bad.name) for bad in ALL if bad.alone])
def test_it_is_refused_in_bounded_memory_and_time(bad: Bad, spoilt):
    arguments = [str(argument) for argument in bad.make(spoilt)]
    before = contents(spoilt)
    done = subprocess.run(
        [sys.executable, "-c", ALONE, *arguments, "--quiet"],
        capture_output=True,
        text=True,
        timeout=MOST_SECONDS,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CORE, (0, 0)),
    )
    assert done.returncode == bad.code, done.stderr
    check_sentence(done.stderr, bad)
    assert int(done.stdout) < MOST_MEMORY_KB
    assert contents(spoilt) == before


def watches_progress(bad: Bad) -> bool:
    """Whether what happens does so at a progress text: then progress must be shown."""
    return getattr(bad.within, "func", None) is at_progress


def check_sentence(said: str, bad: Bad) -> None:
    """One line with the cause and the remedy, of a length that is read."""
    assert said.startswith("coreg: ")
    assert said.count("\n") == 1, said
    assert said.isprintable() or said[:-1].isprintable(), "control codes reach the terminal"
    assert len(said) <= LONGEST + 20
    assert said.rstrip().endswith((".", "?")), said
    assert "Traceback" not in said
    assert "fault of its own" not in said
    assert in_order(bad.says, said), said


def in_order(parts: str, text: str) -> bool:
    """Whether the parts between the dots stand in the text, one after the other."""
    assert parts, "the table does not say what is expected"
    at = 0
    for part in parts.split(" … "):
        found = text.find(part, at)
        if found < 0:
            return False
        at = found + len(part)
    return True


def test_the_table_holds_at_least_80():
    assert len(ALL) >= 80
    assert len({bad.name for bad in ALL}) == len(ALL)


@pytest.mark.parametrize("command", ["check", "predict"])
def test_the_installed_command_says_the_same(command, spoilt):
    (spoilt / "recording.npz").write_bytes(b"")
    arguments = [sys.executable, "-m", "coreg.cli", command, str(spoilt), "--quiet"]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.startswith("coreg: ")
    assert done.stderr.count("\n") == 1


def test_a_reader_that_hears_nothing_more_is_an_error_of_one_line(spoilt):
    """Standard output on a full disk."""
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with open("/dev/full", "w", encoding="utf-8") as full:
        arguments = [sys.executable, "-m", "coreg.cli", "check", str(spoilt)]
        done = subprocess.run(
            arguments, stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert done.returncode == 1
    assert (
        done.stderr
        == "coreg: The output cannot be written (No space left on device); free some space.\n"
    )
