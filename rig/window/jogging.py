"""The rig held open for steps by hand: its session, where the hammer is, the live picture."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import QObject

from rig.model.frames import BedXY
from rig.window import dialogs
from rig.window.layers import DARK_INK
from rig.window.theme import drawn_width
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.jobs.jog import JogEnd, JogSession
    from rig.window.main_window import MainWindow

JOB = "jog.jog"


class Jogging(QObject):
    """Between the panel and the job."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self._window = window
        self._panel = window.jog
        self.session: JogSession | None = None
        self.position_mm: tuple[float, float] | None = None
        self._pose: Any = None
        self._marks = [pg.ScatterPlotItem(symbol="x") for _ in range(2)]
        for above, mark in enumerate(self._marks):
            mark.setZValue(196 + above)
            window.plate.getPlotItem().addItem(mark, ignoreBounds=True)
        panel = self._panel
        panel.open_wanted.connect(self.ask)
        panel.close_wanted.connect(self.close)
        panel.step_wanted.connect(self._step)
        panel.live_wanted.connect(self._live)
        window.desk.workers.progressed.connect(self._take)
        window.desk.changed.connect(self.show_state)
        window.desk.broke_off.connect(lambda _name: self.broke_off())

    @property
    def is_open(self) -> bool:
        """Whether a rig is held open."""
        return self.session is not None

    def show_state(self) -> None:
        """Say how it stands."""
        desk = self._window.desk
        self._panel.show_rig(desk.rig.chosen and desk.run is None, self.is_open, self.position_mm)

    # --- open and close --------------------------------------------------------------------------

    def ask(self) -> None:
        """Are hands clear? Then open the rig and home it."""
        window = self._window
        if window.may_move or not window.desk.rig.chosen:
            return
        dialog = dialogs.HandsClear(window, window.desk.rig.world is not None, jog=True)
        dialog.accepted.connect(self.open)
        window.ask(dialog)

    def open(self) -> None:
        """Hands are clear."""
        from rig.jobs.jog import JogSession

        desk = self._window.desk
        laid, seen = desk.laid, desk.seen
        located = None if laid is None else laid.result.located
        self._pose = located.pose if located is not None else seen and seen.pose
        outline = seen.outline if seen is not None else None
        self.session, self.position_mm = JogSession(), None
        face = self._pose.face if self._pose else self._window.stages.face.currentData()
        self._panel.say("")
        desk.do(
            "jog", JOB, self._ended, session=self.session, speed=desk.rig.speed, face=face,
            outline=outline, pose=self._pose or None, **desk.rig.devices(),
        )  # fmt: skip
        self.say_open()
        self.show_state()

    def say_open(self) -> None:
        """Say along the lower edge that the rig may move."""
        if self.is_open:
            self._window.run_bar.busy(tr("The rig is open"), cancel=False)

    def close(self) -> None:
        """Let go of the rig when the present step is done."""
        self._panel.disarm()
        if self.session is not None:
            self.session.close()

    def halt(self) -> None:
        """Now. In a thread of its own: the serial line must not wait for the window."""
        self._panel.disarm()
        if self.session is not None:
            threading.Thread(target=self.session.halt, name="halt", daemon=True).start()
            self._window.run_bar.what.setText(
                tr("HALTED. The gantry has to home before it moves again.")
            )

    def broke_off(self) -> None:
        """The job ended in a failure, which has been said."""
        if self.session is not None and not self._window.desk.workers.running(JOB):
            self._over("")

    def _ended(self, end: JogEnd) -> None:
        halted = end.state == "halted"
        self._over(tr("HALTED. The gantry has to home before it moves again.") if halted else "")

    def _over(self, text: str) -> None:
        self.session = self.position_mm = None
        self._panel.disarm()
        self._panel.live.setChecked(False)
        for mark in self._marks:
            mark.clear()
        self._window.run_bar.idle(text)
        self.show_state()

    # --- steps and pictures ----------------------------------------------------------------------

    def _step(self, dx_mm: float, dy_mm: float) -> None:
        if self.session is not None:
            self._panel.say("")
            self.session.move(dx_mm, dy_mm)

    def _live(self, on: bool) -> None:
        if on and self.session is not None:
            self.session.look()

    def _take(self, name: str, events: list[Any]) -> None:
        if name != JOB or self.session is None:
            return
        for event in events:
            detail = event.detail
            if "position" in detail:
                self.position_mm = detail["position"]
                self._mark()
            if "refused" in detail or "unseen" in detail:
                self._panel.say(detail.get("refused") or detail["unseen"])
            if "unseen" in detail:
                self._panel.live.setChecked(False)
            if "picture" in detail:
                self._show_picture(detail["picture"])
        self.show_state()

    def _show_picture(self, picture: Any) -> None:
        self._window.beside.show_picture(picture)
        if self._panel.live.isChecked() and self.session is not None:
            self.session.look()  # the next one

    def _mark(self) -> None:
        """A cross on the plate where the hammer is, if it is known where the plate lies."""
        if self._pose is None or self.position_mm is None:
            return
        [[x, y]] = self._pose.to_plate(BedXY(np.array([self.position_mm])))
        for mark, colour, size in zip(self._marks, ("#ffffff", DARK_INK), (20, 15), strict=True):
            mark.setData([x], [y], size=drawn_width(size), brush=pg.mkBrush(colour),
                         pen=pg.mkPen(colour))  # fmt: skip
