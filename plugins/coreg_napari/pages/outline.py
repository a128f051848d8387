"""Outline: draw zones on the section, train on strokes, accept or correct a proposal."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import (
    QButtonGroup,
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QGridLayout,
    QLabel,
    QPushButton,
    QWidget,
)

from coreg.geometry import ZONES
from coreg_napari.colours import zone_colour
from coreg_napari.drawing import TOOLS, Drawing
from coreg_napari.edge_tool import EdgeTool
from coreg_napari.forms import SettingsForm
from coreg_napari.training import Training
from coreg_napari.widgets import Fold, button, column, note, row

if TYPE_CHECKING:
    from coreg_napari.desk import Desk
    from coreg_napari.section_view import Turn

TOOL_TIPS = {
    "look": ("Look", "Move and zoom; nothing is drawn."),
    "polygon": ("Polygon", "Click point by point; press Enter to finish (key Q)."),
    "freehand": ("Freehand", "Hold the mouse button down and draw round the zone."),
    "edge": ("Edge", "Click here and there along an edge; the line follows it between clicks."),
    "points": ("Points", "Drag single points of an outline."),
    "move": ("Select", "Select, move or stretch whole outlines."),
    "add point": ("+ point", "Click on an outline to add a point."),
    "remove point": ("− point", "Click on a point to take it out."),
}


class OutlinePage(QWidget):
    """The page of the step "outline"."""

    def __init__(self, desk: Desk, turn: Turn) -> None:
        super().__init__()
        self.desk = desk
        self.drawing = Drawing(desk)
        self.edge = EdgeTool(self.drawing, turn)
        self.training = Training(desk)
        self.training.changed = self._proposal_changed
        self.observer = QComboBox()
        self.observer.setEditable(True)
        self.observer.setToolTip("Who draws; type a new name to start that person's outlines.")
        self.observer.lineEdit().editingFinished.connect(self._observer_chosen)
        self.observer.textActivated.connect(lambda text: self._observer_chosen())
        self.others = QCheckBox("show others'")
        self.others.setChecked(True)
        self.others.setToolTip("Show the other observers' outlines as thin lines.")
        self.others.toggled.connect(self._show_others)
        self.zones, zone_box = self._zone_buttons()
        self.tools, tool_box = self._tool_buttons()
        self.hole = QCheckBox("cut a hole")
        self.hole.setToolTip("What is drawn next is cut out of the outline around it.")
        self.hole.toggled.connect(self.drawing.set_hole)
        self.tolerance = QDoubleSpinBox()
        self.tolerance.setRange(0.01, 2.0)
        self.tolerance.setSingleStep(0.01)
        self.tolerance.setValue(0.05)
        self.tolerance.setSuffix(" mm")
        self.tolerance.setToolTip("No point moves further than this when outlines are smoothed.")
        self.areas = note("")
        self.next = note("")
        self.edge.said = self.next.setText
        column(
            row(QLabel("Observer"), self.observer, self.others),
            QLabel("Zone"),
            zone_box,
            QLabel("Tool"),
            tool_box,
            self.next,
            row(
                self.hole,
                button("Remove", self.drawing.remove_selected, "Remove the selected outlines."),
                stretch=True,
            ),
            row(
                button("Smooth", self._smooth, "Take the shake out of your outlines."),
                self.tolerance,
                button("Tidy", self._tidy, "Bring zones into their order, without overlaps."),
                stretch=True,
            ),
            self.areas,
            Fold("Strokes and proposal", self._proposal_box()),
            Fold("Which outlines count", SettingsForm(desk, "outlines")),
            into=self,
        )
        desk.opened.connect(self._opened)
        desk.history_changed.connect(self._show_areas)
        self._proposal_changed()

    def _zone_buttons(self) -> tuple[QButtonGroup, QWidget]:
        box = QWidget()
        grid = QGridLayout(box)
        grid.setContentsMargins(0, 0, 0, 0)
        group = QButtonGroup(self)
        for number, zone in enumerate(
            ("ablated", "diffusion-damaged", "tumour", "viable", "artefact", "tissue")
        ):
            made = QPushButton(zone)
            made.setCheckable(True)
            made.setChecked(zone == self.drawing.zone)
            made.setToolTip(
                f"Draw {zone} from now on. With the tool Select, selected outlines become {zone}."
            )
            made.setStyleSheet(
                f"QPushButton {{ border-left: 12px solid {zone_colour(zone)}; padding: 3px; }}"
                "QPushButton:checked { font-weight: bold; border-top: 2px solid white; "
                "border-bottom: 2px solid white; border-right: 2px solid white; }"
            )
            made.clicked.connect(lambda checked, zone=zone: self._zone_chosen(zone))
            group.addButton(made, number)
            grid.addWidget(made, number // 3, number % 3)
        return group, box

    def _tool_buttons(self) -> tuple[QButtonGroup, QWidget]:
        box = QWidget()
        grid = QGridLayout(box)
        grid.setContentsMargins(0, 0, 0, 0)
        group = QButtonGroup(self)
        for number, (tool, (text, tip)) in enumerate(TOOL_TIPS.items()):
            made = QPushButton(text)
            made.setCheckable(True)
            made.setChecked(tool == "look")
            made.setToolTip(tip)
            made.clicked.connect(lambda checked, tool=tool: self.use(tool))
            group.addButton(made, number)
            grid.addWidget(made, number // 4, number % 4)
        return group, box

    def _proposal_box(self) -> QWidget:
        self.accept = button(
            "Accept", self._accept, "Make the proposal your outlines; correct them then."
        )
        self.discard = button("Discard", self.training.discard, "Drop the proposal.")
        self.reason = note("")
        return column(
            note("Paint a few strokes in each zone and let the program learn from them."),
            row(
                button("Brush", self._brush, "Paint strokes in the chosen zone."),
                button("Eraser", lambda: self._brush(erase=True), "Take strokes out."),
                button("Clear", self.training.clear, "Take all strokes out."),
            ),
            row(
                button(
                    "Learn from strokes", self.training.learn, "Propose zones from the strokes."
                ),
                button("Propose alone", self.training.propose, "Propose zones without strokes."),
            ),
            self.reason,
            row(self.accept, self.discard),
        )

    def key_actions(self) -> dict[str, Callable[[], Any]]:
        """What the keyboard does here."""
        return {"draw": self._toggle_draw, "zone": self._next_zone}

    def left(self) -> None:
        """Another page was chosen: put tools down."""
        self.use("look")

    # --- events -----------------------------------------------------

    def use(self, tool: str) -> None:
        """Take a tool and show it as taken."""
        self.training.stop()
        self.tools.button(list(TOOLS).index(tool)).setChecked(True)
        self.drawing.use(tool)
        if tool == "edge":
            self.edge.start()
        else:
            self.edge.stop()

    def _toggle_draw(self) -> None:
        self.use("look" if self.tools.checkedId() == 1 else "polygon")

    def _next_zone(self) -> None:
        number = (self.zones.checkedId() + 1) % len(self.zones.buttons())
        self.zones.button(number).click()

    def _zone_chosen(self, zone: str) -> None:
        self.drawing.set_zone(zone)
        layer = self.training.layer
        if layer is not None and zone in ZONES:
            layer.selected_label = ZONES[zone]

    def _brush(self, *, erase: bool = False) -> None:
        zone = self.drawing.zone
        if zone not in ZONES:
            self.desk.told.emit("info", f"Strokes cannot be {zone}; choose another zone.")
            return
        self.use("look")
        self.training.paint(zone, erase=erase)

    def _opened(self) -> None:
        self.observer.blockSignals(True)
        self.observer.clear()
        self.observer.addItems(sorted(name for name in self.desk.outlines if name))
        self.observer.setCurrentText(self.desk.observer)
        self.observer.blockSignals(False)
        self._show_areas()

    def _observer_chosen(self) -> None:
        name = self.observer.currentText().strip()
        if name == self.desk.observer:
            return
        self.desk.set_observer(name)
        self.drawing.show()
        self._show_areas()

    def _show_others(self, shown: bool) -> None:
        self.drawing.others = shown
        self.drawing.show()

    def _show_areas(self) -> None:
        if self.desk.store is None:
            return
        said = [
            f"{zone} {size.area:.1f} mm², {size.perimeter:.1f} mm round"
            + (f" in {size.pieces} pieces" if size.pieces > 1 else "")
            for zone, size in self.drawing.sizes().items()
        ]
        self.areas.setText(f"As cut: {'; '.join(said)}." if said else "Nothing is drawn yet.")

    def _smooth(self) -> None:
        self.drawing.smooth(self.tolerance.value())

    def _tidy(self) -> None:
        self.drawing.tidy()

    def _proposal_changed(self) -> None:
        proposal = self.training.proposal
        for widget in (self.accept, self.discard):
            widget.setEnabled(proposal is not None)
        self.reason.setText(
            "" if proposal is None else f"{proposal.reason} A qualified pathologist confirms it."
        )

    def _accept(self) -> None:
        self.drawing.replace("accept the proposal", self.training.accept())
