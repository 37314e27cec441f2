"""Read one recording: every strike in it, its ring, its tone and its attack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.model.errors import UsageError
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.units import nearest_note

if TYPE_CHECKING:
    from rig.jobs.read_bar import BarReading
    from rig.model.reading import ClipReading


@dataclass(frozen=True)
class ReadResult:
    """What one sound file holds: one reading for each strike, in order of time."""

    path: str
    sample_rate_hz: int
    duration_s: float
    readings: tuple[ClipReading, ...]
    bar: BarReading | None = None

    def as_json(self) -> dict[str, object]:
        """The contract of `platerig read --json`."""
        answer: dict[str, object] = {
            "file": self.path,
            "sample_rate_hz": self.sample_rate_hz,
            "duration_s": self.duration_s,
            "readings": [_reading_json(reading) for reading in self.readings],
        }
        if self.bar is not None:
            answer["bar"] = self.bar.as_json()
        return answer


def read_file(
    path: Path | str,
    *,
    channel: int = 0,
    pickup_channel: int | None = None,
    hum_hz: float | None = 50.0,
    bar: str | Sequence[float] | None = None,
    twist: Path | str | None = None,
    progress: Progress = silent,
) -> ReadResult:
    """Read a WAV or FLAC file that holds one strike or several, well apart.

    channel: the microphone's channel, pickup_channel: the hammer pickup's, both from 0. hum_hz:
    mains frequency. bar: length, width, thickness in mm and mass in g (text `L,B,T,MASS` keeps
    the digits that were given) of a free bar whose lowest bending tone the file holds, then
    Young's modulus is told; twist: a second file with taps that twist it, for the shear modulus.
    Raises RecordingError for what is no usable sound file, UsageError for an impossible bar,
    AnalysisError for a bar without a tone; a file without a strike gives one reading of quality
    "bad" that says so.
    """
    from rig.archive.sound_files import read_clip_file
    from rig.tone import read_strikes

    asked = None
    if bar is not None:
        from rig.jobs.read_bar import bar_of_text

        asked = bar_of_text(bar)
    elif twist is not None:
        raise UsageError(
            "A twist tap is read together with the bar's sizes.",
            where=str(twist),
            remedy="Give --bar L,B,T,MASS as well.",
        )
    progress(ProgressEvent("Reading the file", 0, 2))
    clip = read_clip_file(path, mic_channel=channel, pickup_channel=pickup_channel)
    progress(ProgressEvent("Listening", 1, 2))
    readings = read_strikes(clip, hum_hz=hum_hz)
    found = None
    if asked is not None:
        from rig.jobs.read_bar import read_bar

        twisted = None
        if twist is not None:
            other = read_clip_file(twist, mic_channel=channel, pickup_channel=pickup_channel)
            twisted = read_strikes(other, hum_hz=hum_hz)
        found = read_bar(*asked, readings, twisted, (str(path), str(twist)))
    progress(ProgressEvent("Listening", 2, 2))
    return ReadResult(str(path), clip.sample_rate_hz, clip.duration_s, readings, found)


def _reading_json(reading: ClipReading) -> dict[str, object]:
    note, cents = (None, None) if reading.tone_hz is None else nearest_note(reading.tone_hz)
    return {
        "onset_s": reading.onset_s,
        "ring": [
            {"hz": p.hz, "sd_hz": p.sd_hz, "decay_s": p.decay_s, "level_db": p.level_db}
            for p in reading.ring
        ],
        "tone_hz": reading.tone_hz,
        "tone_sd_hz": reading.tone_sd_hz,
        "note": note,
        "note_cents": cents,
        "attack_hz": reading.attack_hz,
        "attack_sd_cents": reading.attack_sd_cents,
        "contact_ms": reading.contact_ms,
        "contact_sd_ms": reading.contact_sd_ms,
        "rebound_ratio": reading.rebound_ratio,
        "level_db": reading.level_db,
        "quality": reading.quality,
        "reasons": list(reading.reasons),
    }
