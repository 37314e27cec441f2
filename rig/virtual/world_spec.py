"""What a virtual world is made of: plain data for the physics, the devices and the camera."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from rig.model.frames import Face, Pose
from rig.model.plate_facts import PlateFacts
from rig.virtual.faults import HEALTHY, FaultSpec
from rig.virtual.noise import NoiseSpec
from rig.virtual.plate.spec import PlateSpec, Zone
from rig.virtual.sound import Room
from rig.virtual.tapping import Hammer

# Full scale of the two channels: the light tap's clip then peaks between −12 and −20 dB.
MIC_FULL_SCALE_PA = 20.0
PICKUP_FULL_SCALE_N = 40.0


@dataclass(frozen=True)
class PlateLook:
    """What the camera sees of the plate."""

    wood: Literal["maple", "spruce"] = "maple"
    flame: float = 0.6
    varnish: float = 0.0


@dataclass(frozen=True)
class WorldSpec:
    """One virtual world.

    wood_family: worlds of one family and one seed share the very same piece of wood (its scatter
    is drawn from a sub-seed made of the two). planted: the zones a scan is meant to find; carved:
    what was taken off since the first scan of the same wood. outer_pose: how the plate lies with
    its outer face up; the inner face lies at the same origin and the opposite turn.
    microphone_mm: bed frame, z above the bed.
    """

    name: str
    title: str
    description: str
    plate: PlateSpec
    wood_family: str
    planted: tuple[Zone, ...] = ()
    carved: tuple[Zone, ...] = ()
    hammer: Hammer = field(default_factory=Hammer)
    noise: NoiseSpec = field(default_factory=NoiseSpec)
    room: Room | None = None
    faults: FaultSpec = HEALTHY
    outer_pose: Pose = field(default_factory=lambda: Pose(250.0, 122.5, 0.0, "outer"))
    microphone_mm: tuple[float, float, float] = (330.0, 345.0, 205.0)
    rim_height_mm: float = 3.0
    has_pickup: bool = True
    has_gate: bool = True
    has_plate: bool = True
    humidity_percent: float = 45.0
    look: PlateLook = field(default_factory=PlateLook)
    facts: PlateFacts = field(default_factory=lambda: PlateFacts(name="plate"))

    def pose(self, face: Face) -> Pose:
        """Where the plate lies by default with this face up."""
        outer = self.outer_pose
        turn = outer.angle_deg if face == "outer" else -outer.angle_deg
        return Pose(outer.x_mm, outer.y_mm, turn, face)
