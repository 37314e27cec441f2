"""The ear on trial: two sounds, which is higher? Two large buttons, again, stop."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import pyqtSignal
from PyQt5.QtWidgets import (
    QComboBox,
    QFormLayout,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from rig.window.number_fields import NumberFields
from rig.window.words import signed, tr, trn

if TYPE_CHECKING:
    from rig.jobs.ear_training import EarProgress, Question, Training


class EarPanel(QWidget):
    """Knows neither plate nor sound."""

    begin_wanted = pyqtSignal(object)  # listener, way, trials
    answered = pyqtSignal(str)  # first or second
    again_wanted = pyqtSignal()
    stop_wanted = pyqtSignal()
    sheet_wanted = pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.listener = QLineEdit()
        self.listener.setAccessibleName(tr("Whose ear"))
        self.way = QComboBox()
        self.way.setSizeAdjustPolicy(QComboBox.AdjustToMinimumContentsLengthWithIcon)
        for text, value in (
            (tr("Taps as they are"), "taps"), (tr("Easy: differences widened"), "easy"),
            (tr("One tap, moved in pitch"), "moved"),
        ):  # fmt: skip
            self.way.addItem(text, value)
        self.form = QFormLayout()
        self.form.setRowWrapPolicy(QFormLayout.WrapLongRows)
        self.form.addRow(tr("Whose ear"), self.listener)
        self.form.addRow(tr("Sounds"), self.way)
        self.fields = NumberFields(self.form)
        self.form.addRow(self.fields.watch(self.listener))
        self.trials = self.fields.add(tr("Questions"), "40")
        self.begin = QPushButton(tr("Begin"))
        self.begin.setProperty("main", "true")
        self.stop, self.sheet = QPushButton(tr("Stop")), QPushButton(tr("The class on one sheet…"))
        self.question, self.verdict, self.problem = QLabel(), QLabel(), QLabel()
        self.question.setObjectName("big")
        self.problem.setObjectName("problem")
        for label in (self.question, self.verdict, self.problem):
            label.setWordWrap(True)
        self.problem.hide()
        self.first, self.second = QPushButton(tr("First")), QPushButton(tr("Second"))
        for button in (self.first, self.second):
            button.setObjectName("arm")
        self.again = QPushButton(tr("Hear both again"))
        self.text = QTextBrowser()
        self.text.setAccessibleName(tr("How small a difference each ear tells"))
        self._lay_out()
        self.begin.clicked.connect(lambda *_: self._begin())
        self.first.clicked.connect(lambda *_: self.answered.emit("first"))
        self.second.clicked.connect(lambda *_: self.answered.emit("second"))
        self.again.clicked.connect(lambda *_: self.again_wanted.emit())
        self.stop.clicked.connect(lambda *_: self.stop_wanted.emit())
        self.sheet.clicked.connect(lambda *_: self.sheet_wanted.emit())
        self.text.setPlaceholderText(
            tr("Two taps are played. Say which is higher. Three right answers in a row make it "
               "harder, a wrong one easier; at the end stands how small a difference this ear "
               "tells three times out of four.")
        )  # fmt: skip
        self.show_running(False)

    def _lay_out(self) -> None:
        box = QVBoxLayout(self)
        box.setContentsMargins(6, 6, 6, 6)
        box.setSpacing(4)
        box.addLayout(self.form)
        row = QHBoxLayout()
        row.addWidget(self.begin)
        row.addWidget(self.stop)
        box.addLayout(row)
        box.addWidget(self.problem)
        box.addWidget(self.question)
        grid = QGridLayout()
        grid.addWidget(self.first, 0, 0)
        grid.addWidget(self.second, 0, 1)
        grid.addWidget(self.again, 1, 0, 1, 2)
        box.addLayout(grid)
        box.addWidget(self.verdict)
        box.addWidget(self.text, 1)
        box.addWidget(self.sheet)

    def _begin(self) -> None:
        self.fields.silence()
        if not self.listener.text().strip():
            self.fields.complain(self.listener, tr("Whose ear is it? Write a name."))
            return
        fine, trials = self.fields.read(self.trials, 1, 400)
        if fine and trials is not None and trials == int(trials):
            self.begin_wanted.emit({
                "listener": self.listener.text().strip(), "way": self.way.currentData(),
                "trials": int(trials),
            })  # fmt: skip
        elif fine:
            self.fields.complain(self.trials, tr("The number of questions is a whole number."))

    # --- what is shown -------------------------------------------------------------------------

    def say(self, text: str) -> None:
        """A sentence at this place."""
        self.problem.setText(text)
        self.problem.setVisible(bool(text))

    def show_running(self, running: bool) -> None:
        """Whether somebody is being asked."""
        for widget in (self.begin, self.listener, self.way, self.trials, self.sheet):
            widget.setEnabled(not running)
        self.stop.setEnabled(running)
        if not running:
            self.question.setText("")
            self.show_waiting(False)

    def show_waiting(self, waiting: bool) -> None:
        """Whether an answer is waited for."""
        for button in (self.first, self.second, self.again):
            button.setEnabled(waiting)

    def ask(self, number: int, trials: int) -> None:
        """The next question; it may be answered while it sounds."""
        self.question.setText(tr("{0} of {1}: which is higher?", number, trials))
        self.show_waiting(True)

    def tell(self, question: Question) -> None:
        """Whether the answer was right, and what the attacks say."""
        answer = question.answer
        verdict = tr("Right.") if answer.right else tr("Not so.")
        size = f"{abs(answer.delta_cents):.0f}"
        higher = (
            tr("By its attack the second is higher, {0} ± {1:.0f} cents.", size, answer.sd_cents)
            if answer.delta_cents > 0
            else tr("By its attack the second is lower, {0} ± {1:.0f} cents.", size,
                    answer.sd_cents)
        )  # fmt: skip
        self.verdict.setText(f"<b>{verdict}</b> {higher}")

    def show_training(self, made: Training) -> None:
        """How small a difference this ear tells."""
        right = sum(answer.right for answer in made.answers)
        lines = [trn("{1} of {0} answer right.", "{1} of {0} answers right.",
                     len(made.answers), right)]  # fmt: skip
        if made.threshold is None:
            lines.append(made.why)
        else:
            lines.append(_told(made.threshold))
        if made.simulated:
            lines.append(tr("SIMULATED: these are taps of the virtual rig."))
        self.verdict.setText("<br>".join(map(html.escape, lines)))

    def show_progress(self, made: EarProgress) -> None:
        """Every listener and day of the book."""
        head = (tr("Listener"), tr("Day"), tr("Right"), tr("Cents told"))
        rows = "".join(f"<td><b>{text}</b></td>" for text in head)
        page = f"<tr>{rows}</tr>"
        for one in (*made.days, *made.overall):
            found = one.threshold
            cents = tr("too few") if found is None else (
                f"{found.cents:.0f} ({found.low_cents:.0f}–{found.high_cents:.0f})")  # fmt: skip
            cells = (one.listener, one.day or tr("all days"), f"{one.right}/{one.questions}", cents)
            page += "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in cells) + "</tr>"
        faults = "".join(f"<p>{html.escape(fault)}</p>" for fault in made.faults)
        picture = "" if made.picture is None else f"<p>{tr('Written: {0}', made.picture)}</p>"
        self.text.setHtml(f"{picture}<table cellpadding='3'>{page}</table>{faults}")


def _told(found: Any) -> str:
    return tr(
        "Told three times out of four from {0} cents up (between {1} and {2}).",
        signed(found.cents).lstrip("+"), signed(found.low_cents).lstrip("+"),
        signed(found.high_cents).lstrip("+"),
    )  # fmt: skip
