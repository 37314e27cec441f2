"""Pooled rings of whole scans, kept beside the kept tones (safe to delete at any time).

The key is a hash of every sample that went in, of where its strike was found, and of the code that
pools, so that neither another scan nor another version can be served by mistake.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import astuple

import numpy as np

from rig.archive.kept_arrays import kept_folder
from rig.archive.kept_tones import code_print
from rig.archive.storage import write_durably
from rig.model.reading import RingPartial
from rig.model.scan_record import ScanRecord

_KEPT_FILES = 200
_ROOMS_THAT_POOL = ("tone", "model")


def ring_key(scan: ScanRecord) -> str:
    """Fingerprint of a scan's sounds and onsets, and of the pooling."""
    digest = hashlib.blake2b(code_print(_ROOMS_THAT_POOL), digest_size=16)
    for strike in scan.used_strikes():
        onset = None if strike.reading is None else strike.reading.onset_s
        clip = strike.clip
        about = (strike.tap, strike.repeat, onset, clip.sample_rate_hz, clip.mic_channel)
        digest.update(repr((about, clip.full_scale, clip.samples.shape)).encode())
        digest.update(np.ascontiguousarray(clip.samples).tobytes())
    return digest.hexdigest()


def recall_ring(key: str) -> tuple[RingPartial, ...] | None:
    """What was kept under the key; None when there is nothing whole."""
    try:
        kept = json.loads((kept_folder() / f"{key}.ring.json").read_bytes())
        return tuple(RingPartial(*(float(v) for v in row)) for row in kept)
    except (OSError, ValueError, TypeError):
        return None


def keep_ring(key: str, ring: Sequence[RingPartial]) -> None:
    """Keep a ring for the next call; a full or read-only disk is no reason to fail."""
    with suppress(OSError):
        folder = kept_folder()
        folder.mkdir(parents=True, exist_ok=True)
        text = json.dumps([astuple(partial) for partial in ring], allow_nan=False)
        write_durably(folder / f"{key}.ring.json", text.encode())
        kept = sorted(folder.glob("*.ring.json"), key=lambda path: path.stat().st_mtime)
        for path in kept[:-_KEPT_FILES]:
            path.unlink(missing_ok=True)
