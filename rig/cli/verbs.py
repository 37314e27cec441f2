"""Which function does the work of which verb. Imported only when the verb is called."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

JOBS: dict[str, tuple[str, str]] = {
    "new": ("rig.jobs.new_plate", "new_plate"),
    "plan": ("rig.jobs.tap_plan", "tap_plan"),
    "scan": ("rig.jobs.scan", "scan"),
    "gather": ("rig.jobs.gather", "gather"),
    "read": ("rig.jobs.read", "read_file"),
    "scratch": ("rig.jobs.scratch", "scratch"),
    "map": ("rig.jobs.make_map", "make_map"),
    "zones": ("rig.jobs.zones", "zones"),
    "thickness": ("rig.jobs.thickness", "thickness"),
    "preview": ("rig.jobs.preview", "preview"),
    "compare": ("rig.jobs.compare", "compare"),
    "history": ("rig.jobs.history", "history"),
    "distinct": ("rig.jobs.distinct", "distinct"),
    "modes": ("rig.jobs.modes", "modes"),
    "locate": ("rig.jobs.locate", "locate"),
    "report": ("rig.jobs.report", "report"),
    "check": ("rig.jobs.check", "check"),
    "export": ("rig.jobs.export", "export"),
    "pack": ("rig.jobs.pack", "pack"),
    "unpack": ("rig.jobs.unpack", "unpack"),
    "shelf": ("rig.jobs.shelf", "shelf"),
    "calibrate list": ("rig.jobs.calibrate_records", "calibrations"),
    "calibrate gantry": ("rig.jobs.calibrate_gantry", "calibrate_gantry"),
    "calibrate sound": ("rig.jobs.calibrate_sound", "calibrate_sound"),
    "calibrate bar": ("rig.jobs.calibrate_sound", "calibrate_bar"),
    "calibrate tapper": ("rig.jobs.calibrate_tapper", "calibrate_tapper"),
    "calibrate sheet": ("rig.jobs.calibrate_lens", "write_sheet"),
    "calibrate lens": ("rig.jobs.calibrate_lens", "calibrate_lens_of"),
    "calibrate repeat": ("rig.jobs.calibrate_repeat", "calibrate_repeat"),
    "devices": ("rig.jobs.devices", "devices"),
    "hand marks": ("rig.jobs.hand_marks", "hand_marks"),
    "hand track": ("rig.jobs.hand_track", "hand_track"),
    "hand pairs": ("rig.jobs.hand", "hand_pairs"),
    "hand judge": ("rig.jobs.hand", "hand_judge"),
    "hand compare": ("rig.jobs.hand_compare", "hand_compare"),
    "listen train": ("rig.jobs.ear_training", "train"),
    "listen progress": ("rig.jobs.ear_training", "ear_progress"),
    "hand list": ("rig.jobs.hand", "hand_list"),
}


def job(verb: str) -> Callable[..., Any]:
    """Load the function behind a verb; it returns an object with `as_json()`."""
    module, function = JOBS[verb]
    loaded: Callable[..., Any] = getattr(import_module(module), function)
    return loaded
