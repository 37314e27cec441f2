"""Make the golden folder of the newest schema: python tests/archive/make_golden.py.

Run once, when a schema is released; the folder is then committed and never made again, so that
later versions prove that they can still read it.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from archive_samples import make_clip, make_plan, make_reading, square_outline

from rig.archive import schema
from rig.archive.plate_folder import PlateFolder
from rig.model.frames import Pose
from rig.model.plate_facts import Bar, PlateFacts
from rig.model.rig_settings import BedMarker, BedSettings, MicrophoneSettings, RigSettings
from rig.model.scan_record import ScanState

GOLDEN = Path(__file__).parent / "golden"
FACTS = PlateFacts("Golden back", "violin", "maple", 112.5, 3.4, 15.0, 20.5, 45.0, "W7", "invented")
HEIGHTS = (
    (50.0, 5.0, 0.1),
    (50.0, 50.0, 14.5),
    (20.0, 40.0, 7.25),
    (80.0, 40.0, 7.5),
    (50.0, 95.0, 0.0),
)
BARS = (
    Bar(30.0, 10.0, 34.0, 90.0, (4.0, 11.0, 4.0), 5.5),
    Bar(60.0, 20.0, 60.0, 80.0, (6.0,), 5.0, "maple"),
)
FACTS_OF_SCHEMA = {1: FACTS, 2: replace(FACTS, arch_heights_mm=HEIGHTS, bars=BARS)}
POSE = Pose(120.0, 80.0, 3.0, "outer", 0.2, 0.4)
RIG = RigSettings(
    name="golden rig",
    bed=BedSettings(markers=(BedMarker(0, 35.0, 35.0, 40.0),)),
    microphone=MicrophoneSettings(position_mm=(200.0, 150.0, 190.0)),
)
ORIGIN = {"simulated": True, "world": "maple-even", "seed": 11, "rig_file": "rig.toml"}


def main() -> None:
    """Write golden/schema-N.plate, or stop if it is there."""
    with PlateFolder.create(
        GOLDEN / f"schema-{schema.newest()}.plate",
        FACTS_OF_SCHEMA[schema.newest()],
        square_outline(),
    ) as folder:
        scan = folder.new_scan(make_plan(4), pose=POSE, settings=RIG, origin=ORIGIN)
        for tap in (0, 1, 2, 1):
            place = {"x_mm": 50.0, "y_mm": 10.0 + 9.0 * tap}
            strike = folder.store_strike(
                scan, tap=tap, repeat=0, clip=make_clip(tap, samples=480), pulse_us=3000, **place
            )
            folder.store_reading(strike, make_reading())
        folder.store_image(scan, "location", np.full((4, 6, 3), 200, dtype=np.uint8))
        folder.set_state(scan, ScanState.STOPPED, "stop was pressed")


if __name__ == "__main__":
    main()
