"""Every command and code block of README.md and docs/ runs; links, quotations and reference hold.

The README's two set-up commands are not run here: .ci/run runs the second word for word, and the
first is checked on a fresh machine before a release.

A page's blocks share one folder. What a page says that a reader has (files, a finished case, a
study) is put there from the invented sample under the names that the page uses.
"""

from __future__ import annotations

import ast
import contextlib
import io
import re
import shlex
import shutil
import socket
import subprocess
import sys
import time
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from coreg import cli
from coreg.case import CASE_FILE, open_case

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
SET_UP = "python3 -m venv"
PAGES = [ROOT / "README.md", *sorted(DOCS.rglob("*.md"))]
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LANGUAGES = {"sh", "python", "text"}


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


def blocks_of(page: Path) -> list[tuple[str, str]]:
    return BLOCK.findall(page.read_text(encoding="utf-8"))


RUNNING = [p for p in PAGES if any(kind in ("sh", "python") for kind, _ in blocks_of(p))]


# --- what a reader has -----------------------------------------------------------------------


def lay_out(page: Path, sample: Path, folder: Path) -> None:
    """Put into a folder the files and cases that a page's blocks name and do not make."""
    text = "\n".join(code for kind, code in blocks_of(page) if kind in ("sh", "python"))
    copies = {
        "section.ome.tif": "slide.ome.tif",
        "section.svs": "slide.ome.tif",
        "recording.npz": "recording.npz",
        "bmode.npz": "bmode.npz",
    }
    for wanted, source in copies.items():
        if re.search(rf"(?<!/){re.escape(wanted)}", text):
            shutil.copy(sample / source, folder / wanted)
    if "recording.mat" in text:
        as_matlab(sample / "recording.npz", folder / "recording.mat")
    if "bmode.dcm" in text:
        as_dicom(sample / "bmode.npz", folder / "bmode.dcm")
    for case in ("demo-case", "rabbit-03"):
        if case in text and f"coreg new {case}" not in text:
            shutil.copytree(sample, folder / case)
    if "coreg cohort study" in text:
        for number in (1, 2, 3):
            case = folder / "study" / f"rabbit-0{number}"
            shutil.copytree(sample, case)
            open_case(case).change("case", animal=f"R0{number}")


def as_matlab(source: Path, path: Path) -> None:
    from scipy.io import savemat

    with np.load(source) as arrays:
        savemat(path, {name: arrays[name] for name in arrays.files})


def as_dicom(source: Path, path: Path) -> None:
    """The B-mode image as an ultrasound picture with one calibrated region (PS3.3 C.8.5.5)."""
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.uid import ExplicitVRLittleEndian, generate_uid

    with np.load(source) as arrays:
        image, depth, lateral = (arrays[n] for n in ("bmode_db", "depth_mm", "lateral_mm"))
    grey = np.rint(255 * (image - image.min()) / np.ptp(image)).astype(np.uint8)
    dataset = Dataset()
    dataset.file_meta = FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.6.1"
    dataset.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    dataset.Modality = "US"
    dataset.Rows, dataset.Columns = grey.shape
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, "MONOCHROME2"
    dataset.BitsAllocated = dataset.BitsStored = 8
    dataset.HighBit, dataset.PixelRepresentation = 7, 0
    region = Dataset()
    region.RegionSpatialFormat, region.RegionDataType, region.RegionFlags = 1, 1, 0
    region.RegionLocationMinX0 = region.RegionLocationMinY0 = 0
    region.RegionLocationMaxX1, region.RegionLocationMaxY1 = grey.shape[1] - 1, grey.shape[0] - 1
    region.PhysicalUnitsXDirection = region.PhysicalUnitsYDirection = 3
    region.PhysicalDeltaX = float(np.diff(lateral).mean()) / 10
    region.PhysicalDeltaY = float(np.diff(depth).mean()) / 10
    dataset.SequenceOfUltrasoundRegions = [region]
    dataset.PixelData = grey.tobytes() + b"\0" * (grey.size % 2)
    dataset.save_as(path, enforce_file_format=True)


def fill_in(case_folder: Path, sample: Path) -> None:
    """What the README tells the reader to do after `coreg new`, with the sample's values."""
    case, known = open_case(case_folder), open_case(sample).settings
    for name in ("array", "depth", "lateral", "time", "axis_order", "correlation"):
        case.change("displacement", **{name: known["displacement"][name]})
    for name in ("frame_rate_hz", "modulation_frequency_hz"):
        case.change("displacement", **{name: known["displacement"][name]})
    case.change("agree", draws=50)
    shutil.copy(sample / "landmarks.csv", case_folder)
    shutil.copytree(sample / "outlines", case_folder / "outlines", dirs_exist_ok=True)


# --- running ---------------------------------------------------------------------------------


