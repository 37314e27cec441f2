"""A scan into a plate folder that its parent may kill at any moment: kill_child.py FOLDER SCAN."""

from __future__ import annotations

import sys

from scan_stand_ins import OUTLINE, POSE, Bench, Recorder, small_plan

from rig.archive.plate_folder import PlateFolder
from rig.model.plate_facts import PlateFacts
from rig.scan import TapEvent


def say(*words: object) -> None:
    """One line to the parent, at once."""
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()


def tell(event: TapEvent) -> None:
    """Say what is stored, after it is stored."""
    if event.step == "stored":
        say("stored", event.tap.number, event.repeat, event.retake, event.strike_id)


def main(path: str, scan: str) -> None:
    """Begin a scan ("new") or go on with one."""
    if scan == "new":
        folder = PlateFolder.create(path, PlateFacts("killed"), OUTLINE)
        scan = folder.new_scan(small_plan(8, 8), pose=POSE, origin={"simulated": True})
    else:
        folder = PlateFolder.open(path, write=True)
    with folder:
        bench = Bench(store=folder, speed=20.0, session=len(folder.done(scan)))
        bench.recorder = Recorder(tell)
        runner = bench.runner(scan)
        say("started")
        say(runner.run().state)


if __name__ == "__main__":
    main(*sys.argv[1:])
