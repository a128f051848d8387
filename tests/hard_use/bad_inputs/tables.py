"""Landmark tables and study tables."""

from __future__ import annotations

import shutil
from pathlib import Path

from hard_use.bad_inputs.table import Arguments, bad, setting
from hard_use.small_case import landmarks

LANDMARKS = "Landmarks"
STUDY = "Study"
HEADER = "name,plane_depth_mm,plane_lateral_mm,slide_y_mm,slide_x_mm,observer\n"


def write(case: Path, text: str, encoding: str = "utf-8") -> Arguments:
    """Write the landmark table and ask for the alignment."""
    (case / "landmarks.csv").write_bytes(text.encode(encoding))
    return "align", case


@bad(LANDMARKS, "the table is not there", "is not there; correct [landmarks] path in")
def not_there(case: Path) -> Arguments:
    (case / "landmarks.csv").unlink()
    return "align", case


@bad(
    LANDMARKS,
    "an empty table",
    (
        "landmarks.csv is empty; its first line should read "
        "name,plane_depth_mm,plane_lateral_mm,slide_y_mm,slide_x_mm,observer."
    ),
)
def empty(case: Path) -> Arguments:
    return write(case, "")


@bad(
    LANDMARKS,
    "a table of a header alone",
    (
        "There is no pair of landmarks yet; place the same spots on the plane and on the "
        "slide … , or align without: [align] refine."
    ),
)
def header_alone(case: Path) -> Arguments:
    return write(case, HEADER)


@bad(LANDMARKS, "two pairs", "Expected at least 3 landmarks for an affine fit, got 2; place more.")
def two_pairs(case: Path) -> Arguments:
    return write(case, HEADER + "a,1,1,2,2,me\nb,5,5,6,6,me\n")


@bad(
    LANDMARKS,
    "all on one line",
    (
        "The landmarks lie on one line in the imaging plane, which leaves the direction "
        "across it open; add one away from the line, or use the similarity model."
    ),
)
def collinear(case: Path) -> Arguments:
    rows = [f"m{k},{k},{k},{k + 1},{k + 1},me" for k in range(8)]
    return write(case, HEADER + "\n".join(rows) + "\n")


@bad(
    LANDMARKS,
    "all in one place",
    ("All landmarks lie at one place in the imaging plane; place them apart from each other."),
)
def one_place(case: Path) -> Arguments:
    rows = [f"m{k},3,3,4,4,me" for k in range(8)]
    return write(case, HEADER + "\n".join(rows) + "\n")


@bad(
    LANDMARKS,
    "the pairs in the wrong order",
    "left out in turn, the landmarks are off by … paired in the right order?",
    code=0,
    on="stdout",
)
def wrong_order(case: Path) -> Arguments:
    header, *rows = landmarks().splitlines()
    cells = [row.split(",") for row in rows]
    turned = [[*a[:3], *b[3:]] for a, b in zip(cells, cells[4:] + cells[:4], strict=True)]
    write(case, "\n".join([header, *[",".join(row) for row in turned]]) + "\n")
    return "check", case


@bad(
    LANDMARKS,
    "a column missing",
    (
        "landmarks.csv, line 1: column 'slide_x_mm' is missing; expected the columns name, "
        "plane_depth_mm, plane_lateral_mm, slide_y_mm, slide_x_mm, observer."
    ),
)
def no_column(case: Path) -> Arguments:
    return write(case, landmarks().replace("slide_x_mm", "x"))


@bad(
    LANDMARKS,
    "a column twice",
    (
        "landmarks.csv, line 1: column 'plane_depth_mm' is missing; expected the columns "
        "name, plane_depth_mm, plane_lateral_mm, slide_y_mm, slide_x_mm, observer."
    ),
)
def column_twice(case: Path) -> Arguments:
    return write(case, landmarks().replace("plane_depth_mm", "plane_lateral_mm", 1))


@bad(
    LANDMARKS,
    "a value missing",
    "landmarks.csv, line 2: slide_y_mm '' is not a number; give a number in mm.",
)
def no_value(case: Path) -> Arguments:
    return write(case, HEADER + "a,1,1,,2,me\n")


