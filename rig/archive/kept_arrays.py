"""Numbers that took long to compute, kept in the user's cache folder (always safe to delete)."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray


def kept_folder() -> Path:
    """Where things read are kept."""
    from platformdirs import user_cache_dir

    return Path(user_cache_dir("platerig")) / "tones"


def recall_arrays(name: str) -> tuple[dict[str, Any], dict[str, NDArray[Any]]] | None:
    """Plain values and arrays of a kept file; None when there is nothing whole."""
    try:
        with (kept_folder() / name).open("rb") as file, np.load(file) as kept:
            arrays = {key: kept[key] for key in kept.files if key != "plain"}
            plain = json.loads(str(kept["plain"]))
    except (OSError, ValueError, KeyError, TypeError, EOFError, BadZipFile):
        return None
    return (plain, arrays) if isinstance(plain, dict) else None


def keep_arrays(
    name: str, plain: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]], most: int
) -> None:
    """Keep a file, and of its kind (ending) the `most` newest.

    A full or read-only disk is no reason to fail.
    """
    everything: dict[str, Any] = {"plain": json.dumps(plain), **arrays}
    with suppress(OSError):
        folder = kept_folder()
        folder.mkdir(parents=True, exist_ok=True)
        handle, draft = tempfile.mkstemp(dir=folder, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **everything)
            os.replace(draft, folder / name)
        except BaseException:
            Path(draft).unlink(missing_ok=True)
            raise
        kept = sorted(folder.glob(f"*{Path(name).suffix}"), key=lambda path: path.stat().st_mtime)
        for path in kept[:-most]:
            path.unlink(missing_ok=True)
