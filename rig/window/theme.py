"""Colours and type, light or dark as the system's palette is."""

from __future__ import annotations

from dataclasses import dataclass

from PyQt5.QtGui import QColor, QFont, QPalette
from PyQt5.QtWidgets import QApplication


@dataclass(frozen=True)
class Theme:
    """One set of colours; all pairs of text and ground have a contrast of 4.5 or more."""

    ground: str
    panel: str
    raised: str
    line: str
    ink: str
    faint: str
    accent: str
    on_accent: str
    caution: str
    wood: str
    dark: bool


LIGHT = Theme("#fbf9f4", "#efebe1", "#ffffff", "#c9c2b2", "#22262b", "#5d6066", "#12615f",
              "#ffffff", "#8a4b00", "#e4d6b8", False)  # fmt: skip
DARK = Theme("#16191c", "#22272b", "#2e3439", "#4a5259", "#ecebe5", "#a9b0b5", "#63c7ba",
             "#10201f", "#f0b35a", "#4d4436", True)  # fmt: skip
USUAL_PT, LARGEST_PT = 10.5, 32.0
HALT, ON_HALT = "#b3141b", "#ffffff"
SIMULATED, ON_SIMULATED = "#f2c230", "#22262b"
# Okabe and Ito's set (2008), apart for eyes that do not tell red from green.
PLANNED, DONE, DOUBTFUL, BAD = "#8b8f94", "#0072b2", "#e69f00", "#cc79a7"


def theme() -> Theme:
    """The set that fits the system's palette."""
    ground = QApplication.palette().color(QPalette.Window)
    return DARK if ground.lightness() < 128 else LIGHT


def type_scale() -> float:
    """How much larger than usual the type is; what is drawn grows with it."""
    window = next((w for w in QApplication.topLevelWidgets() if w.objectName() == "bench"), None)
    return 1.0 if window is None else float(getattr(window, "size_pt", USUAL_PT)) / USUAL_PT


def drawn_width(width: float) -> float:
    """A width of lines or marks, in pixels, that grows with the type."""
    return width * type_scale()


def axis_font() -> QFont:
    """The type of the numbers on the axes."""
    font = QApplication.font()
    font.setPointSizeF(0.85 * USUAL_PT * type_scale())
    return font


def dark_palette() -> QPalette:
    """A dark palette, for systems that have none."""
    made = QPalette()
    for role, colour in (
        (QPalette.Window, DARK.panel), (QPalette.Base, DARK.ground),
        (QPalette.Text, DARK.ink), (QPalette.WindowText, DARK.ink),
        (QPalette.Button, DARK.raised), (QPalette.ButtonText, DARK.ink),
        (QPalette.ToolTipBase, DARK.raised), (QPalette.ToolTipText, DARK.ink),
        (QPalette.Highlight, DARK.accent), (QPalette.HighlightedText, DARK.on_accent),
    ):  # fmt: skip
        made.setColor(role, QColor(colour))
    return made


