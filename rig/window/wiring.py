"""Which button asks the desk for what, and where its answers are shown."""

from __future__ import annotations

import html
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PyQt5.QtCore import QStandardPaths
from PyQt5.QtWidgets import QFileDialog

from rig.jobs.overview import TapState
from rig.window import dialogs, layers
from rig.window.drop import free_name
from rig.window.findings import mode_text, value_at
from rig.window.plugged import plugged_page
from rig.window.settings import FIRST_WORLD, RigChoice
from rig.window.words import known, later, tr, trn

if TYPE_CHECKING:
    from rig.window.main_window import MainWindow

WORDS = {
    "lay.lay": later("Looking for the plate"),
    "drawn.drawn_map": later("Making the map"),
    "drawn.drawn_pair": later("Fetching both maps"),
    "drawn.drawn_start": later("Putting the zones in order"),
    "drawn.drawn_modes": later("Finding the nodal lines"),
    "drawn.drawn_change": later("Comparing"),
    "report.report": later("Writing the report"),
    "gather.gather": later("Taking the recordings in"),
    "devices.devices": later("Looking round"),
    "ear_training.ear_progress": later("Looking into the book of ears"),
    "calibrate_lens.calibrate_lens_of": later("Calibrating the lens"),
    "calibrate_gantry.calibrate_gantry": later("Reading the dots"),
    "calibrate_gantry.mark_sheet": later("The gantry marks the dots"),
    "calibrate_tapper.calibrate_tapper": later("Finding the pulses"),
    "calibrate_sound.calibrate_sound": later("Reading the recordings"),
    "calibrate_sound.calibrate_bar": later("Reading the bar"),
    "calibrate_repeat.calibrate_repeat": later("Studying the scans"),
}


def connect_desk(window: MainWindow) -> None:
    """Connect everything."""
    desk, stages, plate = window.desk, window.stages, window.plate
    _buttons(window)
    desk.changed.connect(window.show_state)
    desk.said.connect(window.say)
    desk.opened.connect(lambda: _opened(window))
    desk.laid_out.connect(lambda laid: _laid(window, laid))
    desk.plan_made.connect(lambda made: _planned(window, made))
    desk.map_made.connect(lambda made: _mapped(window, made))
    desk.modes_made.connect(lambda made: _modes(window, made))
    desk.change_made.connect(lambda made: _changed(window, made))
    desk.pair_made.connect(lambda pair: _paired(window, pair))
    desk.report_made.connect(lambda made: _reported(window, made))
    desk.spot_read.connect(lambda found: _spot_read(window, found))
    desk.devices_found.connect(lambda found: _devices(window, found))
    desk.scan_began.connect(window.live.began)
    desk.scan_ended.connect(window.live.ended)
    desk.scan_ended.connect(lambda result: _scan_over(window, result))
    desk.workers.begun.connect(lambda name: _begun(window, name))
    desk.workers.progressed.connect(lambda name, events: _progress(window, name, events))
    desk.workers.ended.connect(lambda name: _ended(window, name))
    plate.tap_chosen.connect(desk.read_spot)
    stages.face.currentIndexChanged.connect(lambda _n: stages.silence())


def _buttons(window: MainWindow) -> None:
    desk, stages, spot, welcome = window.desk, window.stages, window.spot, window.welcome

    def on(button: Any, act: Any) -> None:
        button.clicked.connect(lambda *_: act())

    on(welcome.try_virtual, lambda: try_virtual(window))
    on(welcome.tour, window.tour.start)
    on(welcome.new, window.ask_new_plate)
    on(welcome.open, window.ask_folder)
    on(welcome.devices, desk.find_devices)
    on(stages.look_round, desk.find_devices)
    on(stages.calibrate, window.calibrating.open)
    on(stages.choose_rig, lambda: _ask_rig(window))
    on(stages.take_picture, lambda: desk.lay(stages.face.currentData()))
    on(stages.show_plan, lambda: _plan(window))
    on(stages.start_scan, lambda: window.live.ask(resume=False))
    on(stages.resume_scan, lambda: window.live.ask(resume=True))
    on(stages.make_map, lambda: desk.make_map(
        stages.reading.currentData(), stages.target.currentData()))  # fmt: skip
    on(stages.make_modes, desk.find_modes)
    on(stages.next_doubtful, lambda: _next_doubtful(window))
    on(stages.make_change, lambda: _compare(window))
    on(stages.side_by_side, window.comparing.toggle_beside)
    on(stages.write_report, lambda: _ask_report(window))
    stages.which.activated.connect(lambda _n: _other_scan(window))
    spot.play_wanted.connect(window.listening.play_chosen)
    spot.out_wanted.connect(lambda: _leave_out(window))
    spot.again_wanted.connect(lambda: _again(window))
    bar = window.run_bar
    bar.halt_wanted.connect(window.live.halt)
    bar.pause_wanted.connect(window.live.pause)
    bar.stop_wanted.connect(window.live.stop)
    bar.cancel_wanted.connect(lambda: desk.workers.cancel())


