"""Displacement: step through treatment, move the threshold and see the predicted lesion follow."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QComboBox, QLabel, QSlider, QWidget

from coreg.geometry import Outline
from coreg_napari import scene
from coreg_napari.compat import show_colour_bar, write_on_canvas
from coreg_napari.forms import SettingsForm
from coreg_napari.layers import change_layer, contour_layer, trusted
from coreg_napari.maps import Maps, read_maps
from coreg_napari.widgets import Fold, Picture, button, column, note, row

if TYPE_CHECKING:
    from coreg.displacement import PredictedLesion
    from coreg_napari.desk import Desk

# The slider moves in tenths of a per cent.
TENTHS = 10
SHOWN = {"change (%)": "change", "baseline (µm)": "baseline (µm)", "final (µm)": "final (µm)"}

UNITS = {
    "change (%)": "change of amplitude (% of baseline)",
    "baseline (µm)": "amplitude at baseline (µm peak to peak)",
    "final (µm)": "amplitude at the end (µm peak to peak)",
}


class DisplacementPage(QWidget):
    """The page of the step "predict"."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.maps: Maps | None = None
        self.shown = QComboBox()
        self.shown.addItems(list(SHOWN))
        self.shown.setToolTip("Which map lies over the B-mode.")
        self.shown.currentTextChanged.connect(self._show_map)
        self.time = QSlider(Qt.Orientation.Horizontal)
        self.time.setToolTip("Step through the treatment (keys , and .).")
        self.time.valueChanged.connect(self._show_time)
        self.when = QLabel("")
        self.threshold = QSlider(Qt.Orientation.Horizontal)
        self.threshold.setRange(-99 * TENTHS, -1 * TENTHS)
        self.threshold.setToolTip(
            "Change from which a pixel counts as lesion; further left is stricter (keys K and "
            "Shift + K). Saved to the case when you let go."
        )
        self.threshold.valueChanged.connect(self._threshold_moved)
        self.threshold.sliderReleased.connect(self._keep_threshold)
        self.limit = QLabel("")
        self.area = note("")
        self.plot = Picture("The course is drawn when the step is done.")
        self.region = QComboBox()
        self.region.addItems(["predicted lesion", "pathology: ablated", "chosen outline"])
        self.region.setToolTip("Inside which outline the course is followed.")
        self.region.currentTextChanged.connect(lambda text: self._follow())
        column(
            row(QLabel("Map"), self.shown, stretch=True),
            row(QLabel("Time"), self.time, self.when),
            row(QLabel("Threshold"), self.threshold, self.limit),
            self.area,
            row(
                QLabel("Course in"),
                self.region,
                button("Draw", self._follow, "Draw it again."),
                stretch=True,
            ),
            self.plot,
            Fold("How the lesion is predicted", SettingsForm(desk, "predict")),
            into=self,
        )
        desk.opened.connect(self._load)
        desk.results_changed.connect(self._load)
        desk.settings_changed.connect(self._settings)
        self.setEnabled(False)

    def key_actions(self) -> dict[str, Callable[[], Any]]:
        """What the keyboard does here."""
        return {
            "earlier": lambda: self.time.setValue(self.time.value() - 1),
            "later": lambda: self.time.setValue(self.time.value() + 1),
            "stricter": lambda: self._step_threshold(-TENTHS),
            "laxer": lambda: self._step_threshold(TENTHS),
        }

    def entered(self) -> None:
        """Show what this step is about."""
        self._show_map(self.shown.currentText())

    # --- reading -----------------------------------------------------

    def _load(self) -> None:
        from coreg.case import open_case

        folder = self.desk.case.folder

        def work(progress: Any) -> Maps | None:
            return read_maps(open_case(folder))

        self.desk.jobs.run("Reading the maps", work, self._loaded, key="maps", quiet=True)

    def _loaded(self, maps: Maps | None) -> None:
        self.maps = maps
        self.setEnabled(self.desk.store is not None)
        for widget in (self.time, self.threshold, self.region):
            widget.setEnabled(maps is not None)
        if maps is None:
            self.area.setText("Run this step to see where displacement fell.")
            self.when.setText("")
            return
        self.time.blockSignals(True)
        self.time.setRange(0, len(maps.series_percent) - 1)
        self.time.setValue(len(maps.series_percent) - 1)
        self.time.blockSignals(False)
        self.desk.jobs.each(
            [self._put_change, lambda: self._show_time(self.time.value()), self._settings],
            lambda: self.desk.jobs.each(self._colour_bars(), self._follow),
        )

    def _put_change(self) -> None:
        if self.maps is not None and scene.find(self.desk.plane, "change") is None:
            shown = trusted(self.maps.change.percent, self.maps.valid)
            scene.put(self.desk.plane, change_layer(shown, self.maps.grid))

    def _settings(self) -> None:
        """Take over what the case says now."""
        if self.maps is None or self.desk.store is None:
            return
        from dataclasses import replace

        from coreg.steps.predict import lesion_options

        self.maps = replace(self.maps, options=lesion_options(self.desk.case))
        fixed = self.maps.options.rule == "threshold"
        self.threshold.setEnabled(fixed)
        self.threshold.blockSignals(True)
        self.threshold.setValue(round(self.maps.options.threshold_percent * TENTHS))
        self.threshold.blockSignals(False)
        self._live()

    # --- showing -----------------------------------------------------

    def left(self) -> None:
        """Another page was chosen: its maps have other units."""
        write_on_canvas(self.desk.plane, "")

    def _show_map(self, name: str) -> None:
        chosen = SHOWN.get(name, name)
        write_on_canvas(self.desk.plane, UNITS.get(name, ""))
        for layer in self.desk.plane.layers:
            role = layer.metadata.get("coreg", {}).get("role")
            if role in ("change", "amplitude"):
                layer.visible = role == chosen or layer.name == chosen

    def _colour_bars(self) -> list[Callable[[], None]]:
        """What shows the colour bars: one an act, for napari is slow to make one."""
        return [
            partial(show_colour_bar, layer)
            for layer in self.desk.plane.layers
            if layer.metadata.get("coreg", {}).get("role") in ("change", "amplitude", "error")
        ]

    def _show_time(self, index: int) -> None:
        layer = scene.find(self.desk.plane, "change")
        if self.maps is None or layer is None:
            return
        layer.data = trusted(self.maps.series_percent[index], self.maps.valid)
        self.when.setText(f"{self.maps.times_s[index]:.0f} s")

    def _step_threshold(self, by: int) -> None:
        if self.threshold.isEnabled():
            self.threshold.setValue(self.threshold.value() + by)
            self._keep_threshold()

    def _threshold_moved(self, value: int) -> None:
        self.limit.setText(f"{value / TENTHS:.1f} %")
        self._live()
        if not self.threshold.isSliderDown():
            self._keep_threshold()

    def _live(self) -> None:
        """The contour and its area at the slider's threshold; the latest position wins."""
        maps = self.maps
        if maps is None:
            return
        fixed = maps.options.rule == "threshold"
        value = self.threshold.value() / TENTHS if fixed else None
        self.limit.setText(f"{value:.1f} %" if value is not None else maps.options.rule)

        def work(progress: Any) -> PredictedLesion:
            return maps.lesion(value)

        self.desk.jobs.run("Predicting", work, self._show_lesion, key="lesion", quiet=True)

    def _show_lesion(self, lesion: PredictedLesion) -> None:
        made = contour_layer(lesion.outlines, "plane", "predicted lesion", "predicted")
        layer = scene.find(self.desk.plane, "predicted")
        if layer is None:
            scene.put(self.desk.plane, made)
        else:
            scene.replace_contours(layer, made)
        if lesion.mask.any():
            self.area.setText(
                f"<b>{lesion.area:.1f} mm²</b> predicted, where the amplitude fell by "
                f"{-lesion.threshold_percent:.1f} % or more."
            )
        else:
            self.area.setText(lesion.reason)

    def _keep_threshold(self) -> None:
        if self.maps is None or self.maps.options.rule != "threshold":
            return
        value = self.threshold.value() / TENTHS
        if value != self.maps.options.threshold_percent:
            self.desk.change("predict", threshold_percent=value)

    # --- course -----------------------------------------------------

    def _follow(self) -> None:
        maps = self.maps
        if maps is None or len(maps.series_percent) < 2:
            self.plot.say("There is one map only, so no course to follow.")
            return
        chosen = self.region.currentText()
        region = self._region(chosen)
        if not region and chosen != "predicted lesion":
            self.plot.say(
                "Select an outline on the imaging plane first (any shapes layer)."
                if chosen == "chosen outline"
                else "The pathology lies on the plane once the agreement is done."
            )
            return

        def work(progress: Any) -> np.ndarray | str:
            from coreg_napari.plots import panel

            inside = region or list(maps.lesion().outlines)
            if not inside:
                return "There is no predicted lesion to follow."
            return panel(maps.course(chosen, inside), "course")

        def show(drawn: np.ndarray | str) -> None:
            if isinstance(drawn, str):
                self.plot.say(drawn)
            else:
                self.plot.show_array(drawn)

        self.desk.jobs.run("Following the course", work, show, key="course", quiet=True)

    def _region(self, chosen: str) -> list[Outline]:
        """The outlines to follow the change in; [] for the predicted lesion, which is computed."""
        from coreg_napari.layers import layer_outlines

        if chosen == "predicted lesion":
            return []
        if chosen == "pathology: ablated":
            layer = scene.find(self.desk.plane, "pathology")
            if layer is None:
                return []
            drawn = layer_outlines(layer.data, layer.features, "plane")
            return [outline for outline in drawn if outline.zone == "ablated"]
        active = self.desk.plane.layers.selection.active
        if active is None or not hasattr(active, "shape_type"):
            return []
        index = sorted(active.selected_data) or range(len(active.data))
        rings = [np.array([active.data_to_world(p)[-2:] for p in active.data[i]]) for i in index]
        return [Outline(ring, "plane") for ring in rings if len(ring) >= 3]
