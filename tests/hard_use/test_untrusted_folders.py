"""A case folder from elsewhere: it runs no code, leads nowhere unseen, and its text stays text."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from html.parser import HTMLParser
from pathlib import Path

import pytest

from coreg import cli
from coreg.case import open_case
from coreg.cohort import load_study, run_study
from coreg.errors import InputError
from coreg.report import case_report, study_report

ROOT = Path(__file__).resolve().parents[2]
MARKUP = """<script>alert(1)</script><img src=x onerror=alert(2)>"'&{{7*7}}"""

# Runs commands under an audit hook and prints what they opened, started and compiled.
WATCHED = """
import json, os, sys
from coreg import cli
folder = sys.argv[1]
seen = []
WRITING = os.O_WRONLY | os.O_RDWR
def watch(event, args):
    if event == "open" and isinstance(args[0], (str, bytes)):
        mode, flags = args[1] or "", args[2] or 0
        by_mode = any(c in str(mode) for c in "wax+")
        writes = by_mode if mode else flags & WRITING
        seen.append(["write" if writes else "read", os.path.realpath(os.fsdecode(args[0]))])
    elif event in ("os.rename", "os.remove", "os.mkdir", "os.rmdir", "shutil.rmtree"):
        # What is named from an open folder belongs to a tree whose removal was seen as a whole.
        if event != "os.remove" or args[1] == -1:
            seen.append(["write", os.path.realpath(os.fsdecode(args[0]))])
    elif event in ("subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "os.fork"):
        seen.append(["start", str(args[0])])
    elif event in ("exec", "compile", "pickle.find_class", "socket.connect"):
        source = getattr(args[0], "co_filename", None) if event == "exec" else str(args[-1])
        seen.append([event, str(source)])
sys.addaudithook(watch)
code = [cli.main(["check", folder]), cli.main(["run", folder, "--again", "--quiet"])]
print(json.dumps([code, seen]), file=sys.stderr)
"""


