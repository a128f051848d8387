"""Landmark files: exact round trip, and one clear sentence for each thing that can be wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from coreg.errors import InputError
from coreg.landmark_pairs import LandmarkPairs
from coreg.sources.landmarks import read_landmarks, write_landmarks

HEADER = "name,plane_depth_mm,plane_lateral_mm,slide_y_mm,slide_x_mm,observer\n"


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "landmarks.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_coordinates_come_back_exactly(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    pairs = LandmarkPairs(
        rng.normal(size=(3, 2)),
        rng.normal(size=(3, 2)),
        ('vessel, "deep"', "capsule", "sinus é"),
        ("A", "", "B"),
        np.array([0.2, np.nan, 0.4]),
    )
    write_landmarks(tmp_path / "landmarks.csv", pairs)
    back = read_landmarks(tmp_path / "landmarks.csv")
    assert np.array_equal(back.plane, pairs.plane)
    assert np.array_equal(back.slide, pairs.slide)
    assert back.names == pairs.names
    assert back.observers == pairs.observers
    assert np.array_equal(back.sd_mm, pairs.sd_mm, equal_nan=True)
    assert [p.name for p in tmp_path.iterdir()] == ["landmarks.csv"]


def test_semicolons_allow_decimal_commas_and_a_byte_order_mark(tmp_path: Path) -> None:
    text = "\ufeff" + HEADER.replace(",", ";") + "capsule;1,5;-2,25;3;4;A\n\n"
    pairs = read_landmarks(write(tmp_path, text))
    assert np.array_equal(pairs.plane, [[1.5, -2.25]])


def test_a_header_alone_is_an_empty_set(tmp_path: Path) -> None:
    assert len(read_landmarks(write(tmp_path, HEADER))) == 0


def test_two_observers_may_mark_one_structure(tmp_path: Path) -> None:
    pairs = read_landmarks(write(tmp_path, HEADER + "a,1,2,3,4,A\na,1.1,2,3,4,B\n"))
    assert pairs.observers == ("A", "B")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty; its first line should read name,plane_depth_mm"),
        (HEADER + "a,1,2,3,4,A\na,5,6,7,8,A\n", r"line 3: landmark 'a' by A is already on line 2"),
        (HEADER + "a,1,5,2,5,3,4,A\n", r"line 2: expected 6 columns .* got 8 \(decimal commas"),
        (HEADER + 'a,"1,5",2,3,4,A\n', "line 2: plane_depth_mm '1,5' .* write decimals with a po"),
        (HEADER + "a,1,x,3,4,A\n", "line 2: plane_lateral_mm 'x' is not a number"),
        (HEADER + "a,1,nan,3,4,A\n", "line 2: plane_lateral_mm 'nan' is not a number"),
        (HEADER + ",1,2,3,4,A\n", "line 2: the landmark has no name"),
        (HEADER + "a,1,2,3,4\n", "line 2: expected 6 columns as in the header, got 5"),
        ("name,plane_depth_mm,slide_y_mm,slide_x_mm\n", "column 'plane_lateral_mm' is missing"),
        (HEADER.strip() + ",note\n", "column 'note' is not known"),
        (HEADER.strip() + ",sd_mm\na,1,2,3,4,A,0\n", "line 2: sd_mm '0' should be above 0"),
        ((HEADER + "a,1,2,3,4,é\n").encode("latin-1"), "line 2: the text is not UTF-8"),
        (HEADER.encode("utf-16"), "is not UTF-8"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(
    tmp_path: Path, text: str | bytes, message: str
) -> None:
    with pytest.raises(InputError, match=message):
        read_landmarks(write(tmp_path, text))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"landmarks.csv cannot be read"):
        read_landmarks(tmp_path / "landmarks.csv")
