"""The light of a virtual picture costs seconds and hangs on its arguments only: worked out once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from rig.virtual.scene import scene_light


@pytest.fixture(autouse=True, scope="session")
def _pictures_once() -> Iterator[None]:
    """Keep the light worked out in this session."""
    taken: dict[str, Any] = {}

    def remembered(*args: Any, **options: Any) -> Any:
        key = repr(
            [
                item.bit_generator.state if isinstance(item, np.random.Generator) else item
                for item in (*args, *options.items(), options["rng"])
                if not (isinstance(item, tuple) and item[0] == "rng")
            ]
        )
        if key not in taken:
            taken[key] = scene_light(*args, **options)
        return taken[key].copy()

    patch = pytest.MonkeyPatch()
    patch.setattr("rig.virtual.camera.scene_light", remembered)
    yield
    patch.undo()
