"""Calibrations in the window: the page's orders become jobs, their results are kept and shown."""

from __future__ import annotations

import tempfile
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import QObject
from PyQt5.QtGui import QPixmap
from PyQt5.QtWidgets import QFileDialog

from rig.window import dialogs
from rig.window.calibration_words import found_lines, stands
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.jobs.calibrate_records import CalibrationList
    from rig.window.main_window import MainWindow

_JOBS = {
    "lens": "calibrate_lens.calibrate_lens_of", "gantry": "calibrate_gantry.calibrate_gantry",
    "tapper": "calibrate_tapper.calibrate_tapper", "sound": "calibrate_sound.calibrate_sound",
    "bar": "calibrate_sound.calibrate_bar", "repeatability": "calibrate_repeat.calibrate_repeat",
}  # fmt: skip
MARK = "calibrate_gantry.mark_sheet"


class Calibrating(QObject):
    """Between the page and the jobs."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self._window = window
        self.page = window.calibration
        self.control: Any = None  # of a gantry that marks dots
        self._coverage: Path | None = None
        self.page.run_wanted.connect(self.run)
        self.page.more_wanted.connect(self.more)
        self.page.back_wanted.connect(self.close)
        window.desk.changed.connect(self.refresh)
        window.desk.workers.progressed.connect(self._progress)
        window.desk.workers.ended.connect(self._ended)

    @property
    def is_open(self) -> bool:
        """Whether the page is shown."""
        return self._window.middle.currentWidget() is self.page

    @property
    def moving(self) -> bool:
        """Whether the gantry marks dots."""
        return self.control is not None

    def open(self) -> None:
        """Show the page."""
        self._window.middle.setCurrentWidget(self.page)
        self.refresh()
        self.page.list.setFocus()

    def close(self) -> None:
        """Back to the plate, or to where one is chosen."""
        window = self._window
        window.middle.setCurrentWidget(window.welcome)
        window.show_state()

    # --- whose calibrations ----------------------------------------------------------------------

    def _whose(self) -> dict[str, Any] | None:
        """Rig file, or the folder for records of a rig without one; None: there is neither."""
        desk = self._window.desk
        if desk.rig.rig_file is not None:
            return {"rig": desk.rig.rig_file}
        if desk.folder is not None:
            return {"records": desk.folder.parent / "calibration"}
        return None

    def refresh(self) -> None:
        """How all of them stand now."""
        whose = self._whose()
        if not self.is_open:
            return
        if whose is None:
            self.page.show_standing(
                {},
                tr(
                    "Whose? Choose a rig file, or open a plate: beside either the records are kept."
                ),
            )
        elif not self._window.desk.workers.running("calibrate_records.calibrations"):
            self._window.desk.do("calibration list", "calibrate_records.calibrations",
                                 self._show, **whose)  # fmt: skip

    def _show(self, listed: CalibrationList) -> None:
        self.page.show_standing({kind: stands(listed, kind) for kind in self.page.procedures})
        if listed.problems:
            self.page.say(" ".join(listed.problems))

    # --- running one -----------------------------------------------------------------------------

    def run(self, kind: str, values: dict[str, Any]) -> None:
        """Run the procedure with what was filled in."""
        whose, desk = self._whose(), self._window.desk
        one = self.page.procedures[kind]
        if self._refused(one.needs_rig_file):
            return
        if one.needs_plate and desk.folder is None:
            self.page.say(tr("Open the plate first whose scans are to be studied."))
            return
        options = self._options(kind, values)
        if options is None or whose is None:
            return
        self.page.found.setText("")

        def done(result: Any) -> None:
            self._show_coverage()
            self.page.show_found(found_lines(kind, result))
            self.refresh()

        desk.do("calibration", _JOBS[kind], done, **options, **whose)

    def _refused(self, needs_rig_file: str) -> bool:
        """Say why it cannot be done here, if it cannot."""
        desk = self._window.desk
        if desk.run is not None or self._window.jogging.is_open:
            self.page.say(tr("The rig is in use; calibrate it when it is at rest."))
        elif needs_rig_file and desk.rig.rig_file is None:
            self.page.say(needs_rig_file)
        elif self._whose() is None:
            self.page.say(tr("Choose a rig file or open a plate first, so that the record has a "
                             "place."))  # fmt: skip
        else:
            return False
        return True

    def _options(self, kind: str, values: dict[str, Any]) -> dict[str, Any] | None:
        """What the job is to be told; None where something is missing (it has been said)."""
        if kind == "lens":
            return values | {"coverage_png": self._coverage_file()}
        if kind == "gantry":
            plan = self._plan()
            if not plan.is_file():
                self.page.say(tr("Have the dots marked first."))
                return None
            return values | {"plan": plan}
        if kind == "bar":
            sizes = [f"{values[name]:g}" for name in ("length", "width", "thickness", "mass")]
            return {"recording": values["recording"], "bar": ",".join(sizes)}
        if kind == "repeatability":
            labels = {}
            for part in (values["labels"] or "").replace(";", ",").split(","):
                scan, equals, label = (text.strip() for text in part.partition("="))
                if part.strip() and not (scan and equals and label):
                    self.page.say(tr("“{0}” is no label: write it as S0001=Ida.", part.strip()))
                    return None
                if part.strip():
                    labels[scan] = label
            return {"folder": self._window.desk.folder, "labels": labels}
        return values

    def _plan(self) -> Path:
        """The table of dots, kept with the records."""
        return Path(str(self._window.desk.rig.rig_file)).parent / "calibration" / "dots.csv"

    def _coverage_file(self) -> Path:
        if self._coverage is None:
            self._coverage = Path(tempfile.mkdtemp(prefix="platerig-")) / "coverage.png"
        self._coverage.unlink(missing_ok=True)
        return self._coverage

    def _show_coverage(self) -> None:
        if self.page.kind == "lens" and self._coverage is not None and self._coverage.is_file():
            self.page.sketch.show_picture(QPixmap(str(self._coverage)))

    # --- further buttons -------------------------------------------------------------------------

    def more(self, name: str, values: dict[str, Any]) -> None:
        """Sheets as PDF, pictures taken now, dots marked."""
        if name == "sheet":
            self._ask_pdf("lens-sheet.pdf", "calibrate_lens.write_sheet", paper=values["paper"])
        elif name == "capture":
            reason = tr("The virtual camera has no lens to calibrate; choose the rig file of a "
                        "real rig.")  # fmt: skip
            if not self._refused(reason):
                folder = self._plan().parent / "lens-pictures"
                self.run("lens", {"pictures": [], "capture": folder, "paper": values["paper"]})
        elif self._refused(self.page.procedures["gantry"].needs_rig_file):
            return
        elif name == "markers":
            self._ask_pdf("bed-markers.pdf", "bed_sheet.write_bed_sheet",
                          rig=self._window.desk.rig.rig_file)  # fmt: skip
        else:
            dialog = dialogs.HandsClear(self._window, simulated=False)
            dialog.accepted.connect(self.mark)
            self._window.ask(dialog)

    def _ask_pdf(self, name: str, job: str, **options: Any) -> None:
        window = self._window
        dialog = QFileDialog(window, tr("Write the sheet"), name, tr("PDF (*.pdf)"))
        dialog.setAcceptMode(QFileDialog.AcceptSave)
        dialog.setOption(QFileDialog.DontUseNativeDialog)
        dialog.setDefaultSuffix("pdf")
        dialog.selectFile(name)
        dialog.fileSelected.connect(lambda out: self._write_sheet(job, out, options))
        window.ask(dialog)

    def _write_sheet(self, job: str, out: str, options: dict[str, Any]) -> None:
        def done(path: Path) -> None:
            self.page.show_found([
                tr("Written: {0}. Print it at 100 % and measure the rulers.", path)
            ])  # fmt: skip

        self._window.desk.do("calibration", job, done, out=out, **options)

    def mark(self) -> None:
        """Hands are clear: the gantry homes and strikes the dots."""
        from rig.jobs.stops import ScanControl

        desk, window = self._window.desk, self._window
        plan = self._plan()
        plan.parent.mkdir(exist_ok=True)
        self.control = ScanControl()

        def done(_plan: Path) -> None:
            self.page.show_found([tr("Marked. Take the picture without moving the sheet.")])

        if desk.do("calibration", MARK, done, rig=desk.rig.rig_file, plan=plan,
                   control=self.control):  # fmt: skip
            window.run_bar.halt.setFocus()
        else:
            self.control = None

    def halt(self) -> None:
        """Now. In a thread of its own: the serial line must not wait for the window."""
        if self.control is not None:
            threading.Thread(target=self.control.halt, name="halt", daemon=True).start()

    def stop(self) -> None:
        """After this dot."""
        if self.control is not None:
            self.control.stop()

    def _ended(self, name: str) -> None:
        if name == MARK:
            self.control = None

    def _progress(self, name: str, _events: list[Any]) -> None:
        if name == _JOBS["lens"]:
            self._show_coverage()  # it grows while pictures are taken
