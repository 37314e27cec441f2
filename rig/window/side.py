"""The right side: one page at a time, so that each has the whole height."""

from __future__ import annotations

from PyQt5.QtWidgets import QTabWidget, QTextBrowser, QWidget

from rig.window.ear_panel import EarPanel
from rig.window.jog_panel import JogPanel
from rig.window.listen_panel import ListenPanel
from rig.window.spot_panel import SpotPanel
from rig.window.words import tr


class Side(QTabWidget):
    """The chosen spot, what the maps say, what is heard, the hammer by hand, the ear on trial."""

    def __init__(self) -> None:
        super().__init__()
        self.setDocumentMode(True)
        self.tabBar().setDrawBase(False)
        self.setUsesScrollButtons(False)
        self.spot, self.listen, self.jog = SpotPanel(), ListenPanel(), JogPanel()
        self.ear = EarPanel()
        self.findings = QTextBrowser()
        self.findings.setAccessibleName(tr("Findings"))
        self.findings.setPlaceholderText(tr("What the maps say will stand here."))
        self.pages: dict[str, QWidget] = {
            tr("Spot"): self.spot, tr("Findings"): self.findings, tr("Listen"): self.listen,
            tr("Jog"): self.jog, tr("Ear"): self.ear,
        }  # fmt: skip
        for text, page in self.pages.items():
            self.addTab(page, text)

    def show_page(self, page: QWidget) -> None:
        """Bring a page to the front."""
        self.setCurrentWidget(page)
