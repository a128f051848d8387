"""The page of measured figures and the README's table are what the benchmarks' results make."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))

import measured


def test_page_is_made_from_the_results() -> None:
    assert measured.PAGE.read_text(encoding="utf-8") == measured.page()


def test_readme_table_is_made_from_the_results() -> None:
    assert measured.README.read_text(encoding="utf-8") == measured.readme()


def test_no_quick_run_is_shown_as_the_full_one() -> None:
    assert not [run["benchmark"] for run in measured.kept() if run["quick"]]


def test_number_keeps_three_digits() -> None:
    assert [measured.number(x) for x in (1234.5, 12.345, 0.0123456, 0, None)] == [
        "1,234",
        "12.3",
        "0.0123",
        "0",
        "",
    ]


def test_ratio_needs_an_alternative() -> None:
    assert measured.Row("slides", "tiles", 6.0, theirs=3.0).ratio == 2.0
    assert measured.Row("slides", "tiles", 6.0).ratio is None
