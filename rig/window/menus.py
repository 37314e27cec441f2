"""All that can be done by keyboard, in menus and in a sheet that lists it."""

from __future__ import annotations

import html
from collections.abc import Callable
from typing import TYPE_CHECKING

from PyQt5.QtGui import QKeySequence
from PyQt5.QtWidgets import QAction

from rig.window.speaking import ask_language
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.window.main_window import MainWindow


def build_menus(window: MainWindow) -> dict[str, list[QAction]]:
    """Fill the menu bar; returns the actions by menu."""
    desk, stages, plate, listen = window.desk, window.stages, window.plate, window.listen
    column = window.layer_column
    entries: dict[str, list[tuple[str, str, Callable[[], object]]]] = {
        tr("Plate"): [
            (tr("New plate…"), "Ctrl+N", window.ask_new_plate),
            (tr("Open a plate folder…"), "Ctrl+O", window.ask_folder),
            (tr("Write a report…"), "Ctrl+P", stages.write_report.click),
            (tr("Take the last change back"), "Ctrl+Z", desk.undo),
            (tr("Close the window"), "Ctrl+Q", window.close),
        ],
        tr("Rig"): [
            (tr("Choose the rig…"), "Ctrl+G", stages.choose_rig.click),
            (tr("Find the plate"), "Ctrl+L", stages.take_picture.click),
            (tr("Show the taps"), "Ctrl+T", stages.show_plan.click),
            (tr("Start the scan…"), "Ctrl+R", stages.start_scan.click),
            (tr("Go on with the unfinished scan…"), "Ctrl+Shift+R", stages.resume_scan.click),
            (tr("Pause, or go on"), "Ctrl+Space", window.run_bar.pause.click),
            (tr("Stop"), "Ctrl+.", window.run_bar.stop.click),
            (tr("Open the rig to move the hammer by hand…"), "Ctrl+B", window.jogging.ask),
            (tr("Arm or disarm the keys"), "Ctrl+K", window.jog.arm.click),
            (tr("Calibrations…"), "Ctrl+Shift+C", window.calibrating.open),
            (tr("Close the rig"), "Ctrl+W", window.jog.close_rig.click),
        ],
        tr("Findings"): [
            (tr("Make the map"), "Ctrl+M", stages.make_map.click),
            (tr("Begin the work order at the chosen tap"), "G", window.targets.begin_at_chosen),
            (tr("Begin the work order where the map says"), "Shift+G",
             lambda: window.targets.begin_at(None)),
            (tr("Find the nodal lines"), "Ctrl+E", stages.make_modes.click),
            (tr("Show the change"), "Ctrl+D", stages.make_change.click),
            (tr("Side by side, or one plate"), "D", window.comparing.toggle_beside),
            (tr("Line between before and after to the left"), "Ctrl+Left",
             lambda: window.comparing.nudge_line(-1)),
            (tr("Line between before and after to the right"), "Ctrl+Right",
             lambda: window.comparing.nudge_line(1)),
            (tr("Next doubtful tap"), "Ctrl+J", stages.next_doubtful.click),
            (tr("Next tap"), "N", lambda: plate.step(1)),
            (tr("Previous tap"), "B", lambda: plate.step(-1)),
            (tr("Leave the tap out, or take it in again"), "X", window.spot.out.click),
            (tr("Strike the tap again, or keep it"), "A", window.spot.again.click),
        ],
        tr("Listen"): [
            (tr("Play the tap"), "Return", window.spot.play.click),
            (tr("Listen along: hear what is chosen, and strokes across the plate"), "L",
             listen.along.click),
            (tr("This tap first"), "Shift+A", listen.set_first.click),
            (tr("This tap second"), "Shift+B", listen.set_second.click),
            (tr("Same place of the scan named second"), "Shift+S", listen.same.click),
            (tr("First, then second"), "P", listen.pair.click),
            (tr("Second, then first"), "Shift+P", listen.turned.click),
            (tr("Next way of play"), "W", window.listening.next_way),
            (tr("Stop the sound"), "S", listen.stop.click),
            (tr("Ear training: begin"), "Ctrl+U", window.ear_panel.begin.click),
            (tr("Ear training: the first is higher"), "Alt+1", window.ear_panel.first.click),
            (tr("Ear training: the second is higher"), "Alt+2", window.ear_panel.second.click),
            (tr("Ear training: hear both again"), "Alt+3", window.ear_panel.again.click),
            (tr("Ear training: stop"), "Alt+4", window.ear_panel.stop.click),
        ],
        tr("View"): [
            *(
                (tr("Layer: {0}", column.keys[name][1]), column.keys[name][0], button.click)
                for name, button in column.buttons.items()
            ),
            (tr("The whole plate"), "F", plate.fit),
            *(
                (tr("Page {0}", text), f"F{key}", lambda page=page: window.show_tab(page))
                for key, (text, page) in enumerate(window.right.pages.items(), start=2)
            ),
            (tr("The plate alone, or with its sides"), "F9", window.show_alone),
            (tr("Next nodal lines"), "M", window.next_mode),
            (tr("Next record of the hand"), "Shift+H", window.beside.next_record),
            (tr("Language…"), "Ctrl+Shift+L", lambda: ask_language(window)),
            (tr("Larger type"), "Ctrl++", lambda: window.scale_type(1.1)),
            (tr("Smaller type"), "Ctrl+-", lambda: window.scale_type(1 / 1.1)),
            *(
                (tr("Stage {0}", card.head.text().split("  ✓")[0]), f"Ctrl+{place}",
                 lambda card=card: window.go_to(card))
                for place, card in enumerate(stages.cards, start=1)
            ),
        ],
        tr("Help"): [
            (tr("All shortcuts"), "F1", window.show_shortcuts),
            (tr("Tour of three minutes"), "Ctrl+H", window.tour.start),
        ],
    }  # fmt: skip
    made: dict[str, list[QAction]] = {}
    for title, lines in entries.items():
        menu = window.menuBar().addMenu(title)
        made[title] = []
        for text, keys, act in lines:
            action = QAction(text, window)
            action.setShortcut(QKeySequence(keys))
            action.triggered.connect(lambda _checked=False, act=act: act())
            menu.addAction(action)
            made[title].append(action)
    return made


def shortcut_sheet(actions: dict[str, list[QAction]]) -> str:
    """All shortcuts as a page."""
    page = []
    for title, entries in actions.items():
        rows = "".join(
            f"<tr><td style='padding-right:24px'><b>"
            f"{html.escape(action.shortcut().toString(QKeySequence.NativeText))}</b></td>"
            f"<td>{html.escape(action.text())}</td></tr>"
            for action in entries
        )
        page.append(f"<h3>{html.escape(title)}</h3><table>{rows}</table>")
    moving = (
        (tr("Esc, space bar"), tr("HALT, from anywhere while the rig moves")),
        (tr("Arrow keys"), tr("on the plate: from tap to tap")),
        (tr("Arrow keys, page keys"), tr("on page Jog, armed: step, and the size of the step")),
        (tr("+ and −"), tr("on the plate: nearer and farther")),
        (tr("A stroke from the cross"), tr("on the plate: move where the work order begins")),
        (tr("A stroke from the line"), tr("between before and after: move the line")),
        (tr("Shift and a stroke"), tr("across the plate: hear the taps along the way")),
        (tr("Tab"), tr("from one control to the next")),
    )
    rows = "".join(
        f"<tr><td style='padding-right:24px'><b>{key}</b></td><td>{what}</td></tr>"
        for key, what in moving
    )
    return f"<table>{rows}</table>" + "".join(page)
