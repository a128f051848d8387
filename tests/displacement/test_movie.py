"""Movie and plot of a course."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from invented_course import GRID, circle, growing_lesion

from coreg.displacement import save_course_plot, save_movie
from coreg.errors import Cancelled, InputError
from coreg.geometry import Grid

TIMES = np.arange(0.0, 80.0, 20.0)


def maps():
    return growing_lesion(TIMES).percent


def test_gif_holds_a_frame_for_each_time_and_they_differ(tmp_path):
    from PIL import Image

    outlines = [[circle(1 + i)] for i in range(4)]
    path = save_movie(tmp_path / "m.gif", maps(), TIMES, GRID, outlines=outlines)
    with Image.open(path) as movie:
        assert movie.n_frames == 4
        assert movie.info["duration"] == 250
        first = np.asarray(movie.convert("RGB")).astype(int)
        movie.seek(3)
        last = np.asarray(movie.convert("RGB")).astype(int)
    assert (np.abs(first - last).sum(axis=2) > 60).mean() > 0.02
    assert [p.name for p in tmp_path.iterdir()] == ["m.gif"]


def test_mp4_hands_every_frame_to_ffmpeg(tmp_path, monkeypatch):
    """A stand-in for ffmpeg keeps what is piped to it: 4 frames of raw colour of equal size."""
    program = tmp_path / "bin" / "ffmpeg"
    program.parent.mkdir()
    program.write_text('#!/bin/sh\nfor last; do :; done\ncat > "$last"\n')
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(program.parent), prepend=":")
    path = save_movie(tmp_path / "m.mp4", maps(), TIMES, GRID)
    size = path.stat().st_size
    assert size > 1_000_000
    assert size % 16 == 0
    frames = np.fromfile(path, np.uint8).reshape(4, -1)
    assert (frames[0] != frames[3]).mean() > 0.02


def test_a_stopped_movie_leaves_nothing(tmp_path):
    def stop(fraction, text):
        if fraction > 0.4:
            raise Cancelled("stopped")

    with pytest.raises(Cancelled, match="stopped"):
        save_movie(tmp_path / "m.gif", maps(), TIMES, GRID, progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_misuse(tmp_path, monkeypatch):
    with pytest.raises(InputError, match=r"as .gif or .mp4"):
        save_movie(tmp_path / "m.avi", maps(), TIMES, GRID)
    with pytest.raises(InputError, match="maps of shape"):
        save_movie(tmp_path / "m.gif", maps(), TIMES, Grid((2, 2), (1, 1)))
    with pytest.raises(InputError, match="no folder"):
        save_movie(tmp_path / "none" / "m.gif", maps(), TIMES, GRID)
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(InputError, match="needs the program ffmpeg"):
        save_movie(tmp_path / "m.mp4", maps(), TIMES, GRID)


def test_plot_is_written(tmp_path):
    from coreg.displacement import course

    times = np.arange(0.0, 90.0, 6.0)
    found = course(growing_lesion(times), times, [circle(2.0)], GRID)
    path = save_course_plot(tmp_path / "course.png", found)
    assert path.read_bytes()[:4] == b"\x89PNG"
    with pytest.raises(InputError, match=r"as .png, .pdf or .svg"):
        save_course_plot(tmp_path / "course.txt", found)
