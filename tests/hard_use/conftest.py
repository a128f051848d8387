"""The small case, made once, and copies of it to be spoilt."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hard_use.small_case import write_case


@pytest.fixture(scope="session")
def finished(tmp_path_factory) -> Path:
    """The small case with all steps done; not to be changed: copy it."""
    case = write_case(tmp_path_factory.mktemp("hard") / "case")
    case.run()
    return case.folder


@pytest.fixture
def spoilt(finished, tmp_path, monkeypatch) -> Iterator[Path]:
    """A finished case of one's own, in the folder in which the command runs."""
    case = tmp_path / "case"
    shutil.copytree(finished, case)
    monkeypatch.chdir(tmp_path)
    yield case
    for place in (case, *case.rglob("*")):  # so that the folder can be removed
        if place.is_dir() and not place.is_symlink():
            place.chmod(0o755)
