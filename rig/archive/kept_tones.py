"""Tones read from whole scans, kept in the user's cache folder (safe to delete at any time).

The key is a hash of every sample, place and fact that went in and of the code that read them, so
that neither another scan nor another version of the analysis can be served by mistake.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path

import numpy as np

from rig.archive.kept_arrays import keep_arrays, recall_arrays
from rig.model.frames import PlateXY
from rig.model.scan_record import ScanRecord
from rig.model.tone_map import TapTone

_KEPT_FILES = 60
_ARRAYS = ("places", "tone_hz", "sd_cents")
_ROOMS_THAT_READ = ("field", "plate", "model")


def key_of(scan: ScanRecord, wanted: str) -> str:
    """Fingerprint of a scan, of what is wanted of it, and of the analysis."""
    digest = hashlib.blake2b(code_print(_ROOMS_THAT_READ), digest_size=16)
    digest.update(wanted.encode())
    for ring in (scan.outline.rim, *scan.outline.holes):
        digest.update(np.ascontiguousarray(ring).tobytes())
    plain = (scan.face, scan.strength, scan.spacing_mm, scan.microphone_xyz_mm, scan.pose)
    digest.update(repr((plain, asdict(scan.facts), scan.conditions)).encode())
    for strike in scan.used_strikes():
        clip = strike.clip
        digest.update(np.ascontiguousarray(clip.samples).tobytes())
        about_clip = (clip.sample_rate_hz, clip.full_scale, clip.mic_channel, clip.pickup_channel)
        about_blow = (clip.strike_sample, clip.strike_speed_m_s, clip.rebound_ratio)
        place = (strike.tap, strike.repeat, strike.x_mm, strike.y_mm)
        digest.update(repr((place, about_clip, about_blow, strike.reading)).encode())
    return digest.hexdigest()


def recall(key: str) -> TapTone | None:
    """Return what was kept under the key; None when there is nothing whole."""
    found = recall_arrays(f"{key}.npz")
    if found is None:
        return None
    plain, arrays = found
    plain.update({name: tuple(v) for name, v in plain.items() if isinstance(v, list)})
    try:
        return TapTone(
            **plain,
            places=PlateXY(arrays["places"]),
            tone_hz=arrays["tone_hz"],
            sd_cents=arrays["sd_cents"],
        )
    except (KeyError, TypeError):
        return None


def keep(key: str, tones: TapTone) -> None:
    """Keep tones for the next call."""
    arrays = {name: np.asarray(getattr(tones, name)) for name in _ARRAYS}
    plain = {name: value for name, value in asdict(tones).items() if name not in _ARRAYS}
    keep_arrays(f"{key}.npz", plain, arrays, _KEPT_FILES)


@lru_cache(maxsize=2)
def code_print(rooms: tuple[str, ...]) -> bytes:
    """Hash of all code in some rooms of the package."""
    package = Path(__file__).resolve().parents[1]
    digest = hashlib.blake2b(digest_size=16)
    for room in rooms:
        for path in sorted((package / room).glob("*.py")):
            digest.update(path.read_bytes())
    return digest.digest()
