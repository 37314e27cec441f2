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
from rig.scan.runner import RETAKES, Runner
from rig.scan.store import StrikeStore
from rig.scan.striker import Devices

__all__ = [
    "RETAKES",
    "Devices",
    "FinishReason",
    "Rejected",
    "Runner",
    "ScanControl",
    "ScanListener",
    "ScanOutcome",
    "StrikeStore",
    "TapEvent",
    "TapStep",
]
