"""The runner: a frozen plan, the devices and a store, and a small state machine."""

from rig.scan.control import ScanControl
from rig.scan.listener import (
    FinishReason,
    Rejected,
    ScanListener,
    ScanOutcome,
    TapEvent,
    TapStep,
)
from rig.scan.place_guard import PlaceGuard, Sight
from rig.scan.runner import RETAKES, Runner
from rig.scan.store import StrikeStore
from rig.scan.striker import Devices

__all__ = [
    "RETAKES",
    "Devices",
    "FinishReason",
    "PlaceGuard",
    "Rejected",
    "Runner",
    "ScanControl",
    "ScanListener",
    "ScanOutcome",
    "Sight",
    "StrikeStore",
    "TapEvent",
    "TapStep",
]
