"""platerig: a bench rig that taps a plate all over and maps where it still sounds too high."""

__version__ = "0.1.0"
