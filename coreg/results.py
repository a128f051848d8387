"""What the tool wrote for a case: whole step folders swapped in at once, with a record each.

A step writes into a hidden folder beside its place; when all is there, two renames put it in
place. What a crash cut in two is finished or undone when the case is next locked, and
reading falls back meanwhile, so a reader always sees the old
result or the new one, never a mixture.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from coreg.errors import InputError, in_one_line

RECORD = "record.json"
_STAGED, _COMPLETE = ".files-being-replaced", ".complete"
_LIBRARIES = ("numpy", "scipy", "scikit-image", "SimpleITK", "scikit-learn", "matplotlib")


@dataclass(frozen=True)
class StepResult:
    """A finished step: where its files are and what made them."""

    step: str
    folder: Path
    record: dict[str, Any]

    @property
    def summary(self) -> dict[str, Any]:
        """The step's numbers, as printed and as in the JSON."""
        return self.record["summary"]

    def file(self, name: str) -> Path:
        """The path of one of the step's files."""
        return self.folder / name


def write_text(path: Path, text: str) -> None:
    """Write a text file atomically: to a temporary file in the same folder, then renamed."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        with open(temporary, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise InputError(
            f"{path.name} could not be written to {path.parent} ({error.strerror}); free some "
            "space or choose a folder you may write to."
        ) from error


def write_set(folder: Path, texts: dict[str, str]) -> None:
    """Write text files that belong together: all of them are replaced, or none.

    They are first written whole into a hidden folder. A process that dies while they are moved
    from there leaves the rest to `finish_set`.
    """
    staged = folder / _STAGED
    shutil.rmtree(staged, ignore_errors=True)
    try:
        staged.mkdir()
    except OSError as error:
        raise InputError(
            f"{folder} cannot be written to ({error.strerror}); free some space or choose a folder "
            "you may write to."
        ) from error
    try:
        for name, text in texts.items():
            write_text(staged / name, text)
        write_text(staged / _COMPLETE, "")
    except BaseException:
        shutil.rmtree(staged, ignore_errors=True)
        raise
    finish_set(folder)


def finish_set(folder: Path) -> None:
    """Move what `write_set` completed into place; drop what it did not complete."""
    staged = folder / _STAGED
    if (staged / _COMPLETE).is_file():
        for path in sorted(staged.iterdir()):
            if path.name != _COMPLETE:
                os.replace(path, folder / path.name)
    shutil.rmtree(staged, ignore_errors=True)


def refuse_leading_out(place: Path, folder: Path) -> None:
    """Raise `InputError` where a link takes a place that is written to out of its folder.

    A folder from elsewhere could otherwise have the tool overwrite files of the user's.
    """
    if not Path(os.path.realpath(place)).is_relative_to(os.path.realpath(folder)):
        raise InputError(
            f"{place} is a link that leads out of {folder}, and the tool writes there; put a "
            "plain file or folder in its place."
        )


def read_json(path: Path) -> Any:
    """What a step wrote as JSON; raise `InputError` where it is damaged or gone."""
    try:
        return json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            f"{path} cannot be read ({in_one_line(str(error), 200)}); delete the results folder "
            "and run the case again."
        ) from error


def to_json(values: Any) -> str:
    """JSON text with sorted keys; NaN and infinity become null, NumPy values plain ones."""
    return json.dumps(_plain(values), indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return None
    return value


def file_identity(path: Path, known: dict[str, Any] | None = None) -> dict[str, Any]:
    """Size, time and SHA-256 of a file; the hash is taken from `known` where size and time agree.

    A folder (OME-Zarr) is identified by the names, sizes and times of all its files.
    """
    if path.is_dir():
        digest = hashlib.sha256()
        total = 0
        for item in sorted(p for p in path.rglob("*") if p.is_file()):
            stat = item.stat()
            total += stat.st_size
            digest.update(f"{item.relative_to(path)}|{stat.st_size}|{stat.st_mtime_ns}\n".encode())
        return {"size": total, "mtime_ns": 0, "sha256": digest.hexdigest()}
    stat = path.stat()
    identity: dict[str, Any] = {"size": stat.st_size, "mtime_ns": stat.st_mtime_ns}
    if known and all(known.get(key) == identity[key] for key in identity):
        return dict(known)
    with open(path, "rb") as file:
        identity["sha256"] = hashlib.file_digest(file, "sha256").hexdigest()
    return identity


def versions() -> dict[str, str]:
    """Versions of Python, coreg and the libraries that a number may depend on."""
    found = {"python": ".".join(str(part) for part in sys.version_info[:3])}
    for name in ("coreg", *_LIBRARIES):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


class Results:
    """The results folder of a case."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def read(self, step: str) -> StepResult | None:
        """The finished step, or None where there is none or its record cannot be read."""
        # A crash between the two renames leaves the place empty but one of the others complete.
        for place in (self.folder / step, self._new(step), self._old(step)):
            try:
                record = json.loads((place / RECORD).read_text(encoding="utf-8"))
            except (OSError, ValueError):
                continue
            if not isinstance(record, dict) or record.get("step") != step or "id" not in record:
                continue
            if all((place / name).is_file() for name in record.get("outputs", {})):
                return StepResult(step, place, record)
        return None

    @contextmanager
    def replace(self, step: str, about: dict[str, Any]) -> Iterator[tuple[Path, dict[str, Any]]]:
        """Give an empty folder to write to and a summary to fill; put both in place at the end.

        An error inside leaves the earlier result untouched.
        """
        new, old, place = self._new(step), self._old(step), self.folder / step
        summary: dict[str, Any] = {}
        shutil.rmtree(new, ignore_errors=True)
        try:
            new.mkdir(parents=True)
            yield new, summary
            outputs = {
                str(path.relative_to(new)): file_identity(path)["sha256"]
                for path in sorted(new.rglob("*"))
                if path.is_file()
            }
            record = {"step": step, "outputs": outputs, "summary": _plain(summary), **about}
            content = to_json({key: record[key] for key in sorted(record) if key != "versions"})
            record["id"] = hashlib.sha256(content.encode()).hexdigest()[:16]
            record["made"] = datetime.now(UTC).isoformat(timespec="seconds")
            write_text(new / RECORD, to_json(record))
            if place.exists():
                shutil.rmtree(old, ignore_errors=True)
                os.rename(place, old)
            os.rename(new, place)
        except BaseException as error:
            self._recover(step)
            shutil.rmtree(new, ignore_errors=True)
            if isinstance(error, OSError):
                raise InputError(
                    f"The results of {step} could not be written to {self.folder} "
                    f"({error.strerror or error}); free some space or choose a folder you may "
                    "write to. Earlier results are untouched."
                ) from error
            raise
        shutil.rmtree(old, ignore_errors=True)

    def _recover(self, step: str) -> None:
        """Finish or undo a swap that was cut in two, and remove what is left of unfinished ones."""
        new, old, place = self._new(step), self._old(step), self.folder / step
        if not place.exists():
            if (new / RECORD).is_file():
                os.rename(new, place)
            elif old.exists():
                os.rename(old, place)
        if place.exists() and old.exists():
            shutil.rmtree(old, ignore_errors=True)
        if new.exists() and not (new / RECORD).is_file():
            shutil.rmtree(new, ignore_errors=True)

    def _new(self, step: str) -> Path:
        return self.folder / f".{step}.new"

    def _old(self, step: str) -> Path:
        return self.folder / f".{step}.old"

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the case for this process; raise `InputError` where another one holds it.

        The operating system drops the lock when a process dies, so no stale lock remains; what a
        dead process left half done is finished or undone.
        """
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            # Never through a link: what it leads to would be emptied.
            flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
            handle = os.open(self.folder / ".lock", flags, 0o666)
        except OSError as error:
            raise InputError(
                f"{self.folder} cannot be written to ({error.strerror}); choose a folder you may "
                "write to."
            ) from error
        if not _try_lock(handle):
            holder = os.read(handle, 80).decode("ascii", "replace").strip()
            os.close(handle)
            raise InputError(
                f"{self.folder.parent} is being worked on by "
                f"{holder or 'another process'}; wait for it to end, or stop it."
            )
        try:
            _name_holder(handle, f"process {os.getpid()}\n")
            for left in self.folder.glob(".*.*"):
                if left.is_dir() and left.suffix in (".new", ".old"):
                    self._recover(left.stem.lstrip("."))
            remove_abandoned(self.folder.parent)
            yield
        finally:
            _name_holder(handle, "")
            os.close(handle)


def _name_holder(handle: int, text: str) -> None:
    """Say in the lock who holds it; on a full disk it stays unsaid."""
    with suppress(OSError):
        os.ftruncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, text.encode())


def remove_abandoned(folder: Path) -> None:
    """Remove what `write_text` of a process that died left behind, in a folder and its outlines."""
    for left in (*folder.glob(".*.tmp"), *folder.glob("*/.*.tmp")):
        owner = left.name.split(".")[-2]
        if owner.isdecimal() and not _is_running(int(owner)):
            left.unlink(missing_ok=True)


def _is_running(process: int) -> bool:
    import psutil

    return bool(psutil.pid_exists(process))


def _try_lock(handle: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
