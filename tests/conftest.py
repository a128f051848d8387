"""What all tests share: where the real data lies, and that nothing skips where CI asks for all."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def serial_sections() -> Path:
    """Real serial sections with hand-placed landmarks; the folder lies beside the clone."""
    folder = ROOT.parent / "shared" / "data" / "serial-sections"
    if not folder.is_dir():
        pytest.skip("the real serial sections are not beside this clone")
    return folder


@pytest.fixture(scope="session")
def demo_made(tmp_path_factory) -> Path:
    """The demo case as the command makes it, at a coarse slide; not to be changed: copy it."""
    from coreg import cli

    folder = tmp_path_factory.mktemp("demo") / "case"
    assert cli.main(["demo", str(folder), "--um-per-px", "16", "--quiet"]) == 0
    return folder


@pytest.fixture(scope="session")
def sample_made(tmp_path_factory) -> Path:
    """The case of sample_slides with all steps done on few draws; not to be changed: copy it."""
    from coreg.case import open_case

    folder = tmp_path_factory.mktemp("sample") / "case"
    shutil.copytree(ROOT / "sample_slides" / "case", folder)
    case = open_case(folder)
    case.change("agree", draws=100)
    case.run()
    return folder


@pytest.fixture
def sample_copy(sample_made, tmp_path) -> Path:
    """A finished sample case of one's own."""
    shutil.copytree(sample_made, tmp_path / "case")
    return tmp_path / "case"


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    """Turn skips into failures where CI asks that everything runs."""
    outcome = yield
    report = outcome.get_result()
    if (
        os.environ.get("COREG_TEST_ALL") == "1"
        and report.skipped
        and not hasattr(report, "wasxfail")
    ):
        report.outcome = "failed"
        report.longrepr = f"skipped, but COREG_TEST_ALL=1 asks for every test: {report.longrepr[2]}"
