"""What every slide does: levels that share edges, regions, area means, tiles once, lazy arrays."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coreg.errors import FrameError, InputError
from coreg.geometry import Grid
from coreg.sources.slides.base import Slide, level_grids
from coreg.sources.slides.pixel_size import PixelSize


class ArraySlide(Slide):
    """A slide in memory that counts how often each tile is decoded."""

    kind = "array"

    def __init__(self, levels: list[np.ndarray], tile=(32, 48), um=1.0):
        self.data = levels
        self.tile = tile
        self.decoded: dict[tuple[int, int, int], int] = {}
        self.running = self.most = 0
        self.gate = threading.Lock()
        size = PixelSize((um * 1e-3, um * 1e-3), "test")
        super().__init__("array", [a.shape[:2] for a in levels], size, [])

    def tile_shape(self, level):
        return self.tile

    def _decode(self, level, row, column):
        key = (level, row, column)
        with self.gate:
            self.decoded[key] = self.decoded.get(key, 0) + 1
        th, tw = self.tile
        return self.data[level][row * th : (row + 1) * th, column * tw : (column + 1) * tw]

    def _release(self):
        pass


def noise(rows: int, columns: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (rows, columns, 3)).astype(np.uint8)


@pytest.mark.parametrize("full", [(1000, 1301), (1001, 1300), (4097, 777)])
@pytest.mark.parametrize("rounding", [np.floor, np.ceil])
def test_levels_halved_with_either_rounding_share_their_corner(full, rounding):
    shapes = [tuple(int(rounding(n / 2**k)) for n in full) for k in range(5)]
    levels = level_grids(shapes, (0.001, 0.002))
    assert [level.downsample for level in levels] == [1, 2, 4, 8, 16]
    for level in levels:
        assert level.grid.bounds[:2] == pytest.approx((0, 0), abs=1e-12)
        assert level.grid.frame == "slide"


def test_levels_of_odd_ratio():
    levels = level_grids([(1000, 1000), (333, 333), (210, 200)], (1.0, 1.0))
    assert levels[1].downsample == 3
    assert levels[2].grid.spacing == pytest.approx((1000 / 210, 5.0))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 120), st.integers(0, 120), st.integers(-130, 130), st.integers(0, 130))
def test_read_follows_slice_rules(r0, r1, c0, c1):
    data = noise(100, 110)
    with ArraySlide([data]) as slide:
        mine = slide.read(0, slice(r0, r1), slice(c0, c1))
    np.testing.assert_array_equal(mine, data[r0:r1, c0:c1])


def test_unknown_level_and_steps_are_refused():
    with ArraySlide([noise(10, 10)]) as slide:
        with pytest.raises(InputError, match="has levels 0 to 0, got level 1"):
            slide.read(1, slice(None), slice(None))
        with pytest.raises(InputError, match="step 1, got step 2"):
            slide.read(0, slice(None, None, 2), slice(None))


def test_area_mean_at_a_whole_factor_is_the_block_mean():
    data = noise(96, 96)
    with ArraySlide([data]) as slide:
        image = slide.image(0.003)
    blocks = data.reshape(32, 3, 32, 3, 3).mean(axis=(1, 3))
    assert np.abs(image.data - blocks).max() <= 0.5 + 1e-4
    assert image.grid == slide.levels[0].grid.with_spacing(0.003)


def test_area_mean_at_any_factor_keeps_the_weights():
    """Against a brute-force mean: each source pixel cut in 20, so edges fall on cuts."""
    data = noise(50, 70)
    fine = np.repeat(np.repeat(data, 20, axis=0), 20, axis=1).astype(float)
    with ArraySlide([data]) as slide:
        grid = Grid((12, 15), (0.00305, 0.0042), (0.004, 0.0031), "slide")
        image = slide.image(0.0, grid)
    for i, j in [(0, 0), (3, 7), (11, 14), (5, 2)]:
        top, left = (
            (grid.origin[0] + (i - 0.5) * 0.00305) * 1000 * 20,
            (grid.origin[1] + (j - 0.5) * 0.0042) * 1000 * 20,
        )
        block = fine[round(top) : round(top + 61), round(left) : round(left + 84)]
        assert np.abs(image.data[i, j] - block.mean(axis=(0, 1))).max() < 2.5


def test_area_means_preserve_the_total():
    data = noise(200, 200)
    with ArraySlide([data]) as slide:
        image = slide.image(0.0077)
        assert slide.image(0.001).data is not None
    inner = image.data[:25, :25].astype(float).mean()
    assert inner == pytest.approx(data[:192, :192].mean(), abs=0.6)


def test_outside_the_slide_is_white():
    with ArraySlide([np.zeros((20, 20, 3), np.uint8)]) as slide:
        image = slide.image(0.0, Grid((4, 4), (0.01, 0.01), (-0.005, 0.005), "slide"))
    assert image.data[0].min() == 255
    assert image.data[1, :2].max() == 0
    assert image.data[1, 2:].min() == 255


def test_a_plane_grid_is_refused():
    with (
        ArraySlide([noise(10, 10)]) as slide,
        pytest.raises(FrameError, match="Expected a grid in slide mm"),
    ):
        slide.image(0.0, Grid((4, 4), (0.01, 0.01)))


def test_each_tile_is_decoded_once_a_pass():
    with ArraySlide([noise(300, 400)], tile=(32, 48)) as slide:
        image = slide.image(0.0037)
        assert image.data.shape[:2] == (82, 109)
        assert set(slide.decoded.values()) == {1}
        assert len(slide.decoded) == 10 * 9
        slide.decoded.clear()
        joined = np.zeros((300, 400, 3), np.uint8)
        for tile in slide.tiles(0):
            joined[tile.rows, tile.columns] = tile.data
        np.testing.assert_array_equal(joined, slide.data[0])
        assert set(slide.decoded.values()) == {1}


def test_the_coarsest_level_that_is_fine_enough_is_read():
    full = noise(256, 256)
    with ArraySlide([full, full[::2, ::2], full[::4, ::4]]) as slide:
        assert [slide.level_for(s) for s in (0.0005, 0.001, 0.0019, 0.002, 0.1)] == [0, 0, 0, 1, 2]
        slide.image(0.0045)
        assert {key[0] for key in slide.decoded} == {2}


def test_a_second_read_comes_from_the_kept_tiles():
    with ArraySlide([noise(100, 100)]) as slide:
        slide.read(0, slice(0, 50), slice(0, 50))
        slide.read(0, slice(0, 40), slice(10, 50))
        assert set(slide.decoded.values()) == {1}


def test_thumbnail_and_progress():
    seen = []
    with ArraySlide([noise(300, 150)]) as slide:
        assert max(slide.thumbnail(60).data.shape) == 60
        assert slide.thumbnail(5000).data.shape == (300, 150, 3)
        slide.image(0.005, progress=lambda share, text: seen.append(share))
        with pytest.raises(InputError, match="at least 1 pixel"):
            slide.thumbnail(0)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0


def test_an_error_raised_by_progress_stops_the_pass():
    from coreg.errors import Cancelled

    def stop(share, text):
        raise Cancelled("stopped")

    with ArraySlide([noise(300, 300)]) as slide:
        with pytest.raises(Cancelled, match="stopped"):
            slide.image(0.005, progress=stop)
        assert sum(slide.decoded.values()) < 70


INDICES = [
    (slice(5, 50, 3), slice(-4, None), 1),
    (3, 4),
    (Ellipsis, 2),
    (slice(None), 7),
    (np.array([4, 2, 9]), slice(0, 5)),
    (-1,),
    (slice(None, None, -1), slice(3, 9)),
    (slice(4, 4), slice(None)),
]


@pytest.mark.parametrize("key", INDICES, ids=str)
def test_lazy_levels_slice_like_arrays(key):
    data = noise(60, 70)
    with ArraySlide([data]) as slide:
        (array,) = slide.multiscale()
        np.testing.assert_array_equal(array[key], data[key])
        assert array.shape == data.shape
        np.testing.assert_array_equal(np.asarray(array), data)


def test_lazy_level_out_of_range():
    with ArraySlide([noise(10, 10)]) as slide, pytest.raises(IndexError, match="out of range"):
        slide.multiscale()[0][10]


def test_a_slide_without_coarse_levels_gets_an_overview():
    data = np.zeros((40, 5000, 3), np.uint8)
    with ArraySlide([data], tile=(40, 500)) as slide:
        arrays = slide.multiscale()
        assert [a.shape for a in arrays] == [(40, 5000, 3), (17, 2048, 3)]
        assert arrays[1][:, :10].shape == (17, 10, 3)
        arrays[1][0, 0]
        assert set(slide.decoded.values()) == {1}
