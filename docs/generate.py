"""Make the reference pages from the code: ``python docs/generate.py``.

A test holds the committed pages equal to what this makes.
"""

from __future__ import annotations

import argparse
import inspect
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parent / "reference"
MADE = "<!-- Made by docs/generate.py from the code; edit the code. -->\n\n"

# Modules whose public names the Python page lists, in the order in which data flows.
MODULES: dict[str, tuple[str, ...]] = {
    "coreg": (),
    "coreg.transforms": ("Transform", "Affine", "ThinPlate", "Warp", "invert"),
    "coreg.landmark_pairs": ("LandmarkPairs",),
    "coreg.sources.slides": (),
    "coreg.sources.recordings": (),
    "coreg.sources.bmode": ("BMode", "read_bmode"),
    "coreg.sources.outlines": ("read_outlines", "write_outlines"),
    "coreg.sources.landmarks": ("read_landmarks", "write_landmarks"),
    "coreg.displacement": (),
    "coreg.stain": (),
    "coreg.zones": (),
    "coreg.alignment": (),
    "coreg.agreement": (),
    "coreg.cohort": (),
    "coreg.figure": (),
    "coreg.report": (),
    "coreg.demo": (),
}


def pages() -> dict[str, str]:
    """Each reference page's text by its file name."""
    return {
        "commands.md": commands(),
        "case-file.md": case_file(),
        "python.md": python(),
        "bad-input.md": bad_input(),
    }


