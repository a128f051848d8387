"""What a bad input is, and the list that the modules beside this fill."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path

Arguments = Sequence[str | Path]


@dataclass(frozen=True)
class Bad:
    """One bad input.

    Parameters
    ----------
    part : what it concerns; a heading of the page
    what : what is wrong, in words
    make : spoils a finished case folder of its own and gives the command's arguments
    says : parts of the sentence that the tool answers, in order, between " … "
    code : exit code
    within : what the command runs within, such as a disk that is full
    alone : run in a process of its own, whose memory and time are measured
    on : where the sentence stands: "stderr", or "stdout" for what `check` lists
    """

    part: str
    what: str
    make: Callable[[Path], Arguments]
    says: str
    code: int = 1
    within: Callable[[Path], AbstractContextManager[None]] = lambda _: nullcontext()
    alone: bool = False
    on: str = "stderr"

    @property
    def name(self) -> str:
        """For test reports."""
        return f"{self.part}: {self.what}".replace(" ", "-")


ALL: list[Bad] = []


def bad(
    part: str, what: str, says: str, **more: object
) -> Callable[[Callable[[Path], Arguments]], Callable[[Path], Arguments]]:
    """Enter a bad input into the list; stands above the function that makes it."""

    def enter(make: Callable[[Path], Arguments]) -> Callable[[Path], Arguments]:
        ALL.append(Bad(part, what, make, says, **more))  # type: ignore[arg-type]
        return make

    return enter


def setting(case: Path, table: str, /, **values: str) -> None:
    """Write settings into case.toml as TOML text, unchecked; "" takes a key out."""
    lines = (case / "case.toml").read_text(encoding="utf-8").splitlines()
    start = lines.index(f"[{table}]") + 1
    kept = [line for line in lines[start:] if line.split(" = ")[0] not in values]
    added = [f"{key} = {value}" for key, value in values.items() if value]
    text = "\n".join([*lines[:start], *added, *kept]) + "\n"
    (case / "case.toml").write_text(text, encoding="utf-8")


def packed_zeros(start: bytes, count: int, *, raw: bool = False) -> bytes:
    """Some bytes and 16 MB of zeros `count` times over, deflated; quickly, as a block repeats."""
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15 if raw else 15)
    first = deflate.compress(start) + deflate.flush(zlib.Z_FULL_FLUSH)
    block = deflate.compress(bytes(2**24)) + deflate.flush(zlib.Z_FULL_FLUSH)
    return first + block * count + deflate.flush()


def cut(path: Path, keep: float) -> None:
    """Keep the first part of a file: a share below 1, or bytes."""
    content = path.read_bytes()
    path.write_bytes(content[: int(keep * len(content)) if keep < 1 else int(keep)])
