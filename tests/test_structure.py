"""Rules of DEVELOPERS.md that a test can hold up: who imports whom, and what loads when."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "coreg"

# Lowest first; a part may import itself, its own line and those above it.
LAYERS = [
    {"errors"},
    {"geometry"},
    {"transforms", "landmark_pairs", "schema", "results"},
    {"case"},
    {"sources"},
    {"displacement", "stain"},
    {"zones"},
    {"alignment"},
    {"agreement"},
    {"cohort"},
    {"figure"},
    {"report"},
    {"demo"},
    {"steps"},
    {"cli"},
]
# Called by name when first used: a case runs its steps, a study its cases.
LATE = {("case", "steps"), ("cohort", "case"), ("cohort", "steps"), ("report", "steps")}
HEAVY = [
    "scipy",
    "skimage",
    "SimpleITK",
    "sklearn",
    "statsmodels",
    "matplotlib",
    "zarr",
    "tifffile",
]


def imported_parts(path: Path) -> set[str]:
    """Names of coreg's parts that a module imports for use (not only for annotations)."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            node.body = []
    parts = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("coreg."):
            parts.add(node.module.split(".")[1])
        elif isinstance(node, ast.Import):
            parts |= {a.name.split(".")[1] for a in node.names if a.name.startswith("coreg.")}
    return parts


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def modules() -> list[Path]:
    return [
        path
        for path in sorted(PACKAGE.rglob("*.py"))
        if path.parent != PACKAGE or path.stem != "__init__"
    ]


def test_every_part_has_its_place():
    assert {part_of(path) for path in modules()} <= set().union(*LAYERS)


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_only_down(path):
    place = {part: number for number, layer in enumerate(LAYERS) for part in layer}
    own = part_of(path)
    upward = {
        part
        for part in imported_parts(path)
        if place[part] > place[own] and (own, part) not in LATE
    }
    assert not upward, f"{path.name} imports {upward}, which stands above {own!r}"


def in_fresh_process(program: str) -> str:
    return subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    ).stdout


def test_no_module_of_the_core_sees_the_window():
    names = [
        "coreg." + ".".join(path.relative_to(PACKAGE).with_suffix("").parts) for path in modules()
    ]
    names = [name.removesuffix(".__init__") for name in names if not name.endswith("__main__")]
    program = (
        "import importlib, sys\n"
        f"for name in {names!r}: importlib.import_module(name)\n"
        "print([m for m in ('napari', 'qtpy', 'magicgui', 'vispy') if m in sys.modules])"
    )
    assert in_fresh_process(program).strip() == "[]"


@pytest.mark.parametrize(
    "program",
    [
        "import coreg, coreg.cli",
        "import coreg.cli\ntry: coreg.cli.main(['--help'])\nexcept SystemExit: pass",
    ],
)
def test_import_and_help_load_no_heavy_library(program):
    output = in_fresh_process(
        program + f"\nimport sys; print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    assert output.strip().endswith("[]")


def test_files_stay_small_enough_to_read():
    long = {
        str(path.relative_to(ROOT)): count
        for folder in ("coreg", "plugins", "tests")
        for path in (ROOT / folder).rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 500
    }
    assert not long