def try_virtual(window: MainWindow) -> None:
    """A practice plate on the virtual rig, in the user's documents."""
    home = Path(QStandardPaths.writableLocation(QStandardPaths.DocumentsLocation) or Path.home())
    home.mkdir(parents=True, exist_ok=True)
    window.desk.use_rig(RigChoice(world=FIRST_WORLD))
    folder = free_name(home / "practice-back.plate")
    window.desk.new_plate({"folder": folder, "name": tr("Practice back"), "wood": "maple"})


def _ask_rig(window: MainWindow) -> None:
    desk = window.desk

    def ask(found: Any) -> None:
        dialog = dialogs.ChooseRig(window, found.worlds, desk.rig)
        dialog.accepted.connect(lambda: desk.take_rig(dialog.choice()))
        window.ask(dialog)

    desk.with_devices(ask)


def _opened(window: MainWindow) -> None:
    window.calibrating.close()
    window.put_away(*window.plate.layers)
    window.show_findings("")
    window.spot.show_spot(None)
    window.listening.forget()
    window.comparing.forget()
    window.stages.side_by_side.setEnabled(False)
    window.targets.forget()
    window.beside.forget()
    window.beside.fetch()
    window.stages.silence()
    window.run_bar.idle()
    window.show_state()
    window.plate.fit()
    card = window.stages.lay if window.desk.rig.chosen else window.stages.rig
    seen = window.desk.seen
    window.stages.open_card(window.stages.read if seen is not None and seen.taps else card)


def _laid(window: MainWindow, laid: Any) -> None:
    if laid.result.located.pose is None:
        return
    window.plate.set_outline(laid.outline)
    window.plate.fit()
    if laid.under is not None:
        window.beside.show_picture(laid.under)
    window.show_findings("<br>".join(map(html.escape, laid.result.located.notes)))
    window.stages.open_card(window.stages.plan)


def _plan(window: MainWindow) -> None:
    choice = window.stages.scan_choice()
    if choice is not None:
        window.desk.plan(choice)


def _planned(window: MainWindow, made: Any) -> None:
    taps = tuple(TapState(t.number, t.x_mm, t.y_mm, "planned") for t in made.plan.taps)
    layers.fill_taps(window.plate.layers["taps"], taps)
    window.offer("taps")
    left = [f"{gone.count} × {gone.reason}" for gone in made.plan.left_out]
    lines = [trn("{0} tap, way of the hammer {1:.1f} m.", "{0} taps, way of the hammer {1:.1f} m.",
                 len(taps), made.route_mm / 1000.0), *left]  # fmt: skip
    window.show_findings("<br>".join(map(html.escape, lines)))
    window.stages.open_card(window.stages.scan)


def _scan_over(window: MainWindow, result: Any) -> None:
    """Why it ended early, and what is to be known of it."""
    if result is None:
        return
    outcome = result.outcome
    early = () if outcome.state.value == "finished" else (outcome.reason,)
    lines = (*early, *result.warnings, *outcome.notes, *result.cautions)
    if lines:
        window.show_findings("<br>".join(map(html.escape, lines)))


def _mapped(window: MainWindow, made: Any) -> None:
    zones = [(zone.x_mm, zone.y_mm) for zone in made.made.work_order.zones]
    layers.fill_field(window.plate.layers["tone"], made.tone, zones)
    layers.fill_field(window.plate.layers["above"], made.above, zones)
    layers.fill_zones(window.plate.layers["zones"], made)
    window.offer("tone", show=False)
    window.offer("above", show=False)
    window.offer("zones")
    window.show_layer("taps", False)
    window.show_layer("tone" if made.made.tone_map.target == "flat" else "above", True)


