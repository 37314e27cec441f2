"""The window during a scan: the live map, the time left, the stops."""

from __future__ import annotations

import html
import statistics
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import QTimer

from rig.jobs.overview import TapState
from rig.window import dialogs, layers
from rig.window.scale import show_scale
from rig.window.words import tr
from rig.window.worker import REDRAW_MS

if TYPE_CHECKING:
    from rig.window.main_window import MainWindow
    from rig.window.scan_run import ScanRun


class LiveScan:
    """Draws at most ten times a second, and only what has changed."""

    def __init__(self, window: MainWindow) -> None:
        self._window = window
        self._timer = QTimer(window)
        self._timer.setInterval(REDRAW_MS)
        self._timer.timeout.connect(self.draw)
        self._drawn = (-1, -1)
        self._looked = False
        self._size_mm = 9.0
        self.reach = 200.0

    def ask(self, resume: bool) -> None:
        """Are hands clear? Then scan."""
        window = self._window
        choice = None if resume else window.stages.scan_choice()
        if choice is None and not resume:
            window.stages.open_card(window.stages.plan)
            return
        if window.calibrating.moving:
            window.say("scan", tr("The gantry is marking dots; wait until it is done."))
            return
        if window.ear.session is not None:
            window.say("scan", tr("An ear is being trained; stop that first (page Ear)."))
            return
        if window.jogging.is_open:
            window.say("scan", tr("The rig is open for moving by hand; close it first (page Jog)."))
            return
        desk = window.desk
        simulated = desk.resumes_simulated() if resume else desk.rig.world is not None
        dialog = dialogs.HandsClear(window, simulated)
        dialog.accepted.connect(lambda: self.start(choice))
        window.ask(dialog)

    def start(self, choice: Any) -> None:
        """Hands are clear."""
        self._size_mm = 0.85 * (choice.spacing_mm if choice is not None else 9.0)
        self._window.desk.scan(choice)

    def began(self, run: ScanRun) -> None:
        """The scan has been started."""
        window = self._window
        run.lost.connect(window.ask_plugged_in)
        window.calibrating.close()
        window.stages.silence()  # what was said of an earlier scan
        window.listening.stop()  # the microphone would hear it
        self._drawn, self._looked = (-1, -1), False
        window.plate.set_places({})
        window.put_away("tone", "above", "zones", "nodal", "change")
        window.comparing.forget()
        for name in ("live", "taps"):
            window.plate.layers[name].clear()
            window.offer(name)
        window.stages.open_card(window.stages.scan)
        window.run_bar.halt.setFocus()
        window.show_state()
        self._timer.start()
        self.draw()

    def pause(self) -> None:
        """Pause, or go on."""
        if self._window.desk.run is not None:
            self._window.desk.run.pause_or_go_on()
            self.draw()

    def stop(self) -> None:
        """Stop at the next tap."""
        if self._window.desk.run is not None:
            self._window.desk.run.stop()
            self.draw()

    def halt(self) -> None:
        """Now."""
        run = self._window.desk.run
        if self._window.jogging.is_open:
            self._window.jogging.halt()
            return
        if self._window.calibrating.moving:
            self._window.calibrating.halt()
            return
        if run is None:
            self._window.run_bar.what.setText(tr("Nothing is moving, so there is nothing to halt."))
            return
        if not run.halted:
            run.halt()
        self.draw()

    def draw(self) -> None:
        """Show how far the scan is."""
        run, window = self._window.desk.run, self._window
        if run is None:
            return
        window.run_bar.busy(self._sentence(run), run.done, run.total, cancel=False)
        window.run_bar.scanning(not (run.halted or run.stopping), run.paused)
        if run.total and not self._looked:  # the plan is stored by now
            self._looked = True
            window.desk.look()
        seen = window.desk.seen
        planned = {tap.tap: tap for tap in seen.taps} if self._looked and seen else {}
        now = (len(run.quality), len(planned))
        if now == self._drawn:
            return
        self._drawn = now
        planned.update(
            {tap: TapState(tap, x, y, state) for tap, (x, y, state) in run.quality.items()}
        )
        # the disc of what was heard stands for a tap that is done
        rest = tuple(t for t in planned.values() if t.state != "done" or t.tap not in run.heard)
        layers.fill_taps(window.plate.layers["taps"], rest)
        heard = list(run.heard.values())
        if heard:
            middle = statistics.median(cents for _, _, cents in heard)
            cents = [value - middle for _, _, value in heard]
            most = max(50.0, sorted(map(abs, cents))[int(0.95 * (len(cents) - 1))])
            reach = 50.0 * -(-most // 50.0)
            places = [(x, y) for x, y, _ in heard]
            layers.fill_live(window.plate.layers["live"], places, cents, reach, self._size_mm)
            if reach != self.reach:
                self.reach = reach
                show_scale(window)

    def _sentence(self, run: ScanRun) -> str:
        if run.halted:
            return tr("HALTED. The gantry has to home before it moves again.")
        if run.stopping:
            return tr("Stopping: this tap is finished, then the rig parks.")
        if not run.total:
            words = {"opening the devices": tr("Opening the devices"),
                     "looking for the plate": tr("Looking for the plate")}  # fmt: skip
            return words.get(run.stage, tr("Starting"))
        text = tr("Tap {0} of {1}", min(run.done + 1, run.total), run.total)
        if run.paused:
            held = run.state == "paused"
            return text + " · " + (tr("paused") if held else tr("pausing after this tap"))
        if run.remaining_s is not None:
            text += " · " + window_remaining(run.remaining_s)
        return text

    def ended(self, result: Any) -> None:
        """The scan is over, one way or another."""
        window = self._window
        self._timer.stop()
        text = tr("The scan was broken off; everything stored is kept.")
        if result is not None:
            made = result.as_json()
            states = {"finished": tr("finished"), "stopped": tr("stopped"),
                      "halted": tr("HALTED")}  # fmt: skip
            text = tr(
                "{0} {1}: {2} strikes kept.", made["scan"], states[made["state"]], made["strikes"]
            )
            window.show_findings("<br>".join(map(html.escape, made["warnings"])))
            if made["state"] == "finished":
                window.stages.open_card(window.stages.read)
        window.run_bar.idle(text)
        window.scan_over()


def window_remaining(seconds: float) -> str:
    """Time left and clock time."""
    from rig.window.run_bar import RunBar

    return RunBar.remaining(seconds)
