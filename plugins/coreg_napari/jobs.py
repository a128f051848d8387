"""Long work in a thread with progress and a way to stop it; errors come back as one sentence."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from qtpy.QtCore import QObject, QTimer, Signal

from coreg.errors import Cancelled, CoregError

Progress = Callable[[float, str], None]
Work = Callable[[Progress], Any]
SHOW_EVERY_MS = 100


def sentence(error: BaseException) -> str:
    """What a user is told of an error."""
    if isinstance(error, CoregError):
        return str(error)
    if isinstance(error, MemoryError):
        return "There is not enough memory for this; close other programs or use coarser data."
    return f"coreg met a fault of its own ({type(error).__name__}: {error}); please report it."


class Jobs(Protocol):
    """Who does long work: threads in the window, in place in tests without one."""

    def run(
        self,
        title: str,
        work: Work,
        done: Callable[[Any], None],
        *,
        key: str = "",
        quiet: bool = False,
    ) -> None:
        """Do `work`, then call `done` with its result in the main thread."""

    def each(self, acts: Sequence[Callable[[], Any]], then: Callable[[], Any]) -> None:
        """Do things in the main thread one after another, with room for the user between them."""


@dataclass
class Job:
    """One piece of work that is running or waits."""

    title: str
    work: Work
    done: Callable[[Any], None]
    key: str = ""
    quiet: bool = False
    fraction: float = 0.0
    text: str = ""
    stop: threading.Event = field(default_factory=threading.Event)

    def progress(self, fraction: float, text: str) -> None:
        """Called by the work, in its thread."""
        if self.stop.is_set():
            raise Cancelled("Stopped; nothing was changed.")
        self.fraction, self.text = fraction, text


class ThreadJobs(QObject):
    """Work in Qt's threads.

    A job with a `key` stands for all of its kind: while one runs only the latest further one is
    kept, and a result that is out of date when it arrives is dropped. That is how a slider that
    moves faster than its map can be computed stays live.
    """

    shown = Signal(str, float)  # what runs and how far; "" where nothing does
    failed = Signal(str, str)  # "error" or "info", one sentence

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._running: list[Job] = []
        self._waiting: dict[str, Job] = {}
        self._rows: list[tuple[list[Callable[[], Any]], Callable[[], Any]]] = []  # of `each`
        self._turn = QTimer(self)
        self._turn.setInterval(1)
        self._turn.timeout.connect(self._act)
        self._closed = False
        self._timer = QTimer(self)
        self._timer.setInterval(SHOW_EVERY_MS)
        self._timer.timeout.connect(self._show)

    @property
    def busy(self) -> bool:
        """Whether anything is running."""
        return bool(self._running or self._rows)

    def run(
        self,
        title: str,
        work: Work,
        done: Callable[[Any], None],
        *,
        key: str = "",
        quiet: bool = False,
    ) -> None:
        """See `Jobs.run`; `quiet` work shows no progress bar."""
        job = Job(title, work, done, key, quiet)
        if key and any(running.key == key for running in self._running):
            self._waiting[key] = job
            return
        self._start(job)

    def each(self, acts: Sequence[Callable[[], Any]], then: Callable[[], Any]) -> None:
        """See `Jobs.each`: one act a turn of the event loop, whoever asks; a fault ends its row."""
        self._rows.append((list(acts), then))
        if not self._turn.isActive():
            self._turn.start()

    def _act(self) -> None:
        """Do the next act of the row that came first; between turns the window is drawn."""
        if not self._rows or self._closed:
            self._rows.clear()
            self._turn.stop()
            return
        waiting, then = self._rows[0]
        if not waiting:
            self._rows.pop(0)
            then()
            return
        try:
            waiting.pop(0)()
        except BaseException:
            self._rows = [row for row in self._rows if row[0] is not waiting]
            raise

    def stop(self) -> None:
        """Ask all that runs visibly to stop at its next sign of progress; drop what waits of it.

        Saving is quiet, so it goes on.
        """
        self._waiting = {key: job for key, job in self._waiting.items() if job.quiet}
        for job in self._running:
            if not job.quiet:
                job.stop.set()

    def stop_all(self) -> None:
        """As the window closes: stop everything and show nothing more."""
        self._closed = True
        self.stop()
        for job in self._running:
            job.stop.set()
            job.done = lambda result: None
        self._timer.stop()

    def _start(self, job: Job) -> None:
        # Not napari's own wrapper, which fails with PySide6 6.12 where a worker ends in an error.
        from superqt.utils import create_worker

        self._running.append(job)
        worker = create_worker(job.work, job.progress, _start_thread=False, _ignore_errors=True)
        worker.returned.connect(lambda result: self._returned(job, result))
        worker.errored.connect(lambda error: self._errored(job, error))
        worker.start()
        self._timer.start()
        self._show()

    def _returned(self, job: Job, result: Any) -> None:
        if self._closed:
            return
        self._end(job)
        if not job.stop.is_set() or not job.quiet:
            job.done(result)

    def _errored(self, job: Job, error: BaseException) -> None:
        if self._closed:
            return
        self._end(job)
        self.failed.emit("info" if isinstance(error, Cancelled) else "error", sentence(error))

    def _end(self, job: Job) -> None:
        self._running.remove(job)
        waiting = self._waiting.pop(job.key, None) if job.key else None
        if waiting is not None:
            self._start(waiting)
        self._show()

    def _show(self) -> None:
        visible = [job for job in self._running if not job.quiet]
        if not self._running:
            self._timer.stop()
        if not visible:
            self.shown.emit("", 0.0)
            return
        job = visible[-1]
        self.shown.emit(f"{job.title}: {job.text}" if job.text else job.title, job.fraction)