def _modes(window: MainWindow, made: Any) -> None:
    window.mode = 0
    layers.fill_nodal(window.plate.layers["nodal"], made, 0)
    window.offer("nodal")
    window.show_findings(mode_text(made, 0))


def _changed(window: MainWindow, made: Any) -> None:
    window.comparing.forget()
    layers.fill_change(window.plate.layers["change"], made)
    window.show_layer("zones", False)
    window.show_layer("taps", False)
    window.offer("change")
    window.desk.pair(made.made.comparison.reading)


def _paired(window: MainWindow, pair: Any) -> None:
    change = window.desk.change
    if change is None:
        return
    found = change.made.comparison
    if (found.before, found.after) != (pair.before, pair.after):
        window.desk.pair(found.reading)  # two other scans have been compared meanwhile
        return
    window.comparing.take(pair)
    window.stages.side_by_side.setEnabled(True)


def _compare(window: MainWindow) -> None:
    before, after = window.stages.before.currentData(), window.stages.after.currentData()
    if before == after:
        window.say("compare", tr("Before and after are the same scan; choose two."))
        return
    window.desk.compare(before, after)


def _ask_report(window: MainWindow) -> None:
    folder = window.desk.folder
    if folder is None:
        return
    dialog = QFileDialog(window, tr("Write a report"), str(folder.parent), tr("PDF (*.pdf)"))
    dialog.setAcceptMode(QFileDialog.AcceptSave)
    dialog.setOption(QFileDialog.DontUseNativeDialog)
    dialog.setDefaultSuffix("pdf")
    kind = str(window.stages.report_kind.currentData())
    dialog.selectFile(f"{folder.stem}-{kind}.pdf")
    dialog.fileSelected.connect(lambda chosen: window.desk.report(Path(chosen), kind))
    window.ask(dialog)


def _reported(window: MainWindow, made: Any) -> None:
    text = trn("Written: {1}, {0} page.", "Written: {1}, {0} pages.", made.pages, made.pdf)
    window.stages.record.set_state(text, True)
    window.show_findings("<br>".join(html.escape(s) for s in (text, *made.cautions)))


def _next_doubtful(window: MainWindow) -> None:
    seen = window.desk.seen
    poor = [t.tap for t in seen.taps if t.state in ("doubtful", "bad")] if seen else []
    if poor:
        here = window.plate.chosen if window.plate.chosen is not None else -1
        window.plate.choose(next((tap for tap in poor if tap > here), poor[0]))


def _other_scan(window: MainWindow) -> None:
    window.put_away("tone", "above", "zones", "nodal", "live")
    window.show_findings("")
    window.desk.show_scan(window.stages.which.currentData())


def _spot_read(window: MainWindow, found: Any) -> None:
    window.spot.show_spot(found, value_at(window.desk.map, found.scan, found.tap))
    window.show_number()
    if window.right.currentWidget() not in (window.listen, window.jog, window.ear_panel):
        window.show_tab(window.spot)


def _leave_out(window: MainWindow) -> None:
    spot, strike = window.spot.spot, window.spot.strike
    if spot is not None and strike is not None:
        window.desk.change_spot("leave_out", spot.tap, strike_id=strike.strike_id,
                                out=not strike.left_out)  # fmt: skip


def _again(window: MainWindow) -> None:
    spot, strike = window.spot.spot, window.spot.strike
    if spot is not None and strike is not None:
        window.desk.change_spot("strike_again", spot.tap, undo=strike.superseded)


def _devices(window: MainWindow, found: Any) -> None:
    window.ask(dialogs.Sheet(window, tr("What is plugged in"), plugged_page(found)))


def _begun(window: MainWindow, name: str) -> None:
    if WORDS.get(name) and window.desk.run is None:
        window.run_bar.busy(known(WORDS[name]))


def _progress(window: MainWindow, name: str, events: list[Any]) -> None:
    if WORDS.get(name) and window.desk.run is None:
        last = events[-1]
        window.run_bar.busy(f"{known(WORDS[name])} · {known(last.stage)}", last.done, last.total)


def _ended(window: MainWindow, name: str) -> None:
    if WORDS.get(name) and window.desk.run is None:
        window.run_bar.idle()
        window.jogging.say_open()
