"""The bench window: stages on the left, the plate in the middle, the chosen spot on the right."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import QEvent, QObject, Qt, QTimer
from PyQt5.QtGui import QFontMetrics
from PyQt5.QtWidgets import (
    QApplication,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QMessageBox,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from rig.window import dialogs, layers
from rig.window.beside import BesideTheMaps
from rig.window.calibrating import Calibrating
from rig.window.calibration_page import CalibrationPage
from rig.window.comparing import Comparing
from rig.window.desk import Desk
from rig.window.drop import handle_drop
from rig.window.ear import EarTraining
from rig.window.faults import Faults
from rig.window.findings import change_text, map_text, mode_text
from rig.window.jogging import Jogging
from rig.window.layer_column import LayerColumn
from rig.window.legend import Legend
from rig.window.listening import Listening
from rig.window.live import LiveScan
from rig.window.menus import build_menus, shortcut_sheet
from rig.window.new_plate import NewPlate
from rig.window.plate_view import FIELDS, PlateView
from rig.window.run_bar import RunBar
from rig.window.scale import show_scale
from rig.window.settings import Memory, screen_factor
from rig.window.side import Side
from rig.window.stages import Stages
from rig.window.targets import Targets
from rig.window.theme import LARGEST_PT, style_sheet
from rig.window.tour import Tour
from rig.window.welcome import Welcome
from rig.window.wiring import connect_desk
from rig.window.words import tr, use_language

if TYPE_CHECKING:
    from rig.window.stage_card import StageCard


class MainWindow(QMainWindow):
    """Puts the parts together; the desk does the work, the panels show it."""

    def __init__(self, memory: Memory | None = None) -> None:
        super().__init__()
        self.setObjectName("bench")
        self.setWindowTitle("platerig")
        self.setAcceptDrops(True)
        self.memory = memory or Memory()
        use_language(self.memory.language())
        self.desk = Desk(self.memory, self)
        self.faults = Faults(self, self.make_safe, self._rig_file)
        self.desk.unforeseen.connect(self.faults.handle)
        self.stages, self.plate, self.right = Stages(), PlateView(), Side()
        self.second = PlateView()
        self.spot, self.findings = self.right.spot, self.right.findings
        self.listen, self.jog = self.right.listen, self.right.jog
        self.ear_panel = self.right.ear
        self.legend, self.run_bar, self.welcome = Legend(), RunBar(), Welcome()
        self.calibration = CalibrationPage()
        self.mode = 0
        self.again = False  # to be opened anew, in another language
        self.dialog: Any = None
        self.new_plate: NewPlate | None = None
        self._closing = False
        self._build()
        self.live = LiveScan(self)
        self.targets = Targets(self)
        self.comparing = Comparing(self)
        self.listening = Listening(self)
        self.beside = BesideTheMaps(self)
        self.jogging = Jogging(self)
        self.calibrating = Calibrating(self)
        self.ear = EarTraining(self)
        self.tour = Tour(self)
        self.column.insertWidget(1, self.tour.strip)
        self.actions_by_menu = build_menus(self)
        connect_desk(self)
        QApplication.instance().installEventFilter(self)
        QApplication.instance().paletteChanged.connect(self.went_dark_or_light)
        self.scale_type(1.0)
        self.show_state()

    def _build(self) -> None:
        self.banner = QLabel(tr("SIMULATED: this plate exists on the virtual rig only"))
        self.banner.setObjectName("simulated")
        self.banner.setAlignment(Qt.AlignCenter)
        self.banner.hide()
        self.layer_column = LayerColumn()
        self.layer_buttons = self.layer_column.buttons
        self.layer_column.wanted.connect(self.show_layer)
        middle = QWidget()
        beside = QHBoxLayout(middle)
        beside.setContentsMargins(0, 0, 0, 0)
        beside.setSpacing(0)
        beside.addWidget(self.layer_column)
        self.second.hide()
        self.plates = QHBoxLayout()
        self.plates.addWidget(self.second, 1)
        self.plates.addWidget(self.plate, 1)
        box = QVBoxLayout()
        box.setSpacing(0)
        box.addLayout(self.plates, 1)
        box.addWidget(self.legend)
        beside.addLayout(box, 1)
        self.middle = QStackedWidget()
        self.middle.addWidget(self.welcome)
        self.middle.addWidget(middle)
        self.middle.addWidget(self.calibration)
        self.across = QSplitter(Qt.Horizontal)
        for widget in (self.stages, self.middle, self.right):
            self.across.addWidget(widget)
        self.across.setStretchFactor(1, 1)
        self.across.setChildrenCollapsible(False)
        whole = QWidget()
        self.column = QVBoxLayout(whole)
        self.column.setContentsMargins(0, 0, 0, 0)
        self.column.setSpacing(0)
        self.column.addWidget(self.banner)
        self.column.addWidget(self.across, 1)
        self.column.addWidget(self.run_bar)
        self.setCentralWidget(whole)
        factor = screen_factor()
        self.resize(round(1366 * factor), round(768 * factor))

    # --- type and colours ----------------------------------------------------------------------

    def scale_type(self, factor: float) -> None:
        """Larger or smaller type."""
        self.size_pt = min(LARGEST_PT, max(8.0, self.memory.size_pt() * factor))
        self.memory.keep_size_pt(self.size_pt)
        self.paint_theme()

    def paint_theme(self) -> None:
        """Take colours and type anew."""
        self.setStyleSheet(style_sheet(self.size_pt))
        self.plate.paint_theme()
        self.second.paint_theme()
        self.spot.paint_theme()
        self.ensurePolished()
        unit = 1.17 * QFontMetrics(self.run_bar.pause.font()).averageCharWidth()
        self.stages.setFixedWidth(int(34 * unit))
        self.right.setMinimumWidth(int(36 * unit))
        self.legend._fit()
        self.layer_column.fit()

    def went_dark_or_light(self) -> None:
        """The system did; Qt tells the application of it, and no window."""
        self.paint_theme()
        self.show_state()

    # --- what is shown -------------------------------------------------------------------------

    def show_state(self) -> None:
        """Show folder, stages and taps as they are now."""
        desk = self.desk
        seen = desk.seen
        if not self.calibrating.is_open:
            self.middle.setCurrentIndex(0 if desk.folder is None else 1)
        self.setWindowTitle("platerig" if seen is None else f"{seen.facts.name} – platerig")
        planned = None if desk.planned is None else len(desk.planned.plan.taps)
        self.targets.show_state(seen)
        self.listen.show_scans(self.stages.scan_names(seen))
        self.stages.show_state(desk.folder, desk.rig, seen, desk.laid, planned,
                               scanning=desk.run is not None)  # fmt: skip
        virtual = desk.rig.world is not None if desk.run is None else desk.run.simulated
        self.banner.setVisible((seen is not None and seen.simulated) or virtual)
        if seen is None:
            return
        outline = seen.outline or (desk.laid.outline if desk.laid is not None else None)
        self.plate.set_outline(outline)
        if desk.run is not None:
            return
        self.beside.fetch()
        self.plate.set_places({t.tap: (t.x_mm, t.y_mm) for t in seen.taps})
        if seen.taps and desk.planned is None:
            layers.fill_taps(self.plate.layers["taps"], seen.taps)
            self.offer("taps", show=not any(self.plate.layers[name].shown for name in FIELDS))

    def offer(self, name: str, show: bool = True) -> None:
        """A layer has something to show."""
        self.layer_buttons[name].setEnabled(True)
        if show:
            self.show_layer(name, True)

    def put_away(self, *names: str) -> None:
        """Layers that belong to another scan than the one that is looked at."""
        for name in names:
            self.plate.layers[name].clear()
            self.layer_buttons[name].setEnabled(False)
            self.show_layer(name, False)

    def show_layer(self, name: str, shown: bool, *, tell: bool = True) -> None:
        """Switch one layer; fields make room for each other. tell: what it says, as findings."""
        hidden = self.plate.show_layer(name, shown)
        for layer, on in [(name, shown), *((one, False) for one in hidden)]:
            self.layer_buttons[layer].setChecked(on)
        show_scale(self)
        if not tell:
            return
        if shown and name == "nodal" and self.desk.modes is not None:
            self.show_findings(mode_text(self.desk.modes, self.mode))
        elif shown and name == "change" and self.desk.change is not None:
            self.show_findings(change_text(self.desk.change))
        elif shown and name in ("tone", "above", "zones") and self.desk.map is not None:
            self.show_findings(map_text(self.desk.map))
        elif shown and (page := self.beside.text(name)):
            self.show_findings(page)

    def next_mode(self) -> None:
        """Nodal lines of the next partial."""
        modes = self.desk.modes
        if modes is None or not modes.hz:
            return
        self.mode = (self.mode + 1) % len(modes.hz)
        layers.fill_nodal(self.plate.layers["nodal"], modes, self.mode)
        self.show_layer("nodal", True)

    def go_to(self, card: StageCard) -> None:
        """Open a stage and put the keyboard there."""
        self.stages.open_card(card)
        card.head.setFocus()

    def show_tab(self, page: QWidget) -> None:
        """Bring a page of the right side to the front."""
        self.right.show_page(page)

    def show_alone(self) -> None:
        """The plate alone, to be looked at from afar; once more: with its sides."""
        alone = self.right.isVisible()
        for side in (self.stages, self.right, self.layer_column):
            side.setVisible(not alone)
        self.show_number()
        QTimer.singleShot(0, self.plate.fit)

    def show_number(self) -> None:
        """The chosen tap's number on the plate itself, where the page that has it is hidden."""
        self.plate.set_number("" if self.right.isVisible() else self.spot.number.text())

    def show_findings(self, page: str) -> None:
        """Say what a map says, in front unless somebody listens or moves the hammer."""
        self.findings.setHtml(page)
        if page and self.right.currentWidget() not in (self.listen, self.jog, self.ear_panel):
            self.show_tab(self.findings)

    def show_shortcuts(self) -> None:
        """All shortcuts on one page."""
        page = shortcut_sheet(self.actions_by_menu)
        self.ask(dialogs.Sheet(self, tr("All shortcuts"), page))

    # --- questions -----------------------------------------------------------------------------

    def ask(self, dialog: Any) -> None:
        """Open a dialog without waiting for it."""
        self.dialog = dialog
        dialog.setAttribute(Qt.WA_DeleteOnClose)
        dialog.open()

    def ask_new_plate(self) -> None:
        """Name and place of a new plate."""
        dialog = NewPlate(self, Path.home())
        dialog.wanted.connect(lambda options: self.desk.new_plate(options, dialog.accept))
        dialog.finished.connect(lambda _code: setattr(self, "new_plate", None))
        self.new_plate = dialog
        self.ask(dialog)

    def look_round(self) -> None:
        """At the very start: what is plugged in, and the tour for whoever is new here."""
        if self.memory.first_time():
            self.welcome.first_time()
            self.paint_theme()
        self.desk.do("window", "devices.devices#start", self.welcome.show_found)

    def ask_folder(self) -> None:
        """Which folder to open."""
        dialog = QFileDialog(self, tr("Open a plate folder"))
        dialog.setFileMode(QFileDialog.Directory)
        dialog.setOption(QFileDialog.DontUseNativeDialog)
        dialog.fileSelected.connect(lambda chosen: self.desk.open_folder(Path(chosen)))
        self.ask(dialog)

    def say(self, place: str, text: str) -> None:
        """A sentence at the place where it belongs."""
        cards = {"rig": self.stages.rig, "lay": self.stages.lay, "plan": self.stages.plan,
                 "scan": self.stages.scan, "read": self.stages.read,
                 "compare": self.stages.compare, "record": self.stages.record}  # fmt: skip
        if place in cards:
            cards[place].say(text)
            if text:
                self.stages.ensureWidgetVisible(cards[place])
        elif place == "new" and self.new_plate is not None:
            if text:
                self.new_plate.refused(text)
        elif place == "spot":
            self.spot.say(text)
        elif place == "calibration":
            self.calibration.say(text)
        elif place in ("listen", "jog", "ear"):
            page = getattr(self.right, place)
            page.say(text)
            if text:
                self.show_tab(page)
        else:
            self.welcome.say(text)
            if text:
                self.run_bar.what.setText(text)
                self.run_bar.what.setToolTip(text)

    # --- safety --------------------------------------------------------------------------------

    @property
    def may_move(self) -> bool:
        """Whether a rig is in use: a scan, the hammer by hand, or dots being marked."""
        return self.desk.run is not None or self.jogging.is_open or self.calibrating.moving

    def make_safe(self) -> None:
        """Let a running scan finish its tap and park; let go of a rig that is open."""
        self.calibrating.stop()
        self.jogging.close()
        self.ear.stop()
        if self.desk.run is not None:
            self.desk.run.stop()

    def _rig_file(self) -> Path | None:
        return Path(self.desk.rig.rig_file) if self.desk.rig.rig_file else None

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Esc and the space bar halt while the rig moves, whatever has the keyboard."""
        if (
            event.type() in (QEvent.KeyPress, QEvent.ShortcutOverride)
            and self.may_move
            and event.key() in (Qt.Key_Escape, Qt.Key_Space)
            and event.modifiers() == Qt.NoModifier
        ):
            if event.type() == QEvent.KeyPress:
                self.live.halt()
            event.accept()
            return True
        return super().eventFilter(watched, event)

    def dragEnterEvent(self, event: Any) -> None:
        """Files may be dropped anywhere; what they are is looked at then."""
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: Any) -> None:
        """Open, gather or say why not."""
        event.acceptProposedAction()
        handle_drop(self, [url.toLocalFile() for url in event.mimeData().urls()])

    def closeEvent(self, event: Any) -> None:
        """A running scan is stopped safely first, then the window closes by itself."""
        if self.desk.run is not None:
            self._closing = True
            self.desk.run.stop()
            self.run_bar.what.setText(tr("Stopping safely, then closing."))
            event.ignore()
            return
        self.make_safe()
        self.hide()  # a long job ends at its next word of progress; nobody has to watch
        self.desk.workers.close()
        QApplication.instance().removeEventFilter(self)
        event.accept()

    def scan_over(self) -> None:
        """Close now if that was waited for."""
        if self._closing:
            QTimer.singleShot(0, self.close)

    def ask_plugged_in(self, text: str) -> None:
        """A device is gone in the middle of a scan."""
        box = QMessageBox(self)
        box.setText(text)
        box.setInformativeText(
            tr("Is it plugged in again, and are all hands clear? The gantry will home.")
        )
        go = box.addButton(tr("Hands are clear: go on"), QMessageBox.AcceptRole)
        box.setDefaultButton(box.addButton(tr("End the scan"), QMessageBox.RejectRole))
        run = self.desk.run
        if run is not None:
            box.buttonClicked.connect(lambda button: run.answer(button is go))
        self.ask(box)
