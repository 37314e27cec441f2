"""Pictures that several tests look at, taken once."""

from __future__ import annotations

import numpy as np
import pytest

from rig.model.frames import Pose
from rig.model.outline import Outline
from rig.model.rig_settings import RigSettings
from rig.virtual.scene import render_scene
from rig.virtual.scene_surfaces import Look
from rig.virtual.settings import virtual_rig_settings
from rig.virtual.shapes import violin_outline

OUTER = Pose(238.0, 131.0, 7.0, "outer")
INNER = Pose(430.0, 322.0, 81.0, "inner")


@pytest.fixture(scope="session")
def settings() -> RigSettings:
    return virtual_rig_settings()


@pytest.fixture(scope="session")
def outline() -> Outline:
    return violin_outline()


@pytest.fixture(scope="session")
def outer_pose() -> Pose:
    return OUTER


@pytest.fixture(scope="session")
def inner_pose() -> Pose:
    return INNER


@pytest.fixture(scope="session")
def outer_picture(settings: RigSettings, outline: Outline) -> np.ndarray:
    """A maple back, outer face up, at OUTER."""
    return render_scene(outline, OUTER, settings, rng=np.random.default_rng(4))


@pytest.fixture(scope="session")
def inner_picture(settings: RigSettings) -> np.ndarray:
    """A spruce top, inner face up, at INNER, on a light grey bed."""
    look = Look(wood="spruce", bed_colour=(0.25, 0.25, 0.26))
    return render_scene(
        violin_outline(sound_holes=True),
        INNER,
        settings,
        rng=np.random.default_rng(5),
        plate_look=look,
    )


@pytest.fixture(scope="session")
def empty_picture(settings: RigSettings) -> np.ndarray:
    """The bed with nothing on it."""
    return render_scene(None, None, settings, rng=np.random.default_rng(6))
