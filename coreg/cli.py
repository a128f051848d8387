"""The command line: parse, call, print.

Exit codes: 0 done; 1 the case cannot be processed; 2 wrong use.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coreg import __version__
from coreg.errors import CoregError, InputError, UsageError, in_one_line
from coreg.report.cautions import CAUTIONS
from coreg.schema import SCHEMA

if TYPE_CHECKING:
    from coreg.case import Case

STEP_HELP = {
    "predict": "amplitude, change from baseline and the predicted lesion",
    "outline": "the pathology zones: outlines read and made one, or proposed",
    "align": "bring the section to the imaging plane, and say how far it can be trusted",
    "agree": "overlap, area and boundary measures with their intervals",
    "figure": "the pathology figure, as PDF and PNG",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit code."""
    parser = _parser()
    options = parser.parse_args(arguments)
    if options.command is None:
        parser.print_help()
        return 2
    try:
        options.act(options)
        return 0
    except CoregError as error:
        _complain(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        _complain("Stopped; earlier results are untouched.")
        return 1
    except BrokenPipeError:  # the reader of our output has gone, e.g. `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        _complain("There is not enough memory for this; close other programs or use coarser data.")
        return 1
    except Exception as error:  # the last line of defence: no traceback reaches a user
        if os.environ.get("COREG_DEBUG"):
            raise
        _complain(
            f"coreg met a fault of its own ({type(error).__name__}: {error}); please report it, "
            "with what COREG_DEBUG=1 in the environment prints."
        )
        return 1


def _complain(text: str) -> None:
    print(f"coreg: {in_one_line(text)}", file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="coreg",
        description="Compare the lesion predicted from tissue displacement with pathology.",
        epilog=" ".join(CAUTIONS),
    )
    parser.add_argument("--version", action="version", version=f"coreg {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")

    def command(name: str, act: Callable[[Any], None], about: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=about, description=about, epilog=" ".join(CAUTIONS))
        sub.set_defaults(act=act)
        sub.add_argument("--json", action="store_true", help="print the result as JSON")
        sub.add_argument("--quiet", action="store_true", help="show no progress")
        return sub

    new = command("new", _new, "make a case folder")
    new.add_argument("folder", type=Path)
    for section in ("slide", "displacement", "bmode"):
        new.add_argument(f"--{section}", metavar="FILE", help=f"the {section} file")
    new.add_argument("--name", help="the case's name")
    new.add_argument("--animal", help="the animal")
    new.add_argument(
        "--set",
        dest="changes",
        action="append",
        default=[],
        metavar="SECTION.KEY=VALUE",
        help="any other setting, its value written as in TOML; may be repeated",
    )

    check = command("check", _check, "say what is in the case's files and what would fail later")
    check.add_argument("place", type=Path, help="a case folder, or one file to list")

    for name, about in STEP_HELP.items():
        step = command(name, _step, about)
        step.add_argument("case", type=Path)
        step.add_argument("--again", action="store_true", help="also where it is done already")

    run = command("run", _step, "all steps of a case; redoes only what is to do or stale")
    run.add_argument("case", type=Path)
    run.add_argument("--again", action="store_true", help="redo what is done, too")

    cohort = command("cohort", _cohort, "a study: all its cases, then the statistics over them")
    cohort.add_argument(
        "study", type=Path, help="a folder of case folders, or a CSV file with a column 'case'"
    )
    cohort.add_argument("--workers", type=int, help="processes on this machine")
    cohort.add_argument("--scheduler", metavar="ADDRESS", help="a running Dask scheduler")

    report = command("report", _report, "a report that stands alone, as HTML and PDF")
    report.add_argument("place", type=Path, help="a case folder, or a study that has been run")
    report.add_argument(
        "--strips", action="store_true", help="of a study, also a row of pictures a case"
    )

    export = command("export", _export, "section, zones and maps on the plane as OME-TIFF")
    export.add_argument("case", type=Path)
    export.add_argument("--um-per-px", type=float, default=10.0, help="pixel size in µm")
    export.add_argument(
        "--stain-like",
        type=Path,
        metavar="CASE",
        help="show the section as if stained with this other case's slide",
    )

    demo = command("demo", _demo, "write the invented demo case and run all steps on it")
    demo.add_argument("folder", type=Path)
    demo.add_argument("--seed", type=int, default=0, help="another seed makes another animal")
    demo.add_argument(
        "--um-per-px", type=float, default=8.0, help="pixel size of the slide (0.5 for full size)"
    )

    view = command("view", _view, "open the case in napari (needs the extra 'gui')")
    view.add_argument("case", type=Path)
    return parser


def _progress(options: Any) -> Callable[[float, str], None] | None:
    if options.quiet:
        return None
    from tqdm import tqdm

    bar = tqdm(
        total=100, file=sys.stderr, bar_format="{desc:<44.44} {bar:30} {n:3.0f} %", leave=False
    )

    def show(fraction: float, text: str) -> None:
        bar.set_description_str(text, refresh=False)
        bar.n = round(100 * min(max(fraction, 0.0), 1.0))
        bar.refresh()
        if fraction >= 1:
            bar.close()

    return show


def _print(options: Any, values: dict[str, Any], lines: Sequence[str]) -> None:
    if options.json:
        from coreg.results import to_json

        _write_out(to_json(values))
    else:
        _write_out("\n".join(lines) + "\n")


def _write_out(text: str) -> None:
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        # What is left in the buffer must not fail again at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise InputError(
            f"The output cannot be written ({error.strerror}); free some space."
        ) from error