@bad(
    LANDMARKS,
    "a value too many",
    ("landmarks.csv, line 2: expected 6 columns as in the header, got 7 … ; correct the line."),
)
def too_many(case: Path) -> Arguments:
    return write(case, HEADER + "a,1,1,2,2,me,again\n")


@bad(
    LANDMARKS,
    "a word in place of a number",
    "landmarks.csv, line 2: plane_depth_mm 'one' is not a number; give a number in mm.",
)
def word(case: Path) -> Arguments:
    return write(case, HEADER + "a,one,1,2,2,me\n")


@bad(
    LANDMARKS,
    "nan in place of a number",
    "landmarks.csv, line 2: plane_depth_mm 'nan' is not a number; give a number in mm.",
)
def nan(case: Path) -> Arguments:
    return write(case, HEADER + "a,nan,1,2,2,me\n")


@bad(
    LANDMARKS,
    "decimal commas between commas",
    ("landmarks.csv, line 2: expected 6 columns as in the header, got 7 … ; correct the line."),
)
def decimal_commas(case: Path) -> Arguments:
    return write(case, HEADER + "a,1,5,1,2,2,me\n")


@bad(
    LANDMARKS,
    "decimal commas in quotes",
    ("landmarks.csv, line 2: plane_depth_mm '1,5' is not a number; write decimals with a point."),
)
def quoted_decimal_commas(case: Path) -> Arguments:
    return write(case, HEADER + 'a,"1,5",1,2,2,me\n')


@bad(
    LANDMARKS,
    "a name twice",
    (
        "landmarks.csv, line 3: landmark 'mark 1' by first is already on line 2; rename or "
        "remove one."
    ),
)
def name_twice(case: Path) -> Arguments:
    return write(case, landmarks().replace("mark 2,", "mark 1,"))


@bad(
    LANDMARKS,
    "a pair without name",
    "landmarks.csv, line 3: the landmark has no name; give it one.",
)
def no_name(case: Path) -> Arguments:
    return write(case, landmarks().replace("mark 2,", ","))


@bad(
    LANDMARKS,
    "saved as Latin-1",
    "landmarks.csv, line 3: the text is not UTF-8; save it as CSV in UTF-8.",
)
def latin(case: Path) -> Arguments:
    return write(case, landmarks().replace("mark 2", "Gefäß"), "latin-1")


@bad(
    LANDMARKS,
    "saved as UTF-16",
    "landmarks.csv, line 1: the text is not UTF-8; save it as CSV in UTF-8.",
)
def wide(case: Path) -> Arguments:
    return write(case, landmarks(), "utf-16")


@bad(
    LANDMARKS,
    "a quotation mark that never closes",
    (
        "landmarks.csv, line 10084: the line cannot be split into columns … ; check its "
        "quotation marks."
    ),
)
def open_quote(case: Path) -> Arguments:
    return write(case, HEADER + '"a,1,1,2,2,me\n' + "b,1,1,2,2,me\n" * 30_000)


@bad(
    LANDMARKS,
    "a picture in place of the table",
    "landmarks.csv, line 1: the text is not UTF-8; save it as CSV in UTF-8.",
)
def picture(case: Path) -> Arguments:
    shutil.copy(case / "bmode.png", case / "landmarks.csv")
    return "align", case


@bad(
    LANDMARKS,
    "a folder in place of the table",
    ("The landmarks landmarks.csv cannot be read … ; check the path and your right to read it."),
)
def folder(case: Path) -> Arguments:
    (case / "landmarks.csv").unlink()
    (case / "landmarks.csv").mkdir()
    return "align", case


@bad(
    LANDMARKS,
    "coordinates of 1e300 mm",
    ("landmarks.csv, line 3: plane_depth_mm '1e300' is more than 100 m away; give it in mm."),
)
def far_away(case: Path) -> Arguments:
    rows = [f"m{k},{k * k}e300,{k}e300,{k},{k * k % 7},me" for k in range(9)]
    return write(case, HEADER + "\n".join(rows) + "\n")


@bad(
    LANDMARKS, "a spread of 0", "landmarks.csv, line 2: sd_mm '0' should be above 0, or left empty."
)
def no_spread(case: Path) -> Arguments:
    return write(case, HEADER.strip() + ",sd_mm\na,1,1,2,2,me,0\n")


