"""Moving the hammer by hand: open the rig, arm the keys, step; the keys disarm by themselves."""

from __future__ import annotations

from typing import Any

from PyQt5.QtCore import Qt, QTimer, pyqtSignal
from PyQt5.QtWidgets import (
    QButtonGroup,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from rig.jobs.jog import STEPS_MM
from rig.window.words import tr

ARMED_S = 12
_WAYS = {Qt.Key_Left: (-1, 0), Qt.Key_Right: (1, 0), Qt.Key_Up: (0, 1), Qt.Key_Down: (0, -1)}


class Pad(QWidget):
    """Has the keyboard while the keys are armed; losing it disarms them."""

    stepped = pyqtSignal(int, int)  # along X to the right, along Y away
    sized = pyqtSignal(int)  # larger or smaller steps
    left = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.setFocusPolicy(Qt.ClickFocus)
        self.setAccessibleName(tr("Keys that move the hammer"))
        grid = QGridLayout(self)
        grid.setSpacing(4)
        self.buttons: dict[tuple[int, int], QPushButton] = {}
        for text, way, row, column in (("▲", (0, 1), 0, 1), ("◀", (-1, 0), 1, 0),
                                       ("▶", (1, 0), 1, 2), ("▼", (0, -1), 2, 1)):  # fmt: skip
            button = QPushButton(text)
            button.setObjectName("way")
            button.setFocusPolicy(Qt.NoFocus)  # a click must not take the keyboard off the pad
            button.clicked.connect(lambda _on, way=way: self.stepped.emit(*way))
            self.buttons[way] = button
            grid.addWidget(button, row, column)

    def keyPressEvent(self, event: Any) -> None:
        """Arrows step, page keys change the size of the step."""
        if event.key() in _WAYS and event.modifiers() in (Qt.NoModifier, Qt.KeypadModifier):
            self.stepped.emit(*_WAYS[event.key()])
        elif event.key() in (Qt.Key_PageUp, Qt.Key_PageDown):
            self.sized.emit(1 if event.key() == Qt.Key_PageUp else -1)
        else:
            super().keyPressEvent(event)

    def focusOutEvent(self, event: Any) -> None:
        """The keyboard is elsewhere."""
        super().focusOutEvent(event)
        self.left.emit()


class JogPanel(QWidget):
    """Knows no rig; says what is wanted."""

    open_wanted = pyqtSignal()
    close_wanted = pyqtSignal()
    step_wanted = pyqtSignal(float, float)
    live_wanted = pyqtSignal(bool)

    def __init__(self) -> None:
        super().__init__()
        self.armed = False
        self.open = QPushButton(tr("Open the rig…"))
        self.open.setProperty("main", "true")
        self.close_rig = QPushButton(tr("Close the rig"))
        self.arm = QPushButton(tr("Arm the keys"))
        self.arm.setCheckable(True)
        self.arm.setObjectName("arm")
        self.place = QLabel()
        self.place.setObjectName("number")
        self.place.setAlignment(Qt.AlignCenter)
        self.place.setWordWrap(True)
        self.state = QLabel()
        self.state.setWordWrap(True)
        self.state.setObjectName("faint")
        self.problem = QLabel()
        self.problem.setObjectName("problem")
        self.problem.setWordWrap(True)
        self.problem.hide()
        self.sizes = QButtonGroup(self)
        sizes = QHBoxLayout()
        for number, step in enumerate(STEPS_MM):
            button = QPushButton(tr("{0:g} mm", step))
            button.setCheckable(True)
            button.setFocusPolicy(Qt.NoFocus)
            self.sizes.addButton(button, number)
            sizes.addWidget(button)
        self.sizes.button(1).setChecked(True)
        self.pad = Pad()
        self.live = QPushButton(tr("Live picture under the plate"))
        self.live.setCheckable(True)
        self.live.setFocusPolicy(Qt.NoFocus)
        first = QHBoxLayout()
        first.addWidget(self.open)
        first.addWidget(self.close_rig)
        box = QVBoxLayout(self)
        box.setContentsMargins(6, 6, 6, 6)
        box.addLayout(first)
        box.addWidget(self.place)
        box.addWidget(self.arm)
        box.addLayout(sizes)
        box.addWidget(self.pad)
        box.addWidget(self.live)
        box.addWidget(self.problem)
        box.addWidget(self.state)
        box.addStretch(1)
        self._left_s = 0
        self._clock = QTimer(self)
        self._clock.setInterval(1000)
        self._clock.timeout.connect(self._tick)
        self._connect()
        self.show_rig(False, False, None)

    def _connect(self) -> None:
        self.open.clicked.connect(lambda *_: self.open_wanted.emit())
        self.close_rig.clicked.connect(lambda *_: self.close_wanted.emit())
        self.arm.clicked.connect(self._arm_or_disarm)
        self.pad.left.connect(self.disarm)
        self.pad.stepped.connect(self._step)
        self.pad.sized.connect(self._size)
        self.live.toggled.connect(self.live_wanted)

    # --- arming --------------------------------------------------------------------------------

    def _arm_or_disarm(self, on: bool) -> None:
        if not on or not self.arm.isEnabled():
            self.disarm()
            return
        self.armed = True
        self.pad.setFocus()
        self.used()
        self._clock.start()

    def disarm(self) -> None:
        """The keys move nothing any more."""
        self.armed = False
        self._clock.stop()
        self.arm.setChecked(False)
        self.arm.setText(tr("Arm the keys"))
        self._fit()

    def used(self) -> None:
        """The time until the keys disarm begins anew."""
        self._left_s = ARMED_S
        self._say_armed()
        self._fit()

    def _tick(self) -> None:
        self._left_s -= 1
        if self._left_s <= 0:
            self.disarm()
        else:
            self._say_armed()

    def _say_armed(self) -> None:
        self.arm.setText(tr("ARMED, {0} s", self._left_s))

    def _fit(self) -> None:
        for button in self.pad.buttons.values():
            button.setEnabled(self.armed)

    # --- steps ---------------------------------------------------------------------------------

    @property
    def step_mm(self) -> float:
        """The size of a step."""
        return STEPS_MM[self.sizes.checkedId()]

    def _size(self, way: int) -> None:
        number = min(max(self.sizes.checkedId() + way, 0), len(STEPS_MM) - 1)
        self.sizes.button(number).setChecked(True)
        if self.armed:
            self.used()

    def _step(self, along_x: int, along_y: int) -> None:
        if self.armed:
            self.used()
            self.step_wanted.emit(along_x * self.step_mm, along_y * self.step_mm)

    # --- what is shown ---------------------------------------------------------------------------

    def show_rig(self, chosen: bool, is_open: bool, position_mm: Any) -> None:
        """chosen: there is a rig to open; position_mm: of the hammer on the bed, None unknown."""
        self.open.setEnabled(chosen and not is_open)
        self.close_rig.setEnabled(is_open)
        ready = is_open and position_mm is not None
        self.arm.setEnabled(ready)
        self.live.setEnabled(ready)
        if not ready and self.armed:
            self.disarm()
        self._fit()
        if not chosen:
            text = tr("Choose a rig first.")
        elif not is_open:
            text = tr("Open the rig, arm the keys, then step with the arrow keys: to the right and "
                      "away from you on the bed. Page keys change the step.")  # fmt: skip
        else:
            text = tr(
                "Arrow keys: on the bed to the right and away from you. Page keys: larger "
                "and smaller steps. The keys disarm after {0} s without use and when the "
                "keyboard goes elsewhere. HALT: the red button, Esc or the space bar.",
                ARMED_S,
            )
        self.state.setText(text)
        self.place.setVisible(is_open)
        self.place.setText(
            tr("homing") if position_mm is None else tr("X {0:.1f}<br>Y {1:.1f}", *position_mm)
        )

    def say(self, text: str) -> None:
        """A sentence at this place."""
        self.problem.setText(text)
        self.problem.setVisible(bool(text))
