"""What lies beside the maps at the window: fetched with the plate, shown as layers at will."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import QObject

from rig.window import layers_beside
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.jobs.drawn_beside import Beside, DrawnThickness
    from rig.jobs.plate_picture import PlatePicture
    from rig.window.main_window import MainWindow


def thickness_title(drawn: DrawnThickness) -> str:
    """When and at how many places it was measured."""
    return tr(
        "Thickness, measured {0} at {1} places",
        drawn.readings.measured_on,
        len(drawn.readings.thickness_mm),
    )


class BesideTheMaps(QObject):
    """Hand marks and thickness of the plate on the desk."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window)
        self._window = window
        self.found: Beside | None = None
        self.picture: PlatePicture | None = None
        self._fresh = False  # the picture was taken just now, not with a scan
        self._record = 0
        self._fetched: tuple[Any, ...] = ()

    def forget(self) -> None:
        """Another plate lies on the desk."""
        self.found, self._fetched = None, ()
        self.picture, self._fresh = None, False

    @property
    def face(self) -> str | None:
        """The face of the scan that is shown; None without one."""
        seen = self._window.desk.seen
        scans = () if seen is None else seen.scans
        return next((one.face for one in scans if seen and one.scan == seen.scan), None)

    def fetch_anew(self) -> None:
        """Something has been added to the folder."""
        self._fetched = ()
        self.fetch()

    def fetch(self) -> None:
        """Fetch for the scan that is shown; once for each."""
        desk = self._window.desk
        seen = desk.seen
        if seen is None or desk.run is not None:
            return
        face = self.face
        wanted = (seen.folder, face, seen.scan, seen.outline is None)
        if wanted == self._fetched or desk.workers.running("drawn_beside.drawn_beside"):
            return
        self._fetched = wanted
        desk.do("beside", "drawn_beside.drawn_beside", self._take, folder=seen.folder, face=face,
                scan=seen.scan)  # fmt: skip

    def _take(self, found: Beside) -> None:
        window = self._window
        self.found, self._record = found, 0
        shown = [n for n in ("hand", "thickness", "picture") if window.plate.layers[n].shown]
        kept_picture = None if found.picture is not None or not self._fresh else self.picture
        window.put_away("hand", "thickness", "picture")
        if found.hand:
            layers_beside.fill_hand(window.plate.layers["hand"], found.hand[0])
            window.offer("hand", show=False)
        if found.thickness is not None:
            layers_beside.fill_thickness(window.plate.layers["thickness"], found.thickness)
            window.offer("thickness", show=False)
        self.picture = kept_picture or found.picture
        self._fresh = kept_picture is not None
        if self.picture is not None:
            layers_beside.fill_picture(window.plate.layers["picture"], self.picture)
            window.offer("picture", show=False)
        for name in shown:
            if window.layer_buttons[name].isEnabled():
                window.show_layer(name, True, tell=False)
        if found.cautions:
            window.show_findings("<br>".join(map(html.escape, found.cautions)))
        self.fetch()  # another scan may have been chosen meanwhile

    def show_picture(self, picture: PlatePicture) -> None:
        """A fresh picture under the plate."""
        self.picture, self._fresh = picture, True
        layers_beside.fill_picture(self._window.plate.layers["picture"], picture)
        if not self._window.plate.layers["picture"].shown:
            self._window.offer("picture")

    def next_record(self) -> None:
        """The next older record of the hand."""
        if self.found is None or not self.found.hand:
            return
        self._record = (self._record + 1) % len(self.found.hand)
        layers_beside.fill_hand(self._window.plate.layers["hand"], self.found.hand[self._record])
        self._window.show_layer("hand", True)

    def hand_words(self) -> str:
        """What the legend says of the marks that are shown; empty where there are none."""
        if self.found is None or not self.found.hand:
            return ""
        return layers_beside.hand_words(self.found.hand[self._record])

    def thickness_words(self) -> tuple[str, float, tuple[str, str], Any] | None:
        """Title, reach, ends and scale for the legend."""
        drawn = None if self.found is None else self.found.thickness
        if drawn is None:
            return None
        return (thickness_title(drawn), drawn.reach_mm, (tr("thinner"), tr("thicker")),
                lambda off: tr("{0:.2f} mm", drawn.middle_mm + off))  # fmt: skip

    def text(self, name: str) -> str:
        """What the findings say of a layer; empty where nothing is to be said."""
        if name == "picture" and self.picture is not None:
            return html.escape(self.picture.said)
        if self.found is None:
            return ""
        if name == "hand" and self.found.hand:
            record = self.found.hand[self._record]
            lines = [f"<b>{html.escape(self.hand_words())}</b>",
                     tr("Source {0}.", html.escape(record.hand.source)),
                     *map(html.escape, record.hand.notes)]  # fmt: skip
            if len(self.found.hand) > 1:
                lines.append(tr("Shift+H shows the next record of {0}.", len(self.found.hand)))
            return "<br>".join(lines)
        if name == "thickness" and self.found.thickness is not None:
            drawn = self.found.thickness
            thickness = drawn.readings.thickness_mm
            more = tr(
                "From {0:.2f} to {1:.2f} mm, middle {2:.2f} mm. Between the readings it is spread "
                "smoothly; far from any it is a guess.",
                thickness.min(),
                thickness.max(),
                drawn.middle_mm,
            )
            return f"<b>{html.escape(thickness_title(drawn))}</b><br>{more}"
        return ""
