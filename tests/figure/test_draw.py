"""What a drawn figure looks like, measured on the artists."""

from __future__ import annotations

import dataclasses
import functools
import itertools

import matplotlib
import numpy as np
import pytest
from invented_results import PLANE, invented_case, invented_study
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.image import AxesImage
from matplotlib.text import Text

from coreg.errors import FrameError, InputError
from coreg.figure import PANELS, Course, Layout, ThresholdCurve, draw, draw_strips, legend
from coreg.geometry import Image

ALL = tuple(name for name, panel in PANELS.items() if not panel.study)


@pytest.fixture(scope="module")
def case():
    return invented_case()


def renderer(figure):
    return FigureCanvasAgg(figure).get_renderer()


def texts(figure):
    return [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]


def shown_texts(figure):
    """Texts on the page with their boxes; matplotlib keeps tick labels beyond an axis' limits but
    does not draw them."""
    canvas = renderer(figure)
    figure.draw(canvas)
    unseen = {id(label) for ax in figure.axes for label in _beyond_limits(ax)}
    found = [(t, t.get_window_extent(canvas)) for t in texts(figure) if id(t) not in unseen]
    return [(text, box) for text, box in found if box.width > 0]


def _beyond_limits(ax):
    for axis in (ax.xaxis, ax.yaxis):
        low, high = sorted(axis.get_view_interval())
        for tick in axis.get_major_ticks():
            if not low - 1e-9 <= tick.get_loc() <= high + 1e-9:
                yield from (tick.label1, tick.label2)


def test_default_has_the_four_panels_with_letters(case):
    figure = draw(case)
    names = [ax.get_label() for ax in figure.axes]
    assert [n for n in names if n in PANELS] == ["bmode", "change", "section", "mapped"]
    assert [t.get_text() for t in figure.texts if t.get_weight() == "bold"] == list("ABCD")


