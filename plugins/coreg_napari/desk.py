"""What the panel's pages share: the case, its edits and their saving, the two viewers, the jobs.

No Qt here: a test gives two viewer models and jobs that run in place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from psygnal import Signal

from coreg.case import open_case
from coreg.errors import CoregError
from coreg_napari import scene
from coreg_napari.history import History
from coreg_napari.landmarks import Landmark, LandmarkTable, fit_rows, pairs_of
from coreg_napari.layers import LayerData
from coreg_napari.store import ChangedOutside, Store

if TYPE_CHECKING:
    import numpy as np
    from napari.components import ViewerModel

    from coreg.alignment import LandmarkFit
    from coreg.case import Case, Status
    from coreg.geometry import Grid, Outline
    from coreg_napari.jobs import Jobs

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class Opened:
    """All of a case that is read, in a thread, before it is shown."""

    store: Store
    landmarks: tuple[Landmark, ...]
    outlines: dict[str, list[Outline]]
    strokes: tuple[Grid, np.ndarray] | None
    plane: list[LayerData]
    section: list[LayerData]
    troubles: tuple[str, ...]


class Desk:
    """One window's work on one case.

    Signals: `opened`; `states_changed(step → Status)`; `landmarks_changed`, `fitted`;
    `outlines_changed(observer)`; `settings_changed`; `results_changed`; `told(level, sentence)`.
    """

    opened = Signal()
    states_changed = Signal(dict)
    landmarks_changed = Signal()
    fitted = Signal()
    outlines_changed = Signal(str)
    settings_changed = Signal()
    results_changed = Signal()
    history_changed = Signal()
    told = Signal(str, str)

    def __init__(self, plane: ViewerModel, section: ViewerModel, jobs: Jobs) -> None:
        self.plane = plane
        self.section = section
        self.jobs = jobs
        self.store: Store | None = None
        self.observer = ""
        self.table = LandmarkTable(edited=self._landmarks_edited)
        self.outlines: dict[str, list[Outline]] = {}
        self.strokes: tuple[Grid, np.ndarray] | None = None
        self.fit: LandmarkFit | str = ""
        self.states: dict[str, Status] = {}
        self.history = History(changed=self.history_changed.emit)
        self._unsaved: dict[str, Callable[[], Any]] = {}

    # --- opening -----------------------------------------------------

    @property
    def case(self) -> Case:
        """The open case; only where there is one."""
        assert self.store is not None
        return self.store.case

    def open(self, folder: str | Path, then: Callable[[], None] = lambda: None) -> None:
        """Read a case in the background and show it."""
        self.flush()

        self.jobs.run(
            "Opening the case",
            lambda progress: read_all(folder, progress),
            lambda found: self._show(found, then),
        )

    def _show(self, found: Opened, then: Callable[[], None]) -> None:
        self._close_slide()
        given = ((self.plane, found.plane), (self.section, found.section))
        for viewer, layers in given:
            kept = {keywords["name"] for _, keywords, _ in layers}
            scene.take_out(viewer, but=kept)
        acts = [partial(scene.put, viewer, made) for viewer, layers in given for made in layers]
        self.jobs.each(acts, lambda: self._take_over(found, then))

    def _take_over(self, found: Opened, then: Callable[[], None]) -> None:
        self.store = found.store
        self.table.rows = found.landmarks
        self.outlines = found.outlines
        self.strokes = found.strokes
        self.fit = ""
        names = sorted(name for name in found.outlines if name)
        if self.observer not in names and names:
            self.set_observer(names[0])
        self.history.clear()
        for trouble in found.troubles:
            self.told.emit("warning", trouble)
        left = found.store.recovered()
        if left:
            self.told.emit("info", "Unfinished work of an earlier window was found and restored.")
        acts = [self.opened.emit, self.landmarks_changed.emit, self.refit, self.refresh_states]
        self.jobs.each(acts, then)

    def _close_slide(self) -> None:
        """Close the slide that the section's layer reads from, and take the layer out."""
        layer = scene.find(self.section, "section")
        if layer is not None:
            slide = layer.data[0].slide
            scene.take_out(self.section, ["section"])
            slide.close()

    def close(self) -> None:
        """As the window closes: write what is not written, close the slide."""
        self.flush()
        self._close_slide()

    def set_observer(self, name: str) -> None:
        """Whose landmarks and outlines are being made."""
        self.observer = name.strip()
        self.table.observer = self.observer

    # --- steps -----------------------------------------------------

    def refresh_states(self) -> None:
        """Find out, in the background, what is to do, done or stale: files may need hashing."""
        if self.store is None:
            return
        folder = self.store.folder

        def show(states: dict[str, Status]) -> None:
            self.states = states
            self.states_changed.emit(states)

        self.jobs.run(
            "Looking at the case",
            lambda progress: open_case(folder).status(),
            show,
            key="states",
            quiet=True,
        )

    def run(self, steps: Sequence[str] | None = None, *, again: bool = False) -> None:
        """Do steps of the case as the command line does, in the background."""
        if self.store is None:
            self.told.emit("info", "Open a case first.")
            return
        self.flush()
        folder = self.store.folder

        def work(progress: Progress) -> list[LayerData]:
            open_case(folder).run(steps, again=again, progress=progress)
            return _plane_layers(folder)[0]

        def show(layers: list[LayerData]) -> None:
            assert self.store is not None
            self.store.remember_results()
            self._show_results(layers)

        title = "Running the case" if steps is None else f"Running {', '.join(steps)}"
        self.jobs.run(title, work, show)

    def reload_results(self) -> None:
        """Show the results again, as after another program made them."""
        assert self.store is not None
        folder = self.store.folder
        self.store.remember_results()
        self.jobs.run(
            "Reading the results",
            lambda progress: _plane_layers(folder)[0],
            self._show_results,
            key="results",
            quiet=True,
        )

    def _show_results(self, layers: list[LayerData]) -> None:
        def shown() -> None:
            self.results_changed.emit()
            self.refresh_states()

        self.jobs.each([partial(scene.put, self.plane, made) for made in layers], shown)

    # --- landmarks -----------------------------------------------------

    def _landmarks_edited(self, what: str, before: Any, after: Any) -> None:
        self.history.record(what, self._restore_landmarks, before, after)
        self._landmarks_now()

    def _restore_landmarks(self, rows: tuple[Landmark, ...]) -> None:
        self.table.restore(rows)
        self._landmarks_now()

    def _landmarks_now(self) -> None:
        rows = self.table.rows
        self.landmarks_changed.emit()
        self.refit()
        store = self.store
        if store is not None:
            self.save("landmarks", lambda: store.write_landmarks(rows, pairs_of(rows)))

    def refit(self) -> None:
        """Fit the present landmarks in the background, by the case's own model."""
        rows = self.table.rows
        model = "affine" if self.store is None else self.store.setting("align", "model")

        def show(fit: LandmarkFit | str) -> None:
            if rows is self.table.rows:
                self.fit = fit
                self.fitted.emit()

        self.jobs.run(
            "Fitting", lambda progress: fit_rows(rows, model), show, key="fit", quiet=True
        )

    # --- outlines -----------------------------------------------------

    def set_outlines(self, what: str, outlines: list[Outline], observer: str | None = None) -> None:
        """One observer's outlines after an edit: kept for undo, and saved."""
        name = self.observer if observer is None else observer
        before = (name, tuple(self.outlines.get(name, ())))
        self.history.record(what, self._restore_outlines, before, (name, tuple(outlines)))
        self._outlines_now(name, list(outlines), redraw=False)

    def _restore_outlines(self, state: tuple[str, tuple[Outline, ...]]) -> None:
        name, outlines = state
        self._outlines_now(name, list(outlines), redraw=True)

    def _outlines_now(self, name: str, outlines: list[Outline], *, redraw: bool) -> None:
        self.outlines[name] = outlines
        if redraw:
            self.outlines_changed.emit(name)
        store = self.store
        if store is not None:
            self.save(f"outlines of {name}", lambda: store.write_outlines(name, outlines))

    # --- settings -----------------------------------------------------

    def change(self, section: str, **values: Any) -> None:
        """Change settings of case.toml, to be undone like any edit."""
        assert self.store is not None
        before = {key: self.store.setting(section, key) for key in values}
        if before == values:
            return
        what = f"change {', '.join(values)}"
        self.history.record(what, self._restore_settings, (section, before), (section, values))
        self._restore_settings((section, values))

    def _restore_settings(self, state: tuple[str, dict[str, Any]]) -> None:
        store = self.store
        if store is None:
            return
        section, values = state
        try:
            store.change(section, **values)
        except ChangedOutside as error:
            self._conflict(error)
            return
        except CoregError as error:
            self.told.emit("error", str(error))
            return
        self.settings_changed.emit()
        if section == "align":
            self.refit()
        self.refresh_states()

    # --- saving -----------------------------------------------------

    def save(self, name: str, write: Callable[[], Any]) -> None:
        """Write in the background; the latest state of each thing is enough."""
        self._unsaved[name] = write

        def work(progress: Progress) -> ChangedOutside | None:
            try:
                write()
            except ChangedOutside as error:
                return error
            return None

        def done(conflict: ChangedOutside | None) -> None:
            if self._unsaved.get(name) is write:
                del self._unsaved[name]
            if conflict is not None:
                self._conflict(conflict)
            else:
                self.refresh_states()

        self.jobs.run(f"Saving {name}", work, done, key=f"save {name}", quiet=True)

    def flush(self) -> None:
        """Write what is not yet written, at once: before a run, and as the window closes."""
        for name, write in list(self._unsaved.items()):
            del self._unsaved[name]
            try:
                write()
            except ChangedOutside as error:
                self._conflict(error)
            except CoregError as error:
                self.told.emit("error", str(error))

    @property
    def saved(self) -> bool:
        """Whether every edit is in the case folder."""
        return not self._unsaved

    def _conflict(self, error: ChangedOutside) -> None:
        self.told.emit("warning", str(error))
        self._read_again()
        self.history.set_last_aside()

    # --- others' changes -----------------------------------------------------

    def check_files(self) -> None:
        """Notice what another program changed in the case folder, and read it again."""
        if self.store is None or self._unsaved:
            return
        changed = self.store.changes()
        if not changed:
            return
        results = self.store.case.results.folder
        edited = [path.name for path in changed if results not in path.parents]
        if edited:
            self.told.emit(
                "info", f"{', '.join(edited)} changed outside this window and was read again."
            )
            self._read_again()
        else:
            self.reload_results()

    def _read_again(self) -> None:
        assert self.store is not None
        store = self.store
        try:
            store.reload()
            self.table.restore(store.read_landmarks())
            self.outlines = store.read_outlines()
        except CoregError as error:
            self.told.emit("error", str(error))
        store.remember()
        self.settings_changed.emit()
        self.landmarks_changed.emit()
        self.outlines_changed.emit("")
        self.refit()
        self.reload_results()


