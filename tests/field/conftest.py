"""Scans of one thin plate, shared by the tests of this room."""

from __future__ import annotations

import numpy as np
import pytest
import thin_plate

from rig.field import wave_fit
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone


@pytest.fixture(scope="session")
def plate() -> thin_plate.ThinPlate:
    return thin_plate.graded_maple()


@pytest.fixture(scope="session")
def graded_scan(plate: thin_plate.ThinPlate) -> ScanRecord:
    return thin_plate.scan(plate, thin_plate.grid_places(plate), 11)


@pytest.fixture(scope="session")
def graded_tone(graded_scan: ScanRecord) -> TapTone:
    return wave_fit(graded_scan)


@pytest.fixture(scope="session")
def truth_cents(plate: thin_plate.ThinPlate, graded_tone: TapTone) -> np.ndarray:
    return plate.tone_cents(np.asarray(graded_tone.places))
