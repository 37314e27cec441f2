"""Jobs in threads of their own: progress, cancelling, one way in and one way out."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from typing import Any

from PyQt5.QtCore import QObject, QThread, QTimer, pyqtSignal

from rig.model.progress import ProgressEvent
from rig.window.memory import LONG_S, give_back

REDRAW_MS = 100  # ten times a second at most, however fast events come


class Cancelled(Exception):  # noqa: N818 - no error: somebody wanted it
    """Raised inside a job, at its next word of progress, once it is to be cancelled."""


class Task(QThread):
    """One job in one thread."""

    succeeded = pyqtSignal(object)
    failed = pyqtSignal(object)

    def __init__(self, name: str, call: Callable[..., Any], options: dict[str, Any]) -> None:
        super().__init__()
        self.name = name
        self.events: deque[ProgressEvent] = deque(maxlen=20_000)
        self._call = call
        self._options = options
        self._cancel = False

    def cancel(self) -> None:
        """End the job at its next word of progress."""
        self._cancel = True

    def run(self) -> None:
        """In the thread."""
        began = time.monotonic()
        try:
            result = self._call(progress=self._note, **self._options)
        except BaseException as problem:  # whatever it is, the window has to hear of it
            self.failed.emit(problem)
        else:
            self.succeeded.emit(result)
        if time.monotonic() - began > LONG_S:
            give_back()

    def _note(self, event: ProgressEvent) -> None:
        if self._cancel:
            raise Cancelled
        self.events.append(event)


class Workers(QObject):
    """Starts tasks and tells of them in the window's thread."""

    progressed = pyqtSignal(str, object)  # name, list of events since the last time
    begun = pyqtSignal(str)
    ended = pyqtSignal(str)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._tasks: dict[str, Task] = {}
        self._closed = False
        self._timer = QTimer(self)
        self._timer.setInterval(REDRAW_MS)
        self._timer.timeout.connect(self._drain)

    def start(
        self,
        name: str,
        call: Callable[..., Any],
        done: Callable[[Any], None],
        failed: Callable[[BaseException], None],
        /,
        **options: Any,
    ) -> bool:
        """Start a job under a name; False where one of this name still runs, or all is over.

        done and failed are called in the window's thread.
        """
        if name in self._tasks or self._closed:
            return False
        task = Task(name, call, options)
        self._tasks[name] = task

        def settle(report: Callable[[Any], None]) -> Callable[[Any], None]:
            def act(outcome: Any) -> None:
                self._drain()
                task.wait()
                self._tasks.pop(name, None)
                task.deleteLater()
                if not self._tasks:
                    self._timer.stop()
                self.ended.emit(name)
                report(outcome)

            return act

        # bound to objects of this thread, so that Qt queues the call into the window's thread
        task.succeeded.connect(_Slot(task, settle(done)).take)
        task.failed.connect(_Slot(task, settle(failed)).take)
        task.start()
        self._timer.start()
        self.begun.emit(name)
        return True

    def running(self, name: str | None = None) -> bool:
        """Whether this task, or any, still runs."""
        return bool(self._tasks) if name is None else name in self._tasks

    def names(self) -> tuple[str, ...]:
        """The tasks that run."""
        return tuple(self._tasks)

    def cancel(self, name: str | None = None) -> None:
        """Cancel one task, or all."""
        for task in list(self._tasks.values()):
            if name in (None, task.name):
                task.cancel()

    def close(self) -> None:
        """Wait for all threads to end; none begins any more, whatever their outcomes ask for."""
        self._closed = True
        self.cancel()
        for task in list(self._tasks.values()):
            task.wait()

    def _drain(self) -> None:
        for name, task in list(self._tasks.items()):
            events = []
            while task.events:
                events.append(task.events.popleft())
            if events:
                self.progressed.emit(name, events)


class _Slot(QObject):
    """A receiver that lives in the window's thread."""

    def __init__(self, parent: QObject, act: Callable[[Any], None]) -> None:
        super().__init__(parent)
        self._act = act

    def take(self, outcome: Any) -> None:
        """Called once, with what the task ended in."""
        self._act(outcome)