def _new(options: Any) -> None:
    from coreg.case import new_case

    settings: dict[str, dict[str, Any]] = {"case": {}}
    for key in ("name", "animal"):
        if getattr(options, key):
            settings["case"][key] = getattr(options, key)
    for section in ("slide", "displacement", "bmode"):
        if getattr(options, section):
            settings.setdefault(section, {})["path"] = _from_case(
                options.folder, getattr(options, section)
            )
    for change in options.changes:
        section, key, value = _change(change)
        settings.setdefault(section, {})[key] = value
    case = new_case(options.folder, settings)
    _print(
        options,
        {"case": str(case.folder)},
        [
            f"Made {case.folder / 'case.toml'}.",
            "Next: fill in what the files do not say there, put landmarks into landmarks.csv and "
            "outlines into outlines/,",
            f"then 'coreg check {options.folder}' and 'coreg run {options.folder}'.",
        ],
    )


def _from_case(folder: Path, named: str) -> str:
    """A file inside the case folder by its name there, any other by its absolute path."""
    if "://" in named:
        return named
    place = Path(named)
    if not place.exists() and not (folder / named).exists():
        raise UsageError(f"{named} is not there; give the path of a file.")
    if not place.exists():
        return named
    try:
        return str(place.absolute().relative_to(folder.absolute()))
    except ValueError:
        return str(place.absolute())


def _change(text: str) -> tuple[str, str, Any]:
    import tomllib

    name, found, value = text.partition("=")
    section, dot, key = name.strip().partition(".")
    if not found or not dot:
        raise UsageError(f"--set {text!r} should look like SECTION.KEY=VALUE.")
    if section not in SCHEMA or key not in SCHEMA[section]:
        raise UsageError(f"--set {text!r}: [{section}] {key} is not a setting of a case.")
    try:
        return section, key, tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError:
        return section, key, value.strip()  # bare words are meant as text


def _check(options: Any) -> None:
    from coreg.steps.check import check_case, list_file

    if options.place.is_file() and options.place.name != "case.toml":
        lines = list_file(options.place)
        _print(options, {"file": str(options.place), "holds": lines}, lines)
        return
    findings = check_case(_open(options.place))
    wrong = [finding for finding in findings if finding.level == "wrong"]
    _print(
        options,
        {"findings": [vars(finding) for finding in findings]},
        [f"{finding.level:8} {finding.where}: {finding.text}" for finding in findings],
    )
    if wrong:
        raise CoregError(
            f"{len(wrong)} thing{'s' if len(wrong) > 1 else ''} above must be put right first."
        )


def _open(folder: Path) -> Case:
    from coreg.case import open_case

    return open_case(folder)


def _step(options: Any) -> None:
    case = _open(options.case)
    steps = None if options.command == "run" else [options.command]
    result = case.run(steps, again=options.again, progress=_progress(options))
    _print(options, result.to_dict(), result.lines())


def _cohort(options: Any) -> None:
    from coreg.cohort import load_study, run_study

    if options.workers is not None and options.workers < 1:
        raise UsageError(f"--workers should be 1 or more, got {options.workers}.")
    result = run_study(
        load_study(options.study),
        options.scheduler,
        _progress(options),
        workers=options.workers,
    )
    _print(options, result.to_dict(), result.lines())


def _report(options: Any) -> None:
    from coreg.case import CASE_FILE
    from coreg.report import case_report, study_report, write_strips

    if (options.place / CASE_FILE).exists():
        case = _open(options.place)
        paths = case_report(case, case.results.folder / "report")
    else:
        from coreg.cohort import load_study

        study = load_study(options.place)
        paths = study_report(study)
        if options.strips:
            strips, left_out = write_strips(study, progress=_progress(options))
            paths += strips
            for name, reason in left_out:
                _complain(f"{name} is left out of the strips: {reason}")
    _print(options, {"files": [str(path) for path in paths]}, [f"Wrote {p}" for p in paths])


def _export(options: Any) -> None:
    from coreg.steps.export import export_case

    paths = export_case(
        _open(options.case),
        spacing_um=options.um_per_px,
        stain_like=_open(options.stain_like) if options.stain_like else None,
        progress=_progress(options),
    )
    _print(options, {"files": [str(path) for path in paths]}, [f"Wrote {p}" for p in paths])


def _demo(options: Any) -> None:
    from coreg.steps.demo import run_demo

    result = run_demo(
        options.folder,
        seed=options.seed,
        um_per_px=options.um_per_px,
        progress=_progress(options),
    )
    _print(options, result.to_dict(), result.lines())


def _view(options: Any) -> None:
    case = _open(options.case)
    try:
        from coreg_napari import show
    except ImportError as error:
        raise UsageError(
            "The window needs napari; install it with: pip install 'coreg[gui]'."
        ) from error
    show(case)


if __name__ == "__main__":
    sys.exit(main())
