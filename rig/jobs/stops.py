"""The three stops of a scan, for faces that start it in another thread."""

from rig.scan.control import ScanControl

__all__ = ["ScanControl"]