@pytest.mark.parametrize(
    "layout",
    [
        Layout(),
        Layout(ALL, 3),
        Layout(("change", "mapped"), 1, 85.0),
        Layout(ALL, 4, 180.0, "a", "lesion"),
    ],
    ids=["default", "all", "one column", "all, close-up"],
)
class TestEveryLayout:
    @staticmethod
    @functools.cache
    def drawn(layout):
        return draw(invented_case(), layout)

    def test_width_is_that_of_print(self, layout):
        assert self.drawn(layout).get_figwidth() * 25.4 == pytest.approx(layout.width_mm)

    def test_no_text_is_smaller_than_6_pt(self, layout):
        assert min(t.get_fontsize() for t in texts(self.drawn(layout))) >= 6.0

    def test_all_text_lies_on_the_page_and_none_on_another(self, layout):
        figure = self.drawn(layout)
        boxes = shown_texts(figure)
        page = figure.bbox
        for text, box in boxes:
            assert box.x0 >= 0, text
            assert box.x1 <= page.x1, text
            assert box.y0 >= 0, text
            assert box.y1 <= page.y1, text
        for (first, a), (second, b) in itertools.combinations(boxes, 2):
            width = min(a.x1, b.x1) - max(a.x0, b.x0)
            height = min(a.y1, b.y1) - max(a.y0, b.y0)
            assert width < 1 or height < 1, f"{first.get_text()!r} over {second.get_text()!r}"

    def test_every_image_keeps_its_shape_and_has_a_scale_bar(self, layout):
        figure = self.drawn(layout)
        for ax in figure.axes:
            if ax.get_label() not in PANELS or not PANELS[ax.get_label()].image:
                continue
            box = ax.get_window_extent()
            (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
            assert box.width / (right - left) == pytest.approx(
                box.height / (bottom - top), rel=1e-6
            )
            labels = [t.get_text() for t in ax.findobj(Text) if t.get_text().endswith("mm")]
            assert labels, ax.get_label()


def test_change_has_a_range_symmetric_about_zero_and_holds_the_lesion(case):
    figure = draw(case, Layout(("change",), 1))
    image = next(iter(figure.findobj(AxesImage)))
    low, high = image.get_clim()
    assert low == -high
    assert high >= 55  # the invented lesion's depth


def test_images_lie_where_their_grid_says(case):
    """A hot pixel is drawn at its own depth and lateral position."""
    data = np.zeros(PLANE.shape)
    data[20, 70] = -50.0
    figure = draw(
        dataclasses.replace(case, change_percent=Image(data, PLANE), predicted=()),
        Layout(("change",), 1),
    )
    ax = next(a for a in figure.axes if a.get_label() == "change")
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[..., :3].astype(int)
    x, y = ax.transData.transform((PLANE.columns[70], PLANE.rows[20]))
    row = pixels.shape[0] - 1 - int(y)
    there = pixels[row, int(x)]
    beside = pixels[row, int(x) + 12]
    assert there[2] > there[0] + 60, "blue, for stiffer"
    assert np.ptp(beside) < 12, "near white, for no change"


def test_amplitude_maps_share_one_range(case):
    figure = draw(case, Layout(("baseline", "final"), 2))
    ranges = {
        image.get_clim() for image in figure.findobj(AxesImage) if image.axes.get_label() in PANELS
    }
    assert len(ranges) == 1


def test_outlines_are_told_apart_without_colour():
    """Every pair of zones differs in dashes or at least 1.5-fold in width."""
    from coreg.figure.style import OUTLINES

    for a, b in itertools.combinations(OUTLINES.values(), 2):
        widths = sorted((a.width_pt, b.width_pt))
        assert a.dashes != b.dashes or widths[1] >= 1.5 * widths[0], (a.label, b.label)


def test_lesion_view_shows_the_lesions_and_a_margin(case):
    figure = draw(case, Layout(("mapped",), 1, 85.0, "A", "lesion"))
    ax = next(a for a in figure.axes if a.get_label() == "mapped")
    left, right = ax.get_xlim()
    points = np.concatenate(
        [o.exterior for o in (*case.predicted, *case.pathology) if o.zone != "tumour"]
    )
    assert left < points[:, 1].min() - 1
    assert right > points[:, 1].max() + 1
    assert right - left < PLANE.size[1] * 0.8


def test_what_is_missing_is_left_out_of_the_default(case):
    figure = draw(dataclasses.replace(case, bmode=None, section=None, section_outlines=()))
    assert [a.get_label() for a in figure.axes if a.get_label() in PANELS] == ["change", "mapped"]


def test_a_panel_asked_for_without_data_is_refused(case):
    with pytest.raises(InputError, match=r"'course' cannot be drawn .* needs maps over treatment"):
        draw(dataclasses.replace(case, course=None), Layout(("course",)))


def test_an_unknown_panel_is_refused():
    with pytest.raises(InputError, match="'bmod' is not a panel; known are bmode"):
        Layout(("bmod",))


def test_too_many_columns_are_refused(case):
    with pytest.raises(InputError, match=r"4 columns do not fit into 85 mm"):
        draw(case, Layout(ALL, 4, 85.0))


def test_nothing_to_draw_is_refused():
    from coreg.figure import FigureData

    with pytest.raises(InputError, match="nothing to draw for 'empty'"):
        draw(FigureData("empty"))


def test_frames_are_not_mixed(case):
    with pytest.raises(FrameError, match="predicted should be in plane mm, got slide mm"):
        dataclasses.replace(case, predicted=case.section_outlines)


def test_maps_without_any_value_are_drawn(case):
    nothing = Image(np.full(PLANE.shape, np.nan), PLANE)
    empty = dataclasses.replace(
        case, change_percent=nothing, baseline=nothing, final=nothing, error_mm=nothing
    )
    draw(empty, Layout(("change", "baseline", "error"), 3))


def test_study_has_its_panels_and_says_how_many(case):
    figure = draw(invented_study(), Layout(columns=3))
    names = [ax.get_label() for ax in figure.axes]
    assert names == ["regression", "bland-altman", "per-case"]
    assert "n = 12 cases of 6 animals" in {t.get_text() for t in figure.texts}


def test_matplotlib_settings_of_the_user_neither_matter_nor_change(case):
    before = dict(matplotlib.rcParams)
    with matplotlib.rc_context({"font.size": 30.0, "axes.facecolor": "red"}):
        figure = draw(case, Layout(("agreement",), 1))
        assert matplotlib.rcParams["font.size"] == 30.0
    assert max(t.get_fontsize() for t in texts(figure)) < 12
    assert dict(matplotlib.rcParams) == before


def test_schema_offers_the_panels_of_a_case():
    from coreg.schema import SCHEMA

    assert SCHEMA["figure"]["panels"].choices == ALL


def test_noise_outside_the_region_of_validity_does_not_set_the_range(case):
    """Where little moves, the relative change is all noise."""
    noisy = case.change_percent.data.copy()
    noisy[~case.valid] = 900.0
    figure = draw(
        dataclasses.replace(case, change_percent=Image(noisy, PLANE)), Layout(("change",), 1)
    )
    assert next(iter(figure.findobj(AxesImage))).get_clim() == (-60.0, 60.0)


def test_change_is_shown_to_100_percent_at_most(case):
    wild = Image(np.where(case.valid, 900.0, np.nan), PLANE)
    figure = draw(dataclasses.replace(case, change_percent=wild), Layout(("change",), 1))
    assert next(iter(figure.findobj(AxesImage))).get_clim() == (-100.0, 100.0)


def test_strips_show_every_case_in_its_own_row(case):
    cases = [dataclasses.replace(case, name=f"rabbit {i}") for i in range(3)]
    cases[1] = dataclasses.replace(cases[1], bmode=None)
    figure = draw_strips(cases)
    panels = [ax for ax in figure.axes if ax.get_label() in PANELS]
    assert [ax.get_label() for ax in panels] == ["change", "mapped", "overlap"] * 3
    tops = [round(ax.get_position().y1, 3) for ax in panels]
    assert tops[0] == tops[1] == tops[2] > tops[3] == tops[4] == tops[5] > tops[6] == tops[8]
    written = {t.get_text() for t in figure.texts}
    assert {"rabbit 0", "rabbit 1", "rabbit 2"} <= written
    assert min(t.get_fontsize() for t in texts(figure)) >= 6


def test_a_name_longer_than_its_panel_is_cut(case):
    long = dataclasses.replace(case, name="a very long name of a case " * 5)
    figure = draw_strips([long], Layout(("change", "mapped"), width_mm=100.0))
    (title,) = [t for t in figure.texts if t.get_text().startswith("a very")]
    assert title.get_text().endswith("…")
    canvas = renderer(figure)
    assert title.get_window_extent(canvas).x1 <= figure.bbox.x1 / 2


def test_strips_of_no_case_are_refused():
    with pytest.raises(InputError, match="needs at least one case"):
        draw_strips([])


def test_animals_are_told_apart_without_colour_and_beyond_twelve():
    from coreg.figure.study_plots import _look

    study = invented_study()
    many = dataclasses.replace(
        study,
        cases=study.cases * 3,
        animals=tuple(f"animal {i}" for i in range(36)),
        predicted=np.tile(study.predicted, 3),
        pathology=np.tile(study.pathology, 3),
        per_case={},
    )
    looks = [_look(many, i) for i in range(36)]
    assert len(set(looks)) == 36
    assert len({marker for _, marker in looks[:12]}) == 12


def test_every_case_of_a_large_study_has_room_for_its_name():
    study = invented_study()
    large = dataclasses.replace(
        study,
        cases=tuple(f"case {i}" for i in range(60)),
        animals=study.animals * 5,
        predicted=np.tile(study.predicted, 5),
        pathology=np.tile(study.pathology, 5),
        per_case={"dice": study.per_case["dice"] * 5},
    )
    boxes = [
        box
        for text, box in shown_texts(draw(large, Layout(columns=3)))
        if text.get_text().startswith("case ")
    ]
    assert len(boxes) == 60
    for a, b in itertools.pairwise(sorted(boxes, key=lambda box: box.y0)):
        assert b.y0 >= a.y1 - 0.5 or b.x0 > a.x1 or a.x0 > b.x1


def test_a_case_without_any_lesion_is_drawn_and_described(case):
    none = {"value": None, "low": None, "high": None}
    empty = dataclasses.replace(
        case,
        predicted=(),
        pathology=(),
        section_outlines=(),
        agreement={"ablated": {"dice": none, "hd95_mm": none}},
        focus_mm=None,
    )
    figure = draw(empty, Layout(("bmode", "change", "mapped", "agreement"), 2, view="lesion"))
    assert "no value" in {t.get_text() for t in texts(figure)}
    assert "Dice no value" in legend(empty)


def test_series_without_any_value_are_drawn(case):
    nothing = np.full(4, np.nan)
    draw(
        dataclasses.replace(
            case,
            course=Course(np.arange(4.0), nothing, nothing, nothing),
            threshold_curves=(ThresholdCurve("ablated", np.arange(4.0), nothing),),
        ),
        Layout(("course", "threshold"), 2),
    )


def test_a_study_without_any_pair_is_drawn():
    study = invented_study()
    nothing = np.full(12, np.nan)
    empty = dataclasses.replace(study, predicted=nothing, pathology=nothing)
    figure = draw(empty, Layout(columns=3))
    assert "n = 0 cases of 0 animals" in {t.get_text() for t in figure.texts}


def test_names_are_shown_as_they_are_written(case):
    """No formula is read into dollar signs, and an unfinished one is no error."""
    odd = dataclasses.replace(case, name="rabbit $x_1$ \\frac{ $")
    figure = draw_strips([odd], Layout(("change",), width_mm=120.0))
    figure.draw(renderer(figure))
    assert "rabbit $x_1$ \\frac{ $" in {t.get_text() for t in figure.texts}


def test_layout_of_a_case_file():
    from coreg.schema import check_settings

    settings = check_settings(
        {"figure": {"panels": ["change", "overlap"], "columns": 1, "width_mm": 85.0, "letters": ""}}
    )
    layout = Layout.from_settings(settings["figure"])
    assert layout == Layout(("change", "overlap"), 1, 85.0, "", "plane")
    assert Layout.from_settings(check_settings({})["figure"]) == Layout()
