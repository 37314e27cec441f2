"""Everything is reached by keyboard, each shortcut once; dark and light as the system is."""

from __future__ import annotations

from collections import Counter

from hands import press
from PyQt5.QtCore import Qt
from PyQt5.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from rig.window import theme
from rig.window.main_window import MainWindow


def test_the_window_goes_dark_with_the_system(window: MainWindow) -> None:
    application = QApplication.instance()
    before = application.palette()
    assert theme.LIGHT.panel in window.styleSheet()
    application.setPalette(theme.dark_palette())
    try:
        assert theme.DARK.panel in window.styleSheet()
        assert window.plate.backgroundBrush().color().name() == theme.DARK.ground
    finally:
        application.setPalette(before)
    assert theme.LIGHT.panel in window.styleSheet()


def test_no_shortcut_means_two_things(window: MainWindow) -> None:
    actions = [one for entries in window.actions_by_menu.values() for one in entries]
    keys = Counter(one.shortcut().toString() for one in actions)
    assert [key for key, times in keys.items() if times > 1 or not key] == []
    assert all(one.text() for one in actions)


def test_every_button_of_the_window_has_a_shortcut_or_takes_the_keyboard(
    window: MainWindow,
) -> None:
    for column in (
        window.layer_column,
        window.listen,
        window.jog,
        window.spot,
        window.ear_panel,
        window.stages,
    ):
        for button in column.findChildren(type(window.run_bar.pause)):
            reached = button.focusPolicy() & Qt.TabFocus
            assert reached or window.jog.isAncestorOf(button), button.text()


def test_the_list_of_shortcuts_holds_them_all(qtbot: QtBot, window: MainWindow) -> None:
    press(qtbot, window, Qt.Key_F1)
    page = window.dialog.findChild(type(window.findings)).toPlainText()
    for entries in window.actions_by_menu.values():
        for action in entries:
            assert " ".join(action.text().split()) in page
    for key, page_shown in zip((Qt.Key_F2, Qt.Key_F3, Qt.Key_F4, Qt.Key_F5, Qt.Key_F6),
                               window.right.pages.values(), strict=True):  # fmt: skip
        window.dialog.reject()
        press(qtbot, window, key)
        assert window.right.currentWidget() is page_shown
        window.show_shortcuts()
    window.dialog.reject()
