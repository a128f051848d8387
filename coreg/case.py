"""A case: one animal, one imaging plane; its text file, its folder, what is done and what is stale.

Knows files by name and hash only, never their pixels.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING, Any

from coreg.errors import InputError, UsageError
from coreg.results import (
    Results,
    StepResult,
    file_identity,
    refuse_leading_out,
    versions,
    write_text,
)
from coreg.schema import SCHEMA, check_settings

if TYPE_CHECKING:
    from coreg.steps import CaseResult

CASE_FILE = "case.toml"
Progress = Callable[[float, str], None]

# Files that another key than a section's path names: section and key.
NAMED_IN = {
    "outlines": ("outlines", "folder"),
    "model": ("outlines", "model"),
    "baseline": ("displacement", "baseline_path"),
}

# What each step reads: earlier steps that it needs ("after") or takes where they are done ("with"),
# sections of case.toml, and files named there.
STEPS: dict[str, dict[str, tuple[str, ...]]] = {
    "predict": {
        "after": (),
        "settings": ("displacement", "bmode", "predict"),
        "files": ("displacement", "baseline", "bmode"),
    },
    "outline": {
        "after": (),
        "settings": ("slide", "outlines"),
        "files": ("slide", "outlines", "model"),
    },
    "align": {
        "after": (),
        "with": ("predict", "outline"),
        "settings": ("slide", "bmode", "landmarks", "align"),
        "files": ("slide", "bmode", "landmarks", "outlines"),
    },
    "agree": {
        "after": ("predict", "outline", "align"),
        "settings": ("landmarks", "outlines", "agree"),
        "files": (),
    },
    "figure": {
        "after": ("predict", "outline", "align", "agree"),
        "settings": ("case", "slide", "bmode", "figure"),
        "files": ("slide", "bmode"),
    },
}


@dataclass(frozen=True)
class Status:
    """Where a step stands: "to do", "done" or "stale", and why in words."""

    step: str
    state: str
    reason: str


class Case:
    """An opened case folder.

    `settings[section][key]` holds every setting of case.toml, defaults filled in.
    """

    def __init__(self, folder: Path, settings: dict[str, dict[str, Any]]) -> None:
        self.folder = folder
        self.settings = settings
        self.results = Results(folder / "results")

    @property
    def name(self) -> str:
        """The case's name, or its folder's where none is given."""
        return self.settings["case"]["name"] or self.folder.name

    # --- files -----------------------------------------------------------------------------

    @property
    def outlines_folder(self) -> Path:
        """Where the outlines are, inside the case folder."""
        return self.folder / self.settings["outlines"]["folder"]

    def locate(self, file: str) -> Path | str | None:
        """Where a file is: a path, a URL as text, or None where none is named.

        `file` is a section with a path, or one of `NAMED_IN`.
        """
        section, key = NAMED_IN.get(file, (file, "path"))
        named = self.settings[section][key]
        if not named:
            return None
        if "://" in named:
            return named
        return self.folder / named

    def require(self, file: str) -> Path | str:
        """Like `locate`, but raise `InputError` where nothing is named or the file is not there."""
        place = self.locate(file)
        section, key = NAMED_IN.get(file, (file, "path"))
        if place is None:
            raise InputError(
                f"{self.folder / CASE_FILE}: [{section}] {key} is not given; write there which "
                "file it is."
            )
        if isinstance(place, Path) and not _is_there(place):
            raise InputError(
                f"{place} is not there; correct [{section}] {key} in {self.folder / CASE_FILE}."
            )
        return place

    def files(self, step: str) -> dict[str, Path | str]:
        """The files that a step reads and that exist, by a short name."""
        found: dict[str, Path | str] = {}
        for name in STEPS[step]["files"]:
            place = self.locate(name)
            if place is None:
                continue
            if isinstance(place, str):
                found[name] = place
            elif name == "outlines":
                for path in sorted(place.glob("*.geojson")):
                    found[f"outlines/{path.name}"] = path
            elif _is_there(place):
                found[name] = place
        return found

    # --- what is done ----------------------------------------------------------------------

    def result(self, step: str) -> StepResult | None:
        """The finished step, stale or not; None where it is to do."""
        _known_step(step)
        return self.results.read(step)

    def status(self) -> dict[str, Status]:
        """Each step in order: to do, done or stale, with the reason."""
        states: dict[str, Status] = {}
        for step in STEPS:
            states[step] = self._status(step, states)
        return states

    def _status(self, step: str, earlier: dict[str, Status]) -> Status:
        result = self.results.read(step)
        if result is None:
            return Status(step, "to do", "not yet run")
        made_from = result.record["after"]
        for before in (*STEPS[step]["after"], *STEPS[step].get("with", ())):
            needed = self.results.read(before)
            if needed is None and before in STEPS[step].get("with", ()) and before not in made_from:
                continue
            if earlier[before].state != "done":
                return Status(step, "stale", f"{before} is {earlier[before].state}")
            if needed is None or needed.record["id"] != made_from.get(before):
                return Status(step, "stale", f"{before} was made again")
        if result.record["settings"] != self._settings_of(step):
            return Status(step, "stale", self._changed_setting(step, result))
        known = result.record["inputs"]
        present = self.files(step)
        for name in sorted(known.keys() | present.keys()):
            if name not in present:
                return Status(step, "stale", f"{name} is gone")
            if name not in known:
                return Status(step, "stale", f"{name} is new")
            if self._identity(present[name], known[name])["sha256"] != known[name]["sha256"]:
                return Status(step, "stale", f"{name} has changed")
        return Status(step, "done", "made from the present inputs and settings")

    def _changed_setting(self, step: str, result: StepResult) -> str:
        before, now = result.record["settings"], self._settings_of(step)
        for section, table in now.items():
            for key, value in table.items():
                if before.get(section, {}).get(key, None) != value:
                    return f"[{section}] {key} has changed"
        return "settings have changed"

    def _settings_of(self, step: str) -> dict[str, dict[str, Any]]:
        return {section: dict(self.settings[section]) for section in STEPS[step]["settings"]}

    def _identity(self, place: Path | str, known: dict[str, Any] | None) -> dict[str, Any]:
        if isinstance(place, str):
            return {"url": place, "sha256": "not hashed: remote"}
        try:
            return {"path": self._shown(place), **file_identity(place, _without_path(known))}
        except OSError as error:
            raise InputError(
                f"{place} cannot be read ({error.strerror}); check that it is there and that you "
                "may read it."
            ) from error

    def _shown(self, place: Path) -> str:
        try:
            return str(place.relative_to(self.folder))
        except ValueError:
            return str(place)

    @contextmanager
    def writing(self, step: str, seed: int | None = None) -> Iterator[tuple[Path, dict[str, Any]]]:
        """Give a step an empty folder and a summary to fill; record what made the result.

        Inputs are identified before the work starts: one that changes meanwhile makes the result
        stale, not wrong.
        """
        _known_step(step)
        last = self.results.read(step)
        known = last.record["inputs"] if last else {}
        about = {
            "inputs": {
                name: self._identity(place, known.get(name))
                for name, place in self.files(step).items()
            },
            "settings": self._settings_of(step),
            "seed": seed,
            "after": {
                before: result.record["id"]
                for before in (*STEPS[step]["after"], *STEPS[step].get("with", ()))
                if (result := self.results.read(before)) is not None
            },
            "versions": versions(),
        }
        with self.results.replace(step, about) as handles:
            yield handles

    # --- doing -----------------------------------------------------------------------------

    def run(
        self,
        steps: Sequence[str] | None = None,
        *,
        again: bool = False,
        progress: Progress | None = None,
    ) -> CaseResult:
        """Do what is to do or stale, in order; all steps or those named.

        Parameters
        ----------
        steps : names from predict, outline, align, agree, figure; None for all
        again : also redo what is done
        progress : called with a fraction 0–1 and a text

        Returns
        -------
        CaseResult: the agreement per zone and where figure and table are.
        """
        from coreg.steps import run_case

        return run_case(self, steps, again=again, progress=progress)

    def change(self, section: str, /, **values: Any) -> None:
        """Set keys of a section in case.toml, keeping its comments; None takes a key out."""
        import tomlkit

        path = self.folder / CASE_FILE
        document = tomlkit.parse(_read_text(path))
        table = document.setdefault(section, tomlkit.table())
        for key, value in values.items():
            if value is None:
                table.pop(key, None)
            else:
                table[key] = value
        text = tomlkit.dumps(document)
        self.settings = _checked(text, path)
        write_text(path, text)


def open_case(folder: str | os.PathLike[str]) -> Case:
    """Open a case folder.

    Raises
    ------
    UsageError : `folder` is not a folder
    InputError : case.toml is missing or wrong; the sentence names section and key
    """
    place = Path(folder)
    if place.name == CASE_FILE and place.is_file():
        place = place.parent
    if not place.is_dir():
        raise UsageError(f"{place} is not a folder; give the folder that holds {CASE_FILE}.")
    path = place / CASE_FILE
    if not os.access(
        place, os.R_OK | os.X_OK, effective_ids=os.access in os.supports_effective_ids
    ):
        raise InputError(f"{place} may not be entered; ask for the right to read it.")
    if not path.is_file():
        raise InputError(
            f"{place} holds no {CASE_FILE}; make one with 'coreg new {place} --slide FILE "
            "--displacement FILE'."
        )
    case = Case(place.absolute(), _checked(_read_text(path), path))
    written = (case.results.folder, case.outlines_folder, case.locate("landmarks"))
    for inside in (place for place in written if isinstance(place, Path)):
        refuse_leading_out(inside, case.folder)
    return case


def new_case(folder: str | os.PathLike[str], settings: dict[str, dict[str, Any]]) -> Case:
    """Make a case folder with a commented case.toml, an empty landmark table and outlines folder.

    `settings` holds what differs from the defaults. Raise `UsageError` where a case is there
    already: nothing is overwritten.
    """
    place = Path(folder)
    path = place / CASE_FILE
    if path.exists():
        raise UsageError(f"{path} is there already; choose another folder or edit that file.")
    text = _commented(settings)
    _checked(text, path)
    try:
        (place / "outlines").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{place} cannot be made ({error.strerror}); choose a folder you may write to."
        ) from error
    table = place / "landmarks.csv"
    if not table.exists():
        write_text(table, "name,plane_depth_mm,plane_lateral_mm,slide_y_mm,slide_x_mm,observer\n")
    write_text(path, text)
    return open_case(place)


def _commented(settings: dict[str, dict[str, Any]]) -> str:
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("A case: one animal, one imaging plane. Lengths in mm unless the"))
    document.add(
        tomlkit.comment("name says otherwise. A line behind '#' shows a setting's default.")
    )
    document.add("format", tomlkit.item(1))
    for section, keys in SCHEMA.items():
        table = tomlkit.table()
        given = settings.get(section, {})
        for key, setting in keys.items():
            if given.get(key) is not None:
                item = tomlkit.item(given[key])
                item.comment(setting.about)
                table.add(key, item)
            else:
                shown = "" if setting.default is None else tomlkit.item(setting.default).as_string()
                table.add(tomlkit.comment(f"{key} = {shown}  # {setting.about}"))
        document.add(section, table)
    unknown = [name for name in settings if name not in SCHEMA] + [
        f"{section}.{key}"
        for section, table in settings.items()
        for key in table
        if section in SCHEMA and key not in SCHEMA[section]
    ]
    if unknown:
        raise UsageError(f"{', '.join(unknown)} is not a setting of a case.")
    return tomlkit.dumps(document)


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"{path} is not UTF-8 text; save it again as UTF-8.") from error
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({error.strerror}); check that it is a file that you may read."
        ) from error


def _checked(text: str, path: Path) -> dict[str, dict[str, Any]]:
    try:
        values = tomllib.loads(text)
    # A whole number of thousands of digits is a plain ValueError.
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path} is not valid TOML: {error}; correct that line.") from error
    settings = check_settings(values, str(path))
    for section, table in settings.items():
        for key in ("path", "folder", "baseline_path", "model"):
            if table.get(key):
                _refuse_climbing(table[key], section, key, path)
    return settings


def _refuse_climbing(named: str, section: str, key: str, path: Path) -> None:
    """A case from elsewhere must not reach into unseen places, nor write outside itself."""
    if "\0" in named:
        raise InputError(f"{path}: [{section}] {key} holds a NUL character; take it out.")
    parts = PureWindowsPath(named).parts
    if "://" not in named and ".." in parts:
        raise InputError(
            f"{path}: [{section}] {key} climbs out of the case folder ({named!r}); write the "
            "absolute path, so that it can be seen where it leads."
        )
    outside = Path(named).is_absolute() or PureWindowsPath(named).is_absolute() or "://" in named
    if (section, key) in (("landmarks", "path"), ("outlines", "folder")) and outside:
        raise InputError(
            f"{path}: [{section}] {key} leads out of the case folder ({named!r}); the tool "
            "writes there, so keep it inside."
        )


def _known_step(step: str) -> None:
    if step not in STEPS:
        raise UsageError(f"{step!r} is not a step; the steps are {', '.join(STEPS)}.")


def _is_there(place: Path) -> bool:
    """Whether a file is there; not where its name is too long, or its folder may not be entered."""
    try:
        return place.exists()
    except OSError:
        return False


def _without_path(known: dict[str, Any] | None) -> dict[str, Any] | None:
    return None if known is None else {k: v for k, v in known.items() if k != "path"}