def style_sheet(size_pt: float) -> str:
    """The style of the whole window at a type size."""
    t = theme()
    return f"""
* {{ font-size: {size_pt}pt; }}
QMainWindow, QDialog, QScrollArea, QScrollArea > QWidget > QWidget {{ background: {t.panel}; }}
QWidget {{ color: {t.ink}; }}
QMenuBar, QMenu {{ background: {t.panel}; color: {t.ink}; }}
QMenu::item:selected, QMenuBar::item:selected {{ background: {t.accent}; color: {t.on_accent}; }}
QPushButton, QComboBox, QLineEdit, QTextBrowser, QListWidget, QTableWidget {{
  background: {t.raised}; color: {t.ink}; border: 1px solid {t.line}; border-radius: 4px; }}
QTextBrowser, QTableWidget {{ border-radius: 0; }}
QComboBox QAbstractItemView {{ background: {t.raised}; color: {t.ink}; }}
QPushButton {{ padding: 0.35em 0.6em; }}
QComboBox, QLineEdit {{ padding: 0.2em 0.4em; min-height: 1.4em; }}
QPushButton:hover {{ border-color: {t.accent}; }}
QPushButton:focus, QComboBox:focus, QLineEdit:focus {{ border: 2px solid {t.accent}; }}
QPushButton:checked, QPushButton[main="true"] {{
  background: {t.accent}; color: {t.on_accent}; border-color: {t.accent}; }}
QPushButton:disabled, QComboBox:disabled, QLineEdit:disabled {{
  background: {t.panel}; color: {t.faint}; border-color: {t.line}; }}
QPushButton#halt {{ background: {HALT}; color: {ON_HALT}; border: 3px solid {HALT};
  font-size: {1.7 * size_pt}pt; font-weight: bold; padding: 0.2em 1.1em; }}
QPushButton#halt:focus {{ border-color: {t.ink}; }}
QPushButton#stage {{ text-align: left; font-weight: bold; border: none; border-radius: 0;
  background: transparent; padding: 0.3em 0.4em; }}
QPushButton#stage:checked {{ background: {t.accent}; color: {t.on_accent}; }}
QPushButton#layer {{ text-align: left; padding: 0.3em 0.6em; }}
QPushButton#stage:focus {{ border: 1px solid {t.accent}; }}
QPushButton#way {{ font-size: {1.6 * size_pt}pt; padding: 0.2em; }}
QPushButton#arm {{ font-size: {1.3 * size_pt}pt; padding: 0.4em; }}
QPushButton#arm:checked {{ background: {SIMULATED}; color: {ON_SIMULATED};
  border-color: {ON_SIMULATED}; font-weight: bold; }}
QLabel#faint {{ color: {t.faint}; background: transparent; }}
QLabel#problem {{ color: {t.caution}; font-weight: bold; }}
QLabel#big {{ font-size: {1.6 * size_pt}pt; font-weight: bold; }}
QLabel#running {{ font-size: {2.1 * size_pt}pt; font-weight: bold; }}
QLabel#title {{ font-size: {2.2 * size_pt}pt; font-weight: bold; }}
QLabel#over {{ background: {t.raised}; color: {t.ink}; border: 1px solid {t.line};
  border-radius: 4px; padding: 0.2em 0.5em; }}
QLabel#simulated {{ background: {SIMULATED}; color: {ON_SIMULATED}; font-weight: bold;
  padding: 0.15em; }}
QTabWidget::pane {{ border: none; border-top: 1px solid {t.line}; }}
QTabBar::tab {{ background: transparent; color: {t.faint}; border: none;
  border-bottom: 3px solid transparent; padding: 0.4em 0.4em; }}
QTabBar::tab:selected {{ color: {t.ink}; border-bottom-color: {t.accent}; }}
QTabBar::tab:hover {{ color: {t.ink}; }}
QTabBar::tab:focus {{ color: {t.accent}; }}
QLabel#number {{ font-size: {3.2 * size_pt}pt; font-weight: bold; }}
QLabel#afar {{ font-size: {6 * size_pt}pt; font-weight: bold; }}
QFrame#tour {{ background: {t.raised}; border-bottom: 2px solid {t.caution}; }}
QFrame#bar {{ background: {t.panel}; border-top: 1px solid {t.line}; }}
QProgressBar {{ background: {t.raised}; border: 1px solid {t.line}; border-radius: 4px;
  color: {t.ink}; text-align: center; min-height: 1.3em; }}
QProgressBar::chunk {{ background: {t.accent}; border-radius: 3px; }}
QHeaderView::section {{ background: {t.panel}; color: {t.faint}; border: none; }}
QScrollBar {{ background: {t.panel}; border: none; }}
QScrollBar:vertical {{ width: 0.8em; }}
QScrollBar:horizontal {{ height: 0.8em; }}
QScrollBar::handle {{ background: {t.line}; border-radius: 0.3em; margin: 1px; }}
QScrollBar::handle:vertical {{ min-height: 2em; }}
QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
QScrollBar::add-page, QScrollBar::sub-page {{ background: {t.panel}; }}
QToolTip {{ background: {t.raised}; color: {t.ink}; border: 1px solid {t.line}; }}
"""
