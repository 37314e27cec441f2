"""A virtual picture costs seconds and depends on its arguments only: the same one is taken once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from rig.virtual.scene import render_scene


@pytest.fixture(autouse=True, scope="session")
def _pictures_once() -> Iterator[None]:
    """Keep the pictures rendered in this session."""
    taken: dict[str, Any] = {}

    def remembered(*args: Any, **options: Any) -> Any:
        key = repr(
            [
                item.bit_generator.state if isinstance(item, np.random.Generator) else item
                for item in (*args, *options.items(), options["rng"], options["sensor_rng"])
                if not (isinstance(item, tuple) and item[0] in ("rng", "sensor_rng"))
            ]
        )
        if key not in taken:
            taken[key] = render_scene(*args, **options)
        return taken[key].copy()

    patch = pytest.MonkeyPatch()
    patch.setattr("rig.virtual.camera.render_scene", remembered)
    yield
    patch.undo()