def watched(folder: Path) -> tuple[list[int], list[list[str]]]:
    """Exit codes of `check` and of `run`, and what happened meanwhile."""
    done = subprocess.run(
        [sys.executable, "-c", WATCHED, str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    code, seen = json.loads(done.stderr.splitlines()[-1])
    return code, seen


def library_folders() -> tuple[str, ...]:
    """Where Python and its libraries lie, and what they read of the system: fonts, time, /proc."""
    places = [
        sys.prefix,
        sys.base_prefix,
        os.fspath(ROOT / "coreg"),
        "/usr",
        "/proc",
        "/sys",
        "/dev",
    ]
    places += ["/etc/localtime", "/etc/fonts", os.path.expanduser("~/.cache")]
    places.append(os.path.expanduser("~/.config"))
    return tuple(os.path.realpath(place) for place in places)


@pytest.fixture
def foreign(finished, tmp_path) -> Path:
    """A case that tries to have programs run."""
    case = tmp_path / "foreign"
    shutil.copytree(finished, case)
    for name in ("conftest.py", "sitecustomize.py", "numpy.py", "coreg.py", "matplotlibrc"):
        (case / name).write_text("raise SystemExit('the case ran a program')\n", encoding="utf-8")
    return case


def test_a_case_runs_nothing_and_writes_only_its_results(foreign, monkeypatch):
    monkeypatch.chdir(foreign.parent)
    codes, seen = watched(foreign)
    assert codes == [0, 0]
    inside = os.path.realpath(foreign)
    results = os.path.join(inside, "results") + os.sep
    assert any(event == "write" and place.startswith(results) for event, place in seen)
    temporary = os.path.join(os.path.realpath(tempfile.gettempdir()), "tmp")
    for event, place in seen:
        if event == "read":
            assert place.startswith((inside, temporary, *library_folders())), place
        elif event == "write":
            own = place.startswith((results, temporary, "/dev/", *library_folders()))
            assert own or place == results.rstrip(os.sep), place
        elif event in ("exec", "compile"):
            assert not place.startswith(inside), place
        else:
            pytest.fail(f"{event}: {place}")


def test_results_tell_which_files_were_read(foreign):
    """Every file that a step reads is one that case.toml names, and is recorded with its hash."""
    record = open_case(foreign).result("predict").record
    assert set(record["inputs"]) == {"displacement", "bmode"}
    assert all(len(known["sha256"]) == 64 for known in record["inputs"].values())


def test_check_says_where_a_link_leads(foreign, tmp_path, capsys):
    elsewhere = tmp_path / "disk" / "slide.ome.tif"
    elsewhere.parent.mkdir()
    shutil.move(foreign / "slide.ome.tif", elsewhere)
    (foreign / "slide.ome.tif").symlink_to(elsewhere)
    assert cli.main(["check", str(foreign)]) == 0
    assert f"slide.ome.tif is a link to {elsewhere}" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["report", "export"])
def test_a_link_in_results_is_not_written_through(name, foreign, tmp_path, capsys):
    target = tmp_path / "precious"
    target.mkdir()
    shutil.rmtree(foreign / "results" / name, ignore_errors=True)
    (foreign / "results" / name).symlink_to(target)
    assert cli.main([name, str(foreign), "--quiet"]) == 1
    assert "is a link that leads out of" in capsys.readouterr().err
    assert not list(target.iterdir())


def test_a_link_in_a_study_is_not_written_through(foreign, tmp_path):
    study, target = tmp_path / "study", tmp_path / "precious"
    target.mkdir()
    study.mkdir()
    shutil.move(foreign, study / "case")
    (study / "cohort").symlink_to(target)
    with pytest.raises(InputError, match="is a link that leads out of"):
        run_study(load_study(study), workers=0)
    assert not list(target.iterdir())


class Tags(HTMLParser):
    """The elements of a page, and attributes that run programs."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.found.append(tag)
        self.found += [name for name, _ in attributes if name.startswith("on")]
        self.found += ["script" for _, value in attributes if "javascript:" in (value or "")]


@pytest.fixture
def marked_up(foreign) -> Path:
    """A case with markup in every text that it holds: settings, names, observers, file names."""
    case = open_case(foreign)
    case.change("case", **dict.fromkeys(("name", "animal", "group", "time", "note"), MARKUP))
    observer = "first" + MARKUP
    landmarks = (foreign / "landmarks.csv").read_text(encoding="utf-8")
    quoted = '"' + observer.replace('"', '""') + '"'
    landmarks = landmarks.replace(",first", f",{quoted}").replace("mark 1", f"mark{quoted[1:-1]}")
    landmarks = landmarks.replace(f"mark{quoted[1:-1]}", f'"mark{quoted[1:-1]}"')
    (foreign / "landmarks.csv").write_text(landmarks, encoding="utf-8")
    drawn = json.loads((foreign / "outlines" / "first.geojson").read_text(encoding="utf-8"))
    for feature in drawn["features"]:
        feature["properties"].update(observer=observer, made_by=MARKUP, mended=MARKUP)
    name = "a <b>x<" + "script>.geojson"
    (foreign / "outlines" / name).write_text(json.dumps(drawn), encoding="utf-8")
    (foreign / "outlines" / "first.geojson").unlink()
    slide = "slide <script>'\"&.ome.tif"
    (foreign / "slide.ome.tif").rename(foreign / slide)
    case.change("slide", path=slide)
    open_case(foreign).run()
    return foreign


def test_reports_escape_every_text(marked_up, tmp_path):
    html = case_report(open_case(marked_up))[0].read_text(encoding="utf-8")
    found = Tags(html).found
    assert "script" not in found
    assert not [name for name in found if name.startswith("on")]
    assert html.count("&lt;script&gt;") >= 3
    assert "49" not in html.split("<title>")[1].split("</title>")[0], "a template in a name ran"

    study = tmp_path / "study <script>alert(3)<"
    study.mkdir()
    shutil.move(marked_up, study / "case")
    run_study(load_study(study), workers=0)
    html = study_report(load_study(study))[0].read_text(encoding="utf-8")
    found = Tags(html).found
    assert "script" not in found
    assert not [name for name in found if name.startswith("on")]


def test_a_spreadsheet_takes_no_name_for_a_formula(foreign, tmp_path):
    study = tmp_path / "study"
    study.mkdir()
    open_case(foreign).change("case", animal="=1+1", group="@SUM(A1)")
    shutil.move(foreign, study / "case")
    run_study(load_study(study), workers=0)
    text = (study / "cohort" / "cohort.csv").read_text(encoding="utf-8")
    assert not [cell for cell in text.replace("\n", ",").split(",") if cell[:1] in ("=", "@")]