def study(case: Path, text: str, encoding: str = "utf-8") -> Arguments:
    """Write a study's table beside the case and ask for the study."""
    path = case.with_name("study.csv")
    path.write_bytes(text.encode(encoding))
    return "cohort", path


@bad(STUDY, "not there", "is neither a folder of cases nor a CSV file of them.", code=2)
def study_not_there(case: Path) -> Arguments:
    return "cohort", case.with_name("none.csv")


@bad(
    STUDY,
    "a folder without cases",
    (
        "holds no case folder; give a folder whose folders hold case.toml, or a CSV file "
        "with a column 'case'."
    ),
)
def study_without_cases(case: Path) -> Arguments:
    case.with_name("empty").mkdir()
    return "cohort", case.with_name("empty")


@bad(
    STUDY, "an empty table", "has no column 'case'; its header should be case, animal, group, time."
)
def study_empty(case: Path) -> Arguments:
    return study(case, "")


@bad(
    STUDY,
    "a table without the column of cases",
    "has no column 'case'; its header should be case, animal, group, time.",
)
def study_no_column(case: Path) -> Arguments:
    return study(case, "folder,animal\ncase,1\n")


@bad(STUDY, "a table of a header alone", "lists no case; add a row for each.")
def study_header(case: Path) -> Arguments:
    return study(case, "case,animal\n")


@bad(STUDY, "a row without a case", ", line 2: the column 'case' is empty; name the case's folder.")
def study_no_case(case: Path) -> Arguments:
    return study(case, "case,animal\n,1\n")


@bad(STUDY, "a case twice", ": the case 'case' is listed twice; keep one row a case.")
def study_twice(case: Path) -> Arguments:
    return study(case, "case,animal\ncase,1\ncase,2\n")


@bad(
    STUDY,
    "a case twice under two names",
    ": './case' is the folder of another row too; keep one row a case.",
)
def study_twice_renamed(case: Path) -> Arguments:
    return study(case, "case,animal\ncase,1\n./case,2\n")


@bad(STUDY, "saved as UTF-16", "cannot be read as a CSV table in UTF-8 … ; save it as that.")
def study_wide(case: Path) -> Arguments:
    return study(case, "case,animal\ncase,1\n", "utf-16")


@bad(
    STUDY,
    "a NUL character in the table",
    ", line 2: the case's folder holds a NUL character; take it out.",
)
def study_nul(case: Path) -> Arguments:
    return study(case, "case,animal\nca\0se,1\n")


@bad(STUDY, "a column twice", "has the column 'animal' twice; keep one.")
def study_column_twice(case: Path) -> Arguments:
    return study(case, "case,animal,animal\ncase,1,2\n")


@bad(STUDY, "no workers", "--workers should be 1 or more, got 0.", code=2)
def study_no_workers(case: Path) -> Arguments:
    return *study(case, "case\ncase\n"), "--workers", "0"


@bad(
    STUDY,
    "a scheduler that does not answer",
    (
        "No Dask scheduler answers at nonsense://127.0.0.1:9; start one with 'dask "
        "scheduler', or leave the option out to work on this machine."
    ),
    code=2,
)
def study_no_scheduler(case: Path) -> Arguments:
    return *study(case, "case\ncase\n"), "--scheduler", "nonsense://127.0.0.1:9"


@bad(
    "Figure",
    "a panel that is none",
    (
        ": [figure] panels should hold only 'bmode', 'baseline', 'final', 'change', "
        "'section', 'mapped', 'overlap', 'error', 'course', 'agreement', 'threshold', got "
        "'photo'."
    ),
)
def no_panel(case: Path) -> Arguments:
    setting(case, "figure", panels='["photo"]')
    return "figure", case


@bad(
    "Figure",
    "panels too narrow to be read",
    (
        "[figure] 3 columns do not fit into 60 mm: panels would be 0 mm wide, at least 18 "
        "are needed; take fewer columns."
    ),
)
def narrow_panels(case: Path) -> Arguments:
    setting(case, "figure", width_mm="60.0", columns="6", panels='["change", "change", "change"]')
    return "figure", case