class Page:
    """Runs a page's blocks in order."""

    def __init__(self, page: Path, sample: Path, stack: contextlib.ExitStack) -> None:
        self.page, self.sample, self.stack = page, sample, stack
        self.names: dict[str, object] = {"__name__": "__docs__"}
        self.port = str(free_port())

    def run(self) -> None:
        blocks = blocks_of(self.page)
        for number, (kind, code) in enumerate(blocks):
            if kind not in ("sh", "python") or code.startswith(SET_UP):
                continue
            printed = io.StringIO()
            with contextlib.redirect_stdout(printed):
                self.shell(code) if kind == "sh" else self.python(code)
            if number + 1 < len(blocks) and blocks[number + 1][0] == "text":
                shown = blocks[number + 1][1]
                if kind == "python":
                    assert printed.getvalue() == shown
                else:
                    assert_alike(shown, printed.getvalue().replace(str(Path.cwd()), "…"))

    def python(self, code: str) -> None:
        exec(compile(code, name_of(self.page), "exec"), self.names)

    def shell(self, code: str) -> None:
        for line in code.replace("\\\n", " ").splitlines():
            words = [w.replace(":8786", f":{self.port}") for w in shlex.split(line, comments=True)]
            if not words:
                continue
            if words[0] == "dask":
                self.start([self.port if word == "8786" else word for word in words[1:]])
                continue
            assert words[0] == "coreg", f"{name_of(self.page)}: {line}"
            quiet = [] if "--quiet" in words else ["--quiet"]
            assert cli.main([*words[1:], *quiet]) == 0, f"{name_of(self.page)}: {line}"
            if words[1] == "new" and self.page.name == "README.md":
                fill_in(Path(words[2]), self.sample)

    def start(self, words: list[str]) -> None:
        """A command that keeps running, as in a terminal of its own."""
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *words, "--no-dashboard"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.stack.callback(process.wait, 20)
        self.stack.callback(process.terminate)
        if words[0] == "scheduler":
            wait_for_port(int(self.port))


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_for_port(port: int) -> None:
    deadline = time.monotonic() + 90
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=2).close()
            return
        except OSError:
            assert time.monotonic() < deadline, "the scheduler did not start"
            time.sleep(0.2)


def assert_alike(shown: str, printed: str) -> None:
    """Each line shown begins as a line that was printed, numbers and verdicts apart."""
    starts = [masked(line) for line in printed.splitlines()]
    for line in shown.splitlines():
        begin = masked(line)[:20]
        assert any(start.startswith(begin) for start in starts), f"{line!r} is not printed"


def masked(line: str) -> str:
    line = re.sub(r"-?\d+(\.\d+)?", "#", line)
    return re.sub(r"\s+", " ", line).strip()


@pytest.mark.parametrize("page", RUNNING, ids=name_of)
def test_every_block_runs_as_it_stands(page, sample_made, tmp_path, monkeypatch):
    lay_out(page, sample_made, tmp_path)
    monkeypatch.chdir(tmp_path)
    with contextlib.ExitStack() as stack:
        Page(page, sample_made, stack).run()


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_block_says_what_it_is(page):
    """A block without a language would be run by nobody and noticed by nobody."""
    assert {kind for kind, _ in blocks_of(page)} <= LANGUAGES


# --- what stands beside the blocks -----------------------------------------------------------


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_links_lead_somewhere(page):
    text = BLOCK.sub("", page.read_text(encoding="utf-8"))
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if "://" not in target:
            assert (page.parent / target.partition("#")[0]).exists(), f"{page.name}: {target}"


@cache
def sentences() -> list[str]:
    """Every text of the program, with … where values are put in."""
    found = []
    for path in (ROOT / "coreg").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.append(node.value)
            elif isinstance(node, ast.JoinedStr):
                found.append("".join(map(piece, node.values)))
    return found


def piece(part: ast.expr) -> str:
    if isinstance(part, ast.Constant):
        return str(part.value)
    return {"{CASE_FILE}": CASE_FILE}.get(ast.unparse(part).strip("f'\""), "…")


def quoted() -> list[str]:
    text = (DOCS / "troubleshooting.md").read_text(encoding="utf-8")
    return re.findall(r"^> (.+)$", text, re.MULTILINE)


@pytest.mark.parametrize("sentence", quoted())
def test_quoted_sentences_are_the_programs_own(sentence):
    parts = [re.escape(part.strip()) for part in sentence.split("…") if part.strip()]
    pattern = re.compile(".*".join(parts), re.DOTALL)
    assert any(pattern.search(known) for known in sentences())


def test_the_reference_is_what_the_code_says():
    generate = load_generate()
    for name, text in generate.pages().items():
        committed = (DOCS / "reference" / name).read_text(encoding="utf-8")
        assert committed == text, f"run: python docs/generate.py ({name} differs)"


def load_generate():
    import importlib.util

    spec = importlib.util.spec_from_file_location("docs_generate", DOCS / "generate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# --- the site --------------------------------------------------------------------------------


class Resources(HTMLParser):
    """What a page loads by itself: scripts, styles, fonts, images; not links to click."""

    def __init__(self) -> None:
        super().__init__()
        self.loads: list[str] = []

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        if tag in ("script", "img", "iframe", "source"):
            self.loads.append(values.get("src") or "")
        elif tag == "link" and values.get("rel") != "canonical":
            self.loads.append(values.get("href") or "")


def test_the_site_builds_strictly_and_loads_nothing_from_another_host(tmp_path):
    pytest.importorskip("mkdocs")
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "--quiet"]
    built = subprocess.run(
        [*command, "--site-dir", str(tmp_path)], cwd=ROOT, capture_output=True, text=True
    )
    assert built.returncode == 0, built.stdout + built.stderr
    pages = list(tmp_path.rglob("*.html"))
    assert len(pages) > 15
    for page in pages:
        resources = Resources()
        resources.feed(page.read_text(encoding="utf-8"))
        assert not [url for url in resources.loads if url.startswith(("http:", "https:", "//"))]
    for style in tmp_path.rglob("*.css"):
        text = style.read_text(encoding="utf-8")
        assert not re.search(r"(@import|url\()\s*[\"']?(https?:)?//", text), style.name