def read_all(folder: str | Path, progress: Progress) -> Opened:
    """Read a case with its landmarks, outlines, drafts and layers."""
    from coreg_napari.readers import section_layers

    progress(0.1, "settings, landmarks, outlines")
    store = Store(folder)
    landmarks, outlines = store.read_landmarks(), store.read_outlines()
    strokes = store.read_strokes()
    progress(0.3, "imaging plane")
    plane, troubles = _plane_layers(store.folder)
    progress(0.6, "section")
    try:
        section = [made for made in section_layers(store.case) if made[2] == "image"]
        for levels, _, _ in section:
            levels[-1][:2, :2]  # makes the coarsest level here, not in the window's thread
    except CoregError as error:
        section, troubles = [], [*troubles, str(error)]
    _warm_up(landmarks)
    progress(1.0, "")
    return Opened(store, landmarks, outlines, strokes, plane, section, tuple(troubles))


def _warm_up(landmarks: tuple[Landmark, ...]) -> None:
    """Load here, in a thread, what the window's own thread would else import at first use."""
    import numpy as np
    from napari.layers import Image, Labels, Points, Shapes

    fit_rows(landmarks, "affine")
    Image(np.zeros((2, 2)))
    Labels(np.zeros((2, 2), dtype=np.uint8))
    Points(np.zeros((1, 2)))
    Shapes([np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 0.0]])], shape_type="polygon")


def _plane_layers(folder: Path) -> tuple[list[LayerData], list[str]]:
    from coreg_napari.readers import plane_layers

    try:
        return plane_layers(open_case(folder))
    except CoregError as error:
        return [], [str(error)]
