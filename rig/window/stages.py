"""The stages of the job in their order, each saying what is missing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QScrollArea, QVBoxLayout, QWidget

from rig.window.settings import RigChoice, ScanChoice
from rig.window.stage_card import StageCard
from rig.window.words import known, tr, trn

if TYPE_CHECKING:
    from rig.jobs.lay import Laid
    from rig.jobs.overview import Overview


class Stages(QScrollArea):
    """Seven cards, one open at a time."""

    def __init__(self) -> None:
        super().__init__()
        self.setWidgetResizable(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarAlwaysOff)
        self.setFrameShape(QScrollArea.NoFrame)
        self.setFocusPolicy(Qt.NoFocus)
        names = (tr("Rig ready"), tr("Lay"), tr("Plan"), tr("Scan"), tr("Read"), tr("Compare"),
                 tr("Record"))  # fmt: skip
        self.cards = [StageCard(place, name) for place, name in enumerate(names, start=1)]
        self.rig, self.lay, self.plan, self.scan, self.read, self.compare, self.record = self.cards
        inside = QWidget()
        box = QVBoxLayout(inside)
        box.setContentsMargins(6, 6, 6, 6)
        box.setSpacing(3)
        for card in self.cards:
            card.opened.connect(self.open_card)
            box.addWidget(card)
        box.addStretch(1)
        self.setWidget(inside)
        self._build()
        self.open_card(self.rig)

    def _build(self) -> None:
        self.choose_rig = self.rig.button(tr("Choose the rig…"), main=True)
        self.calibrate = self.rig.button(tr("Calibrations…"))
        self.look_round = self.rig.button(tr("What is plugged in?"))

        self.face = self.lay.choice(tr("Face up"), [(tr("outer"), "outer"), (tr("inner"), "inner")])
        self.take_picture = self.lay.button(tr("Find the plate"), main=True)

        self.spacing = self.plan.field(tr("Spacing, mm"), "9")
        self.strength = self.plan.choice(
            tr("Strength"), [(tr("light"), "light"), (tr("firm"), "firm")]
        )
        self.repeats = self.plan.field(tr("Strikes per tap"), "1")
        self.show_plan = self.plan.button(tr("Show the taps"), main=True)

        self.start_scan = self.scan.button(tr("Start the scan…"), main=True)
        self.resume_scan = self.scan.button(tr("Go on with the unfinished scan…"))

        self.which = self.read.choice(tr("Scan"), [])
        self.reading = self.read.choice(
            tr("Reading"),
            [(tr("best there is"), ""), (tr("local tone"), "local"), (tr("attack"), "attack"),
             (tr("contact"), "contact")],
        )  # fmt: skip
        self.target = self.read.choice(tr("Target"), [])
        self.make_map = self.read.button(tr("Make the map"), main=True)
        self.make_modes = self.read.button(tr("Find the nodal lines"))
        self.next_doubtful = self.read.button(tr("Next doubtful tap"))

        self.before = self.compare.choice(tr("Before"), [])
        self.after = self.compare.choice(tr("After"), [])
        self.make_change = self.compare.button(tr("Show the change"), main=True)
        self.side_by_side = self.compare.button(tr("Side by side"))
        self.side_by_side.setCheckable(True)
        self.side_by_side.setEnabled(False)

        self.report_kind = self.record.choice(
            tr("Kind"),
            [
                (tr("one page for the bench"), "bench"),
                (tr("record for the owner"), "owner"),
                (tr("hand-out for a class"), "class"),
                (tr("everything"), "technical"),
            ],
        )
        self.write_report = self.record.button(tr("Write a report…"), main=True)

    def open_card(self, card: StageCard) -> None:
        """Open one card and close the others."""
        for other in self.cards:
            other.open(other is card)
        self.widget().layout().activate()  # else it scrolls to where the card was before
        self.ensureWidgetVisible(card)

    def silence(self) -> None:
        """Take all complaints back."""
        for card in self.cards:
            card.say("")

    def scan_choice(self) -> ScanChoice | None:
        """How the next scan is to be; None where a number cannot be read (it has been said)."""
        self.plan.say("")
        spacing = self.plan.read_number(self.spacing, 2, 60)
        repeats = None if spacing is None else self.plan.read_number(self.repeats, 1, 9)
        if spacing is None or repeats is None:
            return None
        if repeats != int(repeats):
            self.plan.fields.complain(self.repeats, tr("Strikes per tap are a whole number."))
            return None
        return ScanChoice(
            self.face.currentData(), self.strength.currentData(), spacing, int(repeats)
        )

    def show_state(
        self,
        folder: Path | None,
        rig: RigChoice,
        seen: Overview | None,
        laid: Laid | None,
        planned: int | None,
        *,
        scanning: bool,
    ) -> None:
        """Say of every stage how it stands and what is missing."""
        if rig.world is not None:
            self.rig.set_state(tr("Virtual rig, world “{0}”.", rig.world), True)
        elif rig.rig_file is not None:
            self.rig.set_state(tr("Rig file {0}.", Path(rig.rig_file).name), True)
        else:
            self.rig.set_state(tr("No rig chosen yet."))
        self._show_lay(folder, rig, laid)
        if seen is None or seen.outline is None:
            self.plan.set_state(tr("No outline yet: find the plate."))
        elif planned is None:
            self.plan.set_state(tr("Say how close the taps are to be."))
        else:
            self.plan.set_state(trn("{0} tap.", "{0} taps.", planned), True)
        self._show_scan(folder, rig, seen, scanning)
        self._show_read(seen)
        ready = folder is not None and rig.chosen and not scanning
        self.take_picture.setEnabled(ready)
        self.show_plan.setEnabled(seen is not None and seen.outline is not None)
        self.start_scan.setEnabled(ready)
        self.resume_scan.setEnabled(
            not scanning and seen is not None and seen.unfinished is not None
        )
        self.choose_rig.setEnabled(not scanning)

    @staticmethod
    def scan_names(seen: Overview | None) -> list[tuple[str, str]]:
        """The scans of a plate as (text, name), oldest first."""
        scans = seen.scans if seen is not None else ()
        return [(f"{one.scan} · {known(one.face)} · {one.taps_done}", one.scan) for one in scans]

    def _show_lay(self, folder: Path | None, rig: RigChoice, laid: Laid | None) -> None:
        if folder is None:
            self.lay.set_state(tr("No plate open."))
        elif not rig.chosen:
            self.lay.set_state(tr("Choose a rig first."))
        elif laid is None:
            self.lay.set_state(tr("Lay the plate on the bed, then have it found."))
        elif laid.result.located.pose is None:
            self.lay.set_state(tr("Not found."))
        else:
            pose = laid.result.located.pose
            doubt = tr(", good to {0:.1f} mm", pose.sd_mm) if pose.sd_mm is not None else ""
            text = tr("Found, turned {0:.1f}°{1}.", pose.angle_deg, doubt)
            self.lay.set_state(text.replace("-", "−"), True)

    def _show_scan(
        self, folder: Path | None, rig: RigChoice, seen: Overview | None, scanning: bool
    ) -> None:
        done = [one for one in seen.scans if one.taps_done] if seen is not None else []
        if scanning:
            self.scan.set_state(tr("Tapping."))
        elif folder is None:
            self.scan.set_state(tr("No plate open."))
        elif seen is not None and seen.unfinished is not None:
            self.scan.set_state(tr("{0} is unfinished.", seen.unfinished))
        elif not rig.chosen:
            self.scan.set_state(tr("No rig chosen yet."))
        elif done:
            last = done[-1]
            self.scan.set_state(
                tr(
                    "{0}: {1} of {2} taps, {3} face.",
                    last.scan,
                    last.taps_done,
                    last.taps_planned,
                    known(last.face),
                ),
                True,
            )
        else:
            self.scan.set_state(tr("No scan yet."))

    def _show_read(self, seen: Overview | None) -> None:
        taps = seen.taps if seen is not None else ()
        struck = [tap for tap in taps if tap.state != "planned"]
        doubtful = sum(tap.state == "doubtful" for tap in struck)
        bad = sum(tap.state == "bad" for tap in struck)
        if struck:
            self.read.set_state(
                tr("{0} struck, {1} doubtful, {2} unused.", len(struck), doubtful, bad), True
            )
        else:
            self.read.set_state(tr("Nothing to read yet."))
        for button in (self.make_map, self.make_modes):
            button.setEnabled(bool(struck))
        self.next_doubtful.setEnabled(doubtful + bad > 0)
        scans = seen.scans if seen is not None else ()
        several = len(scans) > 1
        self.compare.set_state(
            tr("{0} scans to choose from.", len(scans)) if several else tr("Two scans are needed."),
        )
        self.make_change.setEnabled(several)
        self.record.set_state(
            tr("A report can be written.") if struck else tr("Nothing to report yet.")
        )
        self.write_report.setEnabled(bool(struck))
        names = self.scan_names(seen)
        last = len(scans) - 1
        alike = [n for n in range(last) if scans[n].face == scans[last].face]
        earlier = alike[-1] if alike else max(0, last - 1)
        for box, at in ((self.which, last), (self.before, earlier), (self.after, last)):
            before = [(box.itemText(n), box.itemData(n)) for n in range(box.count())]
            if before == names:
                continue
            kept = box.currentData() if len(before) == len(names) else None
            box.blockSignals(True)
            box.clear()
            for text, name in names:
                box.addItem(text, name)
            place = box.findData(kept) if kept else at
            box.setCurrentIndex(place if names else -1)
            box.blockSignals(False)
