"""Agreement: the table with its intervals, the overlap on the plane, the threshold's curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)

from coreg_napari import scene
from coreg_napari.colours import OVERLAP_COLOURS, OVERLAP_NAMES
from coreg_napari.forms import SettingsForm
from coreg_napari.layers import LayerData, overlap_layer
from coreg_napari.widgets import Fold, Picture, column, note, row

if TYPE_CHECKING:
    from coreg.case import Case
    from coreg_napari.desk import Desk


@dataclass(frozen=True)
class Agreed:
    """What the page shows of a finished step.

    zones : zone → measure → {"value", "low", "high"}
    overlaps : zone → layer
    plot : uint8 (rows, columns, 4)
    remarks : sentences
    """

    zones: dict[str, dict[str, dict[str, Any]]]
    overlaps: dict[str, LayerData]
    plot: np.ndarray
    remarks: tuple[str, ...]


class AgreementPage(QWidget):
    """The page of the step "agree"."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.agreed: Agreed | None = None
        self.table = QTableWidget(0, 0)
        self.table.setMinimumHeight(300)
        self.table.setWordWrap(True)
        self.table.setToolTip("Values with their 95 % intervals.")
        self.remarks = note("")
        self.overlap = QCheckBox("Overlap on the plane:")
        self.overlap.setToolTip("Colour where prediction and pathology agree and where not.")
        self.overlap.toggled.connect(lambda on: self._show_overlap())
        self.zone = QComboBox()
        self.zone.setToolTip("Against which pathology lesion.")
        self.zone.currentTextChanged.connect(lambda text: self._show_overlap())
        key = " &nbsp; ".join(
            f"<span style='color:{OVERLAP_COLOURS[n]}'>■</span> {name}"
            for n, name in OVERLAP_NAMES.items()
        )
        self.plot = Picture("The curves are drawn when the step is done.")
        column(
            self.table,
            self.remarks,
            row(self.overlap, self.zone, stretch=True),
            note(key),
            self.plot,
            Fold("How agreement is judged", SettingsForm(desk, "agree")),
            into=self,
        )
        desk.opened.connect(self._load)
        desk.results_changed.connect(self._load)

    def entered(self) -> None:
        """Show the overlap as this page is opened."""
        if self.agreed is not None:
            self.overlap.setChecked(True)

    def left(self) -> None:
        """Take the overlap off the plane for the other pages."""
        self.overlap.setChecked(False)

    def _load(self) -> None:
        from coreg.case import open_case

        folder = self.desk.case.folder
        self.desk.jobs.run(
            "Reading the agreement",
            lambda progress: read_agreement(open_case(folder)),
            self._show,
            key="agreement",
            quiet=True,
        )

    def _show(self, agreed: Agreed | None) -> None:
        from coreg.figure.words import MEASURE_WORDS, measure_name, with_interval

        self.agreed = agreed
        if agreed is None:
            self.table.setRowCount(0)
            self.plot.say("Run this step to compare prediction and pathology.")
            self.remarks.setText("")
            return
        zones = list(agreed.zones)
        known = agreed.zones[zones[0]]
        measures = [name for name in MEASURE_WORDS if name in known]
        measures += [name for name in known if name not in MEASURE_WORDS]
        self.table.setColumnCount(1 + len(zones))
        self.table.setRowCount(len(measures))
        self.table.setHorizontalHeaderLabels(["", *(zone.replace(" + ", " +\n") for zone in zones)])
        for i, name in enumerate(measures):
            texts = [with_interval(name, agreed.zones[zone][name]) for zone in zones]
            for j, text in enumerate(
                [measure_name(name), *(t.replace(" (", "\n(") for t in texts)]
            ):
                self.table.setItem(i, j, QTableWidgetItem(text))
        header, rows = self.table.horizontalHeader(), self.table.verticalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        rows.setVisible(False)
        rows.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.remarks.setText(" ".join(agreed.remarks))
        self.plot.show_array(agreed.plot)
        chosen = self.zone.currentText()
        self.zone.blockSignals(True)
        self.zone.clear()
        self.zone.addItems(zones)
        if chosen in zones:
            self.zone.setCurrentText(chosen)
        self.zone.blockSignals(False)
        self.desk.jobs.each([lambda: None, self._show_overlap], lambda: None)

    def _show_overlap(self) -> None:
        layer = scene.find(self.desk.plane, "overlap")
        if layer is None and self.agreed is not None:
            # Made ahead of its need: napari takes a while over a layer's first showing.
            layer = scene.put(self.desk.plane, next(iter(self.agreed.overlaps.values())))
            layer.visible = False
        on = self.overlap.isChecked() and self.agreed is not None
        if not on or self.agreed is None:
            if layer is not None:
                layer.visible = False
            return
        made = self.agreed.overlaps.get(self.zone.currentText())
        if made is not None and layer is not None:
            layer.data = made[0]
            layer.visible = True


def read_agreement(case: Case) -> Agreed | None:
    """The finished agreement of a case; None where it is to do."""
    from coreg.figure import FigureData
    from coreg.geometry import mask_from_outlines
    from coreg.sources.maps import load_maps
    from coreg.sources.outlines import read_outlines
    from coreg.steps.figure import threshold_curves
    from coreg.steps.outline import LESIONS
    from coreg_napari.plots import panel

    agree, predict = case.result("agree"), case.result("predict")
    if agree is None or predict is None:
        return None
    grid, maps = load_maps(agree.file("validity.npz"))
    valid = maps["valid"].astype(bool)
    predicted = mask_from_outlines(read_outlines(predict.file("predicted.geojson")), grid)
    mapped = read_outlines(agree.file("pathology.geojson"))
    overlaps = {
        name: overlap_layer(
            predicted & valid,
            mask_from_outlines([o for o in mapped if o.zone in parts], grid) & valid,
            grid,
        )
        for name, parts in LESIONS.items()
    }
    data = FigureData(
        case.name,
        agreement=agree.summary["zones"],
        threshold_curves=threshold_curves(case),
    )
    left_out = agree.summary.get("left_out_mm2", {})
    remarks = [f"{area:.1f} mm² left out: {why}." for why, area in left_out.items() if area > 0]
    reasons = {why for table in agree.summary["reasons"].values() for why in table.values()}
    return Agreed(
        agree.summary["zones"],
        overlaps,
        panel(data, "agreement", "threshold"),
        (*remarks, *(f"Not given: {why}." for why in sorted(reasons))),
    )