def commands() -> str:
    """The page of commands, from the argument parser."""
    from coreg import cli

    parser = cli._parser()
    (subparsers,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    lines = [
        "# Commands",
        "",
        f"{parser.description} {parser.epilog}",
        "",
        "Exit codes: 0 done; 1 the case cannot be processed; 2 wrong use. An error is one sentence "
        "on the standard error stream that starts with `coreg:`.",
    ]
    for name, sub in subparsers.choices.items():
        lines += ["", f"## coreg {name}", "", f"{_sentence(sub.description or '')}", ""]
        lines += ["| argument | meaning |", "| --- | --- |"]
        lines += [
            f"| {_argument(action)} | {_meaning(action)} |"
            for action in sub._actions
            if not isinstance(action, argparse._HelpAction)
        ]
    return MADE + "\n".join(lines) + "\n"


def _argument(action: argparse.Action) -> str:
    shown = action.metavar or action.dest.upper()
    if not action.option_strings:
        return f"`{shown}`"
    takes = "" if action.nargs == 0 else f" {shown}"
    return ", ".join(f"`{option}{takes}`" for option in action.option_strings)


def _meaning(action: argparse.Action) -> str:
    text = action.help or (
        "the case folder" if action.dest == "case" else "the case folder to make"
    )
    if action.nargs != 0 and action.default not in (None, []):
        text += f" (default {action.default})"
    return _cell(text)


def case_file() -> str:
    """The page of the case file, from the table of settings."""
    from coreg.schema import SCHEMA

    lines = [
        "# The case file",
        "",
        "`case.toml` is a text file in TOML. `coreg new` writes one that lists every setting with "
        "its default behind a `#`. Lengths are in mm unless the name says otherwise. A setting "
        "that is not known, or out of bounds, is refused with its section and key. "
        "`format = 1` stands above the sections.",
    ]
    for section, settings in SCHEMA.items():
        lines += ["", f"## [{section}]", ""]
        lines += ["| setting | kind | default | meaning |", "| --- | --- | --- | --- |"]
        for key, setting in settings.items():
            cells = (f"`{key}`", _kind(setting), _default(setting.default), _cell(setting.about))
            lines.append(f"| {' | '.join(cells)} |")
    return MADE + "\n".join(lines) + "\n"


def _kind(setting: Any) -> str:
    kind = {"whole": "whole number", "texts": "list of texts"}.get(setting.kind, setting.kind)
    if setting.count:
        kind = f"{setting.count} numbers"
    bounds = []
    if setting.above is not None:
        bounds.append(f"above {setting.above:g}")
    if setting.least is not None:
        bounds.append(f"at least {setting.least:g}")
    if setting.most is not None:
        bounds.append(f"at most {setting.most:g}")
    if setting.choices:
        bounds.append("one of " + ", ".join(f"`{c!r}`".replace("'", '"') for c in setting.choices))
    return _cell("; ".join([kind, *bounds]))


def _default(value: Any) -> str:
    import tomlkit

    return "none" if value is None else f"`{tomlkit.item(value).as_string()}`"


def python() -> str:
    """The page of public names, from their signatures and docstrings."""
    lines = [
        "# Python",
        "",
        "Points are `(n, 2)` in the order (depth, lateral) or (y, x), in mm. Amplitude is in µm, "
        "peak to peak. A negative change means stiffer than at baseline.",
    ]
    for module_name, names in MODULES.items():
        module = import_module(module_name)
        chosen = names or tuple(module.__all__)
        lines += ["", f"## {module_name}", "", _paragraph(module.__doc__)]
        for name in sorted(chosen, key=str.lower):
            lines += _entry(name, getattr(module, name))
    return MADE + "\n".join(lines) + "\n"


def _entry(name: str, thing: Any) -> Iterator[str]:
    if name.startswith("__"):
        return
    if not callable(thing):
        yield from ("", f"### {name}", "", f"A constant: {_constant(thing)}.")
        return
    raised = inspect.isclass(thing) and issubclass(thing, Exception)
    called = name if raised else f"{name}({_parameters(thing)})"
    yield from ("", f"### {name}", "", "```text", called)
    doc = inspect.getdoc(thing)
    if doc and not doc.startswith(f"{name}("):  # what a dataclass writes for itself
        yield from ("", doc)
    yield "```"
    if inspect.isclass(thing):
        members = [f"- `{label}`: {_first(about)}" for label, about in _members(thing)]
        if members:
            yield from ("", *members)


def _constant(thing: Any) -> str:
    items = list(thing)
    return ", ".join(f"`{item if isinstance(item, str) else item.name}`" for item in items)


def _parameters(thing: Callable[..., Any]) -> str:
    """Names and plain defaults; annotations stand in the docstrings as shapes and units."""
    parts: list[str] = []
    starred = False
    for p in inspect.signature(thing).parameters.values():
        if p.kind is p.VAR_POSITIONAL:
            starred = True
        if p.kind is p.KEYWORD_ONLY and not starred:
            parts.append("*")
            starred = True
        stars = {p.VAR_POSITIONAL: "*", p.VAR_KEYWORD: "**"}.get(p.kind, "")
        plain = p.default is None or isinstance(p.default, bool | int | float | str | tuple)
        default = "" if p.default is p.empty else f"={p.default!r}" if plain else "=…"
        parts.append(f"{stars}{p.name}{default}")
    return ", ".join(parts)


def _members(thing: type) -> Iterator[tuple[str, str]]:
    """Public methods and properties that the class itself documents."""
    for name, member in vars(thing).items():
        if name.startswith("_"):
            continue
        function = member.fget if isinstance(member, property) else member
        function = getattr(function, "__func__", function)
        if not inspect.isfunction(function) or not function.__doc__:
            continue
        called = name if isinstance(member, property) else f"{name}()"
        yield called, inspect.getdoc(function) or ""


def _first(doc: str) -> str:
    """The first paragraph as one line."""
    return _cell(" ".join(doc.split("\n\n")[0].split()))


def _paragraph(doc: str | None) -> str:
    return _first(inspect.cleandoc(doc or "")).replace("``", "`")


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("<", "&lt;")


def bad_input() -> str:
    """The page of bad inputs, from the table that the tests try."""
    import sys

    sys.path.insert(0, str(FOLDER.parents[1] / "tests"))
    from hard_use.bad_inputs import ALL

    lines = [
        "# Bad input",
        "",
        f"What the tool says to {len(ALL)} bad inputs. Each is a test: one sentence with the cause "
        "and the remedy, the exit code, no traceback, earlier results untouched, and, where a file "
        "is made to fill the memory or the time, both measured. Dots stand for names and numbers. "
        "Exit code 1 says that the case cannot be processed, 2 that the command was used wrongly, "
        "0 that the work goes on and `coreg check` says what to look at.",
    ]
    for part in sorted({bad.part for bad in ALL}):
        lines += ["", f"## {part}", "", "| what is wrong | what is said | exit code |"]
        lines.append("| --- | --- | --- |")
        lines += [
            f"| {_cell(bad.what)} | {_cell(bad.says)} | {bad.code} |"
            for bad in ALL
            if bad.part == part
        ]
    return MADE + "\n".join(lines) + "\n"


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for name, text in pages().items():
        (FOLDER / name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
