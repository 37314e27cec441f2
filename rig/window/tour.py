"""Three minutes with a practice plate: a strip that points at each stage; the user does it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from PyQt5.QtCore import QObject
from PyQt5.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QWidget

from rig.window.pointer import Pointer
from rig.window.settings import FIRST_WORLD, RigChoice
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.window.main_window import MainWindow

WORKED_WORLD = "maple-regraduated"  # the first world's plate after wood came off in one place
SPACING = "13"  # the widest, about, that still tells local tone


@dataclass(frozen=True)
class Step:
    """What to do, what is seen then, where to look, and whether it has been done."""

    ask: str
    seen: str
    target: Callable[[], QWidget]
    done: Callable[[], bool]
    enter: Callable[[], object] = lambda: None


class TourStrip(QFrame):
    """One line of text with its place among the steps, and three buttons."""

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("tour")
        self.place, self.text = QLabel(), QLabel()
        self.place.setObjectName("faint")
        self.text.setWordWrap(True)
        self.back, self.next = QPushButton(tr("Back")), QPushButton(tr("Next"))
        self.leave = QPushButton(tr("Leave the tour"))
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 4, 10, 4)
        row.addWidget(self.place)
        row.addWidget(self.text, 1)
        for button in (self.back, self.next, self.leave):
            row.addWidget(button)
        self.hide()

    def show_step(self, number: int, steps: int, text: str, done: bool) -> None:
        """Step `number` from 1; done: the next one may come."""
        self.place.setText(tr("Step {0} of {1}", number, steps) + ("  ✓" if done else ""))
        self.text.setText(text)
        self.back.setEnabled(number > 1)
        self.next.setText(tr("Next") if number < steps else tr("End of the tour"))
        self.next.setProperty("main", "true" if done else "false")
        self.next.style().unpolish(self.next)
        self.next.style().polish(self.next)


class Tour(QObject):
    """Follows what the user does at the real window; does nothing in his place."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self._window = window
        self.strip = TourStrip()
        self.pointer = Pointer(window)
        self.at: int | None = None
        self._before: Path | None = None  # the folder that was open before
        self._rig = RigChoice()  # the rig before
        self.steps = self._steps()
        self.strip.back.clicked.connect(lambda *_: self.go(-1))
        self.strip.next.clicked.connect(lambda *_: self.go(1))
        self.strip.leave.clicked.connect(lambda *_: self.leave())
        desk = window.desk
        for told in (desk.changed, desk.opened, desk.map_made, desk.change_made, desk.report_made):
            told.connect(lambda *_: self.look())
        desk.workers.ended.connect(lambda _name: self.look())
        window.plate.tap_chosen.connect(lambda _tap: self.look())

    # --- the way -------------------------------------------------------------------------------

    def start(self) -> None:
        """From the first step, on the virtual rig as fast as it can."""
        window = self._window
        if window.may_move:
            window.say("window", tr("The rig is in use; take the tour when it is at rest."))
            return
        if self.at is None:
            self._rig = window.desk.rig
        window.desk.use_rig(RigChoice(world=FIRST_WORLD, speed=0.0))
        window.calibrating.close()
        self._before = window.desk.folder
        self.at = 0
        self.strip.show()
        self._enter()

    def leave(self) -> None:
        """Without the strip from now on; the practice plate stays, the rig is as before."""
        self.at = None
        self._window.desk.use_rig(self._rig if self._rig.chosen else RigChoice(world=FIRST_WORLD))
        self.strip.hide()
        self.pointer.point_at(None)

    def go(self, by: int) -> None:
        """To the next step or back; after the last one the tour is over."""
        if self.at is None:
            return
        if self.at + by >= len(self.steps):
            self.leave()
            return
        self.at = max(0, self.at + by)
        self._enter()

    def _enter(self) -> None:
        assert self.at is not None
        step = self.steps[self.at]
        if not step.done():
            step.enter()
        self.look()
        self.strip.next.setFocus()

    def look(self) -> None:
        """Say the step as it stands now."""
        if self.at is None:
            return
        step = self.steps[self.at]
        done = step.done()
        self.strip.show_step(self.at + 1, len(self.steps), step.seen if done else step.ask, done)
        self.pointer.point_at(step.target())

    # --- the steps -----------------------------------------------------------------------------

    def _finished(self) -> int:
        """How many scans of the plate are finished."""
        seen = self._window.desk.seen
        scans = () if seen is None else seen.scans
        return sum(one.state == "finished" for one in scans)

    def _second_scan(self) -> None:
        window = self._window
        window.desk.use_rig(RigChoice(world=WORKED_WORLD, speed=0.0))
        window.stages.spacing.setText(SPACING)
        window.stages.open_card(window.stages.scan)

    def _first_scan(self) -> None:
        window = self._window
        window.stages.spacing.setText(SPACING)
        window.stages.open_card(window.stages.scan)

    def _found(self) -> bool:
        laid = self._window.desk.laid
        seen = self._window.desk.seen
        now = laid is not None and laid.result.located.pose is not None
        return now or (seen is not None and bool(seen.scans))

    def _steps(self) -> tuple[Step, ...]:
        window, desk, stages = self._window, self._window.desk, self._window.stages
        return (
            Step(
                tr("Every plate has a folder of its own. Make one: “New plate…” (Ctrl+N), a name, "
                   "“Make it”."),
                tr("The folder is there. All that is ever recorded on this plate goes into it; "
                   "nothing is deleted."),
                lambda: window.welcome.new if window.welcome.isVisible() else window.menuBar(),
                lambda: desk.folder is not None and desk.folder != self._before,
            ),
            Step(
                tr("The plate lies somewhere on the bed. Press “Find the plate”: the camera takes "
                   "a picture and looks for it."),
                tr("Found. The line is the rim as it was seen; from now on every place of the "
                   "plate has its x and y in mm."),
                lambda: stages.take_picture, self._found,
                lambda: stages.open_card(stages.lay),
            ),
            Step(
                tr("Start the scan. At the rig you would see to it that hands are clear; here it "
                   "taps as fast as it can. HALT works at any moment."),
                tr("Every dot was tapped once and heard; its colour is what an ear would call "
                   "higher or lower. Everything is stored already."),
                lambda: window.run_bar.halt if desk.run is not None else stages.start_scan,
                lambda: self._finished() >= 1, self._first_scan,
            ),
            Step(
                tr("Make the map: all taps together say where the plate is too stiff or too "
                   "soft. It takes some seconds."),
                tr("Brown: the tone is higher, the wood thick or stiff there. Blue: lower, thin "
                   "or soft. Page Findings says how sure that is."),
                lambda: stages.make_map, lambda: desk.map is not None,
                lambda: stages.open_card(stages.read),
            ),
            Step(
                tr("The outlined zones stand above the target by more than chance; the numbers "
                   "are the order of work. Click a dot inside zone 1."),
                tr("The large number says how far this place is off, in cents, and how sure that "
                   "is. F9 shows it to be read from afar."),
                lambda: window.plate,
                lambda: desk.map is not None and window.plate.chosen is not None,
                lambda: window.show_layer("taps", True, tell=False),
            ),
            Step(
                tr("Trust your ear too: hold Shift and draw from a brown place to a blue one. You "
                   "hear every tap along the way."),
                tr("Page Listen names what was heard. Two spots can be put side by side there, "
                   "also from different scans."),
                lambda: window.plate, lambda: window.listening.heard is not None,
                lambda: window.show_tab(window.listen),
            ),
            Step(
                tr("Now say wood was taken off the lower left zone and the plate lies on the bed "
                   "again. Start a second scan."),
                tr("The second scan is stored beside the first one."),
                lambda: window.run_bar.halt if desk.run is not None else stages.start_scan,
                lambda: self._finished() >= 2, self._second_scan,
            ),
            Step(
                tr("Show the change between the two scans."),
                tr("Blue is where the wood came off; the rest has hardly moved. Key 4 puts before "
                   "and after on either side of a line."),
                lambda: stages.make_change, lambda: desk.change is not None,
                lambda: stages.open_card(stages.compare),
            ),
            Step(
                tr("Last, write the report: a PDF with maps, work order and how sure it all is."),
                tr("That was the whole job. The practice plate stays in its folder; F1 lists all "
                   "keys."),
                lambda: stages.write_report, self._reported,
                lambda: stages.open_card(stages.record),
            ),
        )  # fmt: skip

    def _reported(self) -> bool:
        return bool(self._window.desk.reports)
