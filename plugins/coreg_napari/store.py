"""A case folder's editable files as the window keeps them: read, written, watched for others.

Every edit is written at once and whole. A file that another program changed since it was last read
is never overwritten: `ChangedOutside` says so, and the window reads it again. What is not yet fit
for those files (a landmark with one side, strokes) is kept in a draft, so that a crash loses
nothing.
"""

from __future__ import annotations

import json
import re
import threading
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from coreg.case import CASE_FILE, open_case
from coreg.errors import CoregError, InputError
from coreg.geometry import Outline
from coreg.results import to_json, write_text
from coreg_napari.landmarks import Landmark, rows_of

if TYPE_CHECKING:
    from coreg.case import Case
    from coreg.geometry import Grid

DRAFT = ".window"
Identity = tuple[int, int] | None


class ChangedOutside(CoregError):
    """A file changed since it was last read, so it was not overwritten."""


class Store:
    """The files of one case that the window edits."""

    def __init__(self, folder: str | Path) -> None:
        self.case: Case = open_case(folder)
        self._known: dict[Path, Identity] = {}
        self._lock = threading.RLock()  # saves run in threads
        self._drawn: dict[Path, list[Outline]] = {}
        self.remember()

    @property
    def folder(self) -> Path:
        """The case folder."""
        return self.case.folder

    # --- being watched -----------------------------------------------------

    def watched(self) -> list[Path]:
        """The files whose change the window must notice."""
        outlines = self.case.locate("outlines")
        drawn = sorted(outlines.glob("*.geojson")) if isinstance(outlines, Path) else []
        records = sorted(self.case.results.folder.glob("*/record.json"))
        return [self.folder / CASE_FILE, self._landmark_file(), *drawn, *records]

    def remember(self) -> None:
        """Take the present files as seen."""
        self._known = {path: _identity(path) for path in self.watched()}

    def remember_results(self) -> None:
        """Take the present results as seen: the window itself has made them."""
        folder = self.case.results.folder
        for path in [p for p in self._known if folder in p.parents]:
            del self._known[path]
        self._known.update({p: _identity(p) for p in folder.glob("*/record.json")})

    def changes(self) -> list[Path]:
        """Files that changed, came or went since they were last seen."""
        now = {path: _identity(path) for path in self.watched()}
        return sorted(
            path
            for path in now.keys() | self._known.keys()
            if now.get(path) != self._known.get(path)
        )

    def _write(self, path: Path, write: Any) -> None:
        with self._lock:
            if _identity(path) != self._known.get(path):
                raise ChangedOutside(
                    f"{path.name} was changed by another program and has been read again; your "
                    "last edit was not written, 'Redo' makes it again."
                )
            write(path)
            self._known[path] = _identity(path)

    # --- settings -----------------------------------------------------

    def reload(self) -> None:
        """Read case.toml again; the one in use stays where it cannot be read."""
        self.case = open_case(self.folder)

    def setting(self, section: str, key: str) -> Any:
        """One setting of case.toml, default filled in."""
        return self.case.settings[section][key]

    def change(self, section: str, **values: Any) -> None:
        """Write settings to case.toml."""
        self._write(self.folder / CASE_FILE, lambda _: self.case.change(section, **values))

    # --- landmarks -----------------------------------------------------

    def _landmark_file(self) -> Path:
        place = self.case.locate("landmarks")
        assert isinstance(place, Path)
        return place

    def read_landmarks(self) -> tuple[Landmark, ...]:
        """The table's pairs and the draft's half pairs."""
        from coreg.sources.landmarks import read_landmarks

        path = self._landmark_file()
        rows = rows_of(read_landmarks(path)) if path.exists() else ()
        self._known[path] = _identity(path)
        names = {(row.name, row.observer) for row in rows}
        halves = [Landmark(**_tuples(values)) for values in self._draft().get("landmarks", [])]
        return (*rows, *(row for row in halves if (row.name, row.observer) not in names))

    def write_landmarks(self, rows: tuple[Landmark, ...], pairs: Any) -> None:
        """Write complete pairs to the table and half ones to the draft."""
        from coreg.sources.landmarks import write_landmarks

        self._write(self._landmark_file(), lambda path: write_landmarks(path, pairs))
        halves = [_without_nan(asdict(row)) for row in rows if not row.complete]
        self._set_draft("landmarks", halves)

    # --- outlines -----------------------------------------------------

    def read_outlines(self) -> dict[str, list[Outline]]:
        """Observer → outlines, over all files of the outlines folder."""
        from coreg.sources.outlines import read_outlines

        folder = self.case.locate("outlines")
        assert isinstance(folder, Path)
        self._drawn = {}
        for path in sorted(folder.glob("*.geojson")) if folder.is_dir() else []:
            self._drawn[path] = read_outlines(path)
            self._known[path] = _identity(path)
        found: dict[str, list[Outline]] = {}
        for outline in (outline for drawn in self._drawn.values() for outline in drawn):
            found.setdefault(outline.observer, []).append(outline)
        return found

    def write_outlines(self, observer: str, outlines: list[Outline]) -> Path:
        """Write one observer's outlines to that observer's file; others' in it are kept."""
        from coreg.sources.outlines import write_outlines

        folder = self.case.locate("outlines")
        assert isinstance(folder, Path)
        folder.mkdir(exist_ok=True)
        own = [p for p, drawn in self._drawn.items() if any(o.observer == observer for o in drawn)]
        home = own[0] if own else folder / f"{_file_name(observer)}.geojson"
        for path in (home, *own[1:]):
            others = [o for o in self._drawn.get(path, []) if o.observer != observer]
            together = [*others, *outlines] if path == home else others
            self._write(path, lambda place, drawn=together: write_outlines(place, drawn))
            self._drawn[path] = together
        return home

    # --- drafts -----------------------------------------------------

    def _draft_file(self) -> Path:
        return self.folder / DRAFT / "draft.json"

    def _draft(self) -> dict[str, Any]:
        try:
            values = json.loads(self._draft_file().read_text(encoding="utf-8"))
        except (OSError, ValueError):  # no draft, or one cut short: nothing to recover
            return {}
        return values if isinstance(values, dict) else {}

    def _set_draft(self, key: str, value: Any) -> None:
        draft = self._draft()
        if draft.get(key, []) == value:
            return
        self._draft_file().parent.mkdir(exist_ok=True)
        write_text(self._draft_file(), to_json({**draft, key: value}))

    def recovered(self) -> int:
        """How many half landmarks and stroke maps an earlier window left behind."""
        return len(self._draft().get("landmarks", [])) + self._strokes_file().exists()

    def _strokes_file(self) -> Path:
        return self.folder / DRAFT / "strokes.npz"

    def write_strokes(self, labels: np.ndarray, grid: Grid) -> None:
        """Keep the training strokes; an empty map takes them out."""
        from coreg.sources.maps import save_maps

        path = self._strokes_file()
        if not labels.any():
            path.unlink(missing_ok=True)
            return
        path.parent.mkdir(exist_ok=True)
        temporary = path.with_suffix(".tmp")
        save_maps(temporary, grid, {"strokes": labels})
        temporary.replace(path)

    def read_strokes(self) -> tuple[Grid, np.ndarray] | None:
        """The strokes that were kept; None where there are none or they cannot be read."""
        from coreg.sources.maps import load_maps

        if not self._strokes_file().exists():
            return None
        try:
            grid, maps = load_maps(self._strokes_file())
        except InputError:  # a draft that a crash cut short
            return None
        return grid, maps["strokes"]


def _identity(path: Path) -> Identity:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_size


def _file_name(observer: str) -> str:
    return re.sub(r"[^\w-]+", "-", observer.strip().lower()).strip("-") or "outlines"


def _tuples(values: dict[str, Any]) -> dict[str, Any]:
    known = {key: tuple(v) if isinstance(v, list) else v for key, v in values.items()}
    if known.get("sd_mm") is None:
        known.pop("sd_mm", None)
    return known


def _without_nan(values: dict[str, Any]) -> dict[str, Any]:
    return {k: (None if isinstance(v, float) and np.isnan(v) else v) for k, v in values.items()} | {
        k: list(v) for k, v in values.items() if isinstance(v, tuple)
    }
