"""A controller whose gantry does not go quite where it is told, told so that it does."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from rig.devices.roles import Controller, ControllerInfo, StrikeReport
from rig.model.errors import ControllerRefusedError
from rig.model.frames import BedXY
from rig.model.units import FloatArray

_ROUNDING_MM = 1e-3  # places travel with three decimals


class PlaceCorrection(Protocol):
    """From commanded places to where the hammer comes down, and back; (n, 2), mm.

    side: (n, 2) of ±1 or 0, the side each place is come from along each axis: +1 from lower ones.
    """

    def to_bed(self, machine: FloatArray, side: FloatArray | None = None) -> BedXY:
        """Where the hammer comes down."""

    def to_machine(self, bed: BedXY, side: FloatArray | None = None) -> FloatArray:
        """What to command."""


class CorrectedController:
    """The role of a controller; places are those of the bed, whatever the gantry makes of them.

    limits_mm: soft limits of the gantry, x0, y0, x1, y1; hammer_offset_mm: hammer minus gantry
    origin. Limits are checked on what is commanded, after the correction.
    """

    def __init__(
        self,
        inner: Controller,
        correction: PlaceCorrection,
        limits_mm: tuple[float, float, float, float],
        hammer_offset_mm: tuple[float, float],
    ) -> None:
        self._inner = inner
        self._correction = correction
        x0, y0, x1, y1 = limits_mm
        self._low = np.array([x0, y0]) + hammer_offset_mm
        self._high = np.array([x1, y1]) + hammer_offset_mm
        self._side = np.zeros((1, 2))
        self._told: FloatArray | None = None

    def open(self) -> ControllerInfo:
        """Open the link and wait for the banner."""
        return self._inner.open()

    def home(self) -> None:
        """Find the homed corner; from which side the axes stand is not known after that."""
        self._forget()
        self._inner.home()

    def start_move(self, x_mm: float, y_mm: float) -> None:
        """Begin a straight move to a true place of the bed.

        Raises ControllerRefusedError where the place commanded for it lies beyond the limits.
        """
        wanted = BedXY(np.array([[x_mm, y_mm]], dtype=np.float64))
        side = self._side_towards(self._correction.to_machine(wanted))
        machine = self._correction.to_machine(wanted, side)[0]
        within = np.clip(machine, self._low, self._high)
        if np.max(np.abs(machine - within)) > _ROUNDING_MM:
            raise ControllerRefusedError(
                f"The place is out of reach once the gantry's error is corrected: it would take "
                f"x {machine[0]:.2f}, y {machine[1]:.2f} mm.",
                where=f"x {x_mm:.2f}, y {y_mm:.2f} mm of the bed",
                remedy="Lay the plate further from the border of the bed.",
            )
        self._inner.start_move(float(within[0]), float(within[1]))
        self._told, self._side = within[None, :], side

    def wait_until_still(self) -> None:
        """Return when the motion has ended."""
        self._inner.wait_until_still()

    def strike(self, pulse_us: int) -> StrikeReport:
        """Give the solenoid one pulse."""
        return self._inner.strike(pulse_us)

    def position(self) -> tuple[float, float] | None:
        """Where the hammer truly is, bed frame; None when unknown."""
        place = self._inner.position()
        if place is None:
            return None
        x, y = self._correction.to_bed(np.array([place], dtype=np.float64), self._side)[0]
        return float(x), float(y)

    def halt(self) -> None:
        """Now; the position is unknown after that. Never raises."""
        self._inner.halt()
        self._forget()

    def close(self) -> None:
        """Let go of the link."""
        self._inner.close()

    def _forget(self) -> None:
        self._told, self._side = None, np.zeros((1, 2))

    def _side_towards(self, machine: FloatArray) -> FloatArray:
        """From which side a place is come to; an axis that does not move keeps its side."""
        if self._told is None:
            place = self._inner.position()
            if place is None:
                return self._side
            self._told = np.array([place], dtype=np.float64)
        way = machine - self._told
        return np.where(np.abs(way) > _ROUNDING_MM, np.sign(way), self._side)
