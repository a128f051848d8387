"""The main panel: the job's steps, where each stands, and a page for each."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import QEvent, QObject, Qt, QThreadPool, QTimer
from qtpy.QtWidgets import (
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QScrollArea,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from coreg_napari import keys, scene
from coreg_napari.colours import STATE_COLOURS
from coreg_napari.compat import camera, read_in_threads, show_scale_bar
from coreg_napari.desk import Desk
from coreg_napari.jobs import ThreadJobs
from coreg_napari.missing import missing
from coreg_napari.pages.agreement import AgreementPage
from coreg_napari.pages.align import AlignPage
from coreg_napari.pages.case import CasePage
from coreg_napari.pages.displacement import DisplacementPage
from coreg_napari.pages.figure import FigurePage
from coreg_napari.pages.outline import OutlinePage
from coreg_napari.section_view import SectionCanvas
from coreg_napari.widgets import Fold, button, note, toggle

if TYPE_CHECKING:
    from coreg.case import Status

STEPS = {
    "case": "Case",
    "predict": "Displacement",
    "outline": "Outline",
    "align": "Align",
    "agree": "Agreement",
    "figure": "Figure",
}
# Share of the two canvases that the section takes on each page.
SECTION_SHARE = {
    "case": 0.5,
    "predict": 0.25,
    "outline": 0.75,
    "align": 0.5,
    "agree": 0.25,
    "figure": 0.35,
}
# What each page shows of our layers; a page without an entry leaves them as they are.
SHOWN = {
    "predict": ("section", "bmode", "change", "predicted"),
    "outline": (
        "section",
        "bmode",
        "predicted",
        "outlines",
        "drawn",
        "strokes",
        "proposal",
        "edge",
    ),
    "align": ("section", "bmode", "landmarks", "pointer"),
    "agree": ("section", "bmode", "pathology", "predicted"),
}
CHECK_FILES_MS = 2000
NOTIFY = {"error": "show_error", "warning": "show_warning", "info": "show_info"}


class StepRow(QFrame):
    """One step: its name, where it stands, what is missing, and a button that does it."""

    def __init__(self, step: str, number: int, panel: MainPanel) -> None:
        super().__init__()
        self.step = step
        self.name = QPushButton(f"{number}  {STEPS[step]}")
        self.name.setCheckable(True)
        self.name.setToolTip(f"Show the page for this step: {STEPS[step].lower()}.")
        self.name.setMinimumWidth(120)
        self.name.clicked.connect(lambda checked=False: panel.show_page(step))
        self.state = QLabel()
        self.state.setMinimumWidth(42)
        self.why = note()
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.name)
        layout.addWidget(self.state)
        layout.addWidget(self.why, stretch=1)
        self.go: QPushButton | None = None
        if step != "case":
            self.go = button("Run", lambda: panel.run(step), "Do this step; earlier results stay.")
            self.go.setMaximumWidth(64)
            layout.addWidget(self.go)

    def show_state(self, state: str, why: str) -> None:
        """Say where the step stands."""
        colour = STATE_COLOURS.get(state, "#8c8c8c")
        self.state.setText(state)
        self.state.setStyleSheet(f"color: {colour}; font-weight: bold;")
        self.why.setText(why)
        if self.go is not None:
            self.go.setText("Again" if state == "done" else "Run")


class MainPanel(QWidget):
    """The panel that the manifest offers; it brings the section's canvas with it."""

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.jobs = ThreadJobs(self)
        self.canvas = SectionCanvas()
        self.desk = Desk(napari_viewer, self.canvas.viewer, self.jobs)
        self.turn = self.canvas.turn
        self._zooms: list[float | None] = [None, None]  # as last fitted
        self._shut = False
        read_in_threads(napari_viewer)
        show_scale_bar(napari_viewer)
        self._build()
        self._connect()
        napari_viewer.window.add_dock_widget(self.canvas, name="Section", area="right")
        QTimer.singleShot(0, self._arrange)
        self._timer = QTimer(self)
        self._timer.setInterval(CHECK_FILES_MS)
        self._timer.timeout.connect(self.desk.check_files)
        self._timer.start()

    # --- what it looks like -----------------------------------------------------

    def _build(self) -> None:
        self.title = QLabel("No case is open")
        self.title.setStyleSheet("font-size: 14px; font-weight: bold;")
        self.rows = {
            step: StepRow(step, number, self) for number, step in enumerate(STEPS, start=1)
        }
        self.pages: dict[str, QWidget] = {
            "case": CasePage(self.desk),
            "predict": DisplacementPage(self.desk),
            "outline": OutlinePage(self.desk, self.turn),
            "align": AlignPage(self.desk, self.turn),
            "agree": AgreementPage(self.desk),
            "figure": FigurePage(self.desk),
        }
        self.stack = QStackedWidget()
        for page in self.pages.values():
            area = QScrollArea()
            area.setWidgetResizable(True)
            area.setFrameShape(QFrame.Shape.NoFrame)
            area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
            area.setWidget(page)
            self.stack.addWidget(area)
        self.run_all = button(
            "Run all",
            self._run_all,
            "Do every step that is to do or stale, in order.",
        )
        self.undo = button("Undo", self.desk.history.undo, "Nothing to undo.")
        self.redo = button("Redo", self.desk.history.redo, "Nothing to redo.")
        self.bar = QProgressBar()
        self.bar.setRange(0, 1000)
        self.bar.setTextVisible(False)
        self.doing = note()
        self.stop = button("Stop", self.jobs.stop, "Stop what is running; nothing is half written.")
        tools = QHBoxLayout()
        self.layers = toggle(
            "Layers", self._show_layer_lists, "Show napari's own list of layers and their controls."
        )
        for widget in (self.run_all, self.undo, self.redo, self.layers):
            tools.addWidget(widget)
        progress = QGridLayout()
        progress.addWidget(self.doing, 0, 0, 1, 2)
        progress.addWidget(self.bar, 1, 0)
        progress.addWidget(self.stop, 1, 1)
        layout = QVBoxLayout(self)
        layout.setSpacing(3)
        layout.addWidget(self.title)
        for row in self.rows.values():
            layout.addWidget(row)
        layout.addLayout(tools)
        layout.addWidget(self.stack, stretch=1)
        layout.addWidget(Fold("Keyboard shortcuts", note(keys.listed())))
        layout.addLayout(progress)
        self.setMinimumWidth(390)
        self._show_history()
        self._show_progress("", 0.0)
        self.show_page("case")
        self._show_states({})

    def _connect(self) -> None:
        self.desk.opened.connect(self._opened)
        self.desk.states_changed.connect(self._show_states)
        self.desk.landmarks_changed.connect(lambda: self._show_states(self.desk.states))
        self.desk.history_changed.connect(self._show_history)
        self.desk.told.connect(self.tell)
        self.jobs.shown.connect(self._show_progress)
        self.jobs.failed.connect(self.tell)
        scene.on_foreign_layer(self.viewer, self._foreign)
        actions = {"undo": self.desk.history.undo, "redo": self.desk.history.redo}
        for page in self.pages.values():
            actions.update(getattr(page, "key_actions", dict)())
        keys.bind((self.viewer, self.canvas.viewer), actions)

    def _show_layer_lists(self, shown: bool) -> None:
        centre = self.viewer.window._qt_viewer
        for dock in (centre.dockLayerList, centre.dockLayerControls):
            dock.setVisible(shown)
        self._share_out()

    def _arrange(self) -> None:
        """Put the section beside the plane and this panel at the far right."""
        window: Any = self.window()
        window.installEventFilter(self)
        section, panel = _dock_of(self.canvas), _dock_of(self)
        if section is not None and panel is not None:
            window.splitDockWidget(section, panel, Qt.Orientation.Horizontal)
        self._show_layer_lists(self.layers.isChecked())
        self._share_out()

    def _share_out(self) -> None:
        """Give both canvases the room that the page needs."""
        section, panel = _dock_of(self.canvas), _dock_of(self)
        if section is None or panel is None:
            return
        centre = self.viewer.window._qt_viewer
        room = centre.width() + section.width() + panel.width()
        own = max(panel.minimumSizeHint().width(), 400)
        wide = int((room - own) * SECTION_SHARE[self.page])
        window: Any = self.window()
        window.resizeDocks([section, panel], [wide, own], Qt.Orientation.Horizontal)
        QTimer.singleShot(50, self._fit)

    def _fit(self) -> None:
        """Fit what is shown to canvases that changed their size, unless the user has zoomed."""
        for number, viewer in enumerate((self.viewer, self.canvas.viewer)):
            if viewer.layers and self._zooms[number] in (None, camera(viewer).zoom):
                viewer.reset_view()
                self._zooms[number] = camera(viewer).zoom

    # --- what it does -----------------------------------------------------

    @property
    def page(self) -> str:
        """The step whose page is shown."""
        return list(self.pages)[self.stack.currentIndex()]

    def show_page(self, step: str) -> None:
        """Show a step's page and give its canvas the room."""
        before = self.page
        self.stack.setCurrentIndex(list(self.pages).index(step))
        for name, row in self.rows.items():
            row.name.setChecked(name == step)
        if before != step:
            _call(self.pages[before], "left")
            acts: list[Callable[[], None]] = [
                *self._layers_to_turn(step),
                partial(_call, self.pages[step], "entered"),
            ]
            self.jobs.each([partial(self._if_still, step, act) for act in acts], self._share_out)

    def _if_still(self, step: str, act: Callable[[], None]) -> None:
        """Do a part of showing a page, unless another page was chosen meanwhile."""
        if self.page == step:
            act()

    def _layers_to_turn(self, step: str) -> list[Callable[[], None]]:
        if step not in SHOWN:
            return []
        viewers = (self.viewer, self.canvas.viewer)
        return [act for viewer in viewers for act in scene.show_only(viewer, SHOWN[step])]

    def run(self, step: str) -> None:
        """Do one step, again where it is done."""
        state = self.desk.states.get(step)
        self.desk.run([step], again=state is not None and state.state == "done")

    def _run_all(self) -> None:
        self.desk.run()

    def tell(self, level: str, text: str) -> None:
        """One clear sentence in napari's notification."""
        from napari.utils import notifications

        getattr(notifications, NOTIFY[level])(text)

    def _foreign(self, layer: Any) -> None:
        unit = " × ".join(str(unit) for unit in layer.units)
        scene.mend_units(layer)
        self.tell(
            "info",
            f"The layer {layer.name!r} was in {unit}; it is now taken as mm, since one layer in "
            "another unit would put all clicks in the wrong place. Check its scale.",
        )

    def _opened(self) -> None:
        self.title.setText(self.desk.case.name)
        self.title.setToolTip(str(self.desk.case.folder))
        self.viewer.title = f"coreg: {self.desk.case.name}"
        self._zooms = [None, None]
        self.jobs.each(self._layers_to_turn(self.page), self._fit)

    def _show_states(self, states: dict[str, Status]) -> None:
        lacking = missing(self.desk)
        opened = self.desk.store is not None
        self.rows["case"].show_state("done" if opened else "to do", lacking.get("case", ""))
        for step, row in self.rows.items():
            if step == "case":
                continue
            status = states.get(step)
            state = "to do" if status is None else status.state
            why = "" if state == "done" else lacking.get(step, "")
            if not why and status is not None and state == "stale":
                why = status.reason
            row.show_state(state, why)
            assert row.go is not None
            row.go.setEnabled(opened and not (why and state == "to do"))
        self.run_all.setEnabled(opened)

    def _show_history(self) -> None:
        history = self.desk.history
        for widget, what, word in (
            (self.undo, history.next_undo, "Undo"),
            (self.redo, history.next_redo, "Redo"),
        ):
            widget.setEnabled(what is not None)
            widget.setToolTip(f"{word}: {what}." if what else f"Nothing to {word.lower()}.")

    def _show_progress(self, text: str, fraction: float) -> None:
        self.doing.setText(text)
        self.bar.setValue(round(1000 * fraction))
        for widget in (self.bar, self.stop):
            widget.setVisible(bool(text))

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:
        """As the window closes, write what is not written and end the threads."""
        if watched is self.window() and event is not None and event.type() == QEvent.Type.Close:
            self.shut()
        return super().eventFilter(watched, event)

    def shut(self) -> None:
        """Save everything, stop all work, close the section's canvas; once is enough."""
        if self._shut:
            return
        self._shut = True
        self._timer.stop()
        self.jobs.stop_all()
        QThreadPool.globalInstance().waitForDone(10_000)
        self.desk.close()
        self.canvas.close()


def _call(page: QWidget, name: str) -> None:
    method = getattr(page, name, None)
    if method is not None:
        method()


def _dock_of(widget: QWidget) -> Any:
    from qtpy.QtWidgets import QDockWidget

    parent = widget.parent()
    while parent is not None and not isinstance(parent, QDockWidget):
        parent = parent.parent()
    return parent


def open_window(folder: str | Path | None = None) -> tuple[Any, MainPanel]:
    """A napari window with the panel in it, and a case where one is given."""
    import napari

    viewer = napari.Viewer(title="coreg")
    panel = MainPanel(viewer)
    viewer.window.add_dock_widget(panel, name="Predicted lesion against pathology", area="right")
    viewer.window._qt_window.resize(1600, 1000)
    if folder is not None:
        panel.desk.open(folder)
    return viewer, panel
