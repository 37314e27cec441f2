"""Hear taps one after another, from any scan and face of a plate, made ready for the ear."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rig.model.errors import AnalysisError, DeviceError, RecordingError, UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.archive.plate_folder import PlateFolder
    from rig.model.reading import ClipReading
    from rig.model.scan_record import Strike
    from rig.tone.listening import Way

MOST_PLACES = 60
GAP_S = 0.25
_LOOK_S = 0.03


@dataclass(frozen=True)
class Place:
    """One tap of one scan."""

    scan: str
    tap: int


@dataclass(frozen=True)
class HeardPlace:
    """A tap that is heard, with its reading; pitches in Hz, None where unknown."""

    scan: str
    face: str
    tap: int
    x_mm: float
    y_mm: float
    quality: str
    attack_hz: float | None
    attack_sd_cents: float | None
    tone_hz: float | None


@dataclass(frozen=True)
class Heard:
    """Sound to play, full scale 1, (n,) float32; spans_s: from where to where each place is heard.

    said: what was done to the sound; beside: what the readings say of the difference, empty unless
    there are two places.
    """

    wave: NDArray[np.float32]
    rate_hz: int
    spans_s: tuple[tuple[float, float], ...]
    places: tuple[HeardPlace, ...]
    said: str
    beside: str = ""
    silent_taps: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain values, without the sound."""
        return {
            "rate_hz": self.rate_hz,
            "length_s": round(len(self.wave) / self.rate_hz, 3),
            "said": self.said,
            "beside": self.beside,
            "silent_taps": list(self.silent_taps),
            "places": [
                vars(place) | {"from_s": round(span[0], 3), "to_s": round(span[1], 3)}
                for place, span in zip(self.places, self.spans_s, strict=True)
            ],
        }


def listen(
    folder: Path | str,
    places: Sequence[Place],
    way: Way = "as recorded",
    *,
    gap_s: float = GAP_S,
    progress: Progress = silent,
) -> Heard:
    """Make the taps ready to be heard one after another, equally strong.

    way: "as recorded", "slowed", "centred" or "widened" (`rig.tone.listening`). Raises UsageError
    for a way, a gap or a number of places that cannot be, AnalysisError where none can be heard;
    single ones that cannot are told in silent_taps.
    """
    from rig.archive.plate_folder import PlateFolder
    from rig.tone.listening import WAYS, cut, joined, made_for_ear, what_is_done

    if way not in WAYS:
        raise UsageError(f"There is no way of play “{way}”.", remedy=f"Name {', '.join(WAYS)}.")
    if not places or len(places) > MOST_PLACES:
        raise UsageError(f"1 to {MOST_PLACES} taps can be heard at once, not {len(places)}.")
    if not 0.0 <= gap_s <= 5.0:
        raise UsageError(f"A gap of {gap_s:g} s between taps cannot be meant.",
                         remedy="Name 0 to 5 s.")  # fmt: skip
    heard: list[HeardPlace] = []
    sounds, rates, missing = [], [], []
    with PlateFolder.open(folder) as opened:
        struck = {scan: _in_use(opened, scan) for scan in {place.scan for place in places}}
        faces = {scan: str(opened.plan(scan).face) for scan in struck}
        for place in places:
            progress(ProgressEvent("fetching taps", len(heard), len(places)))
            strike = struck[place.scan].get(place.tap)
            if strike is None:
                missing.append(f"{place.scan} tap {place.tap + 1}: not struck yet.")
                continue
            try:
                clip = opened.clip(strike.strike_id)
            except RecordingError as problem:
                missing.append(f"{place.scan} tap {place.tap + 1}: {problem}")
                continue
            reading = strike.reading
            rates.append(clip.sample_rate_hz)
            onset_s = None if reading is None else reading.onset_s
            sounds.append(cut(clip.mic, clip.sample_rate_hz, onset_s))
            heard.append(_place(place, faces[place.scan], strike, reading))
    if not heard:
        raise AnalysisError(f"None of these taps can be heard. {missing[0]}", where=str(folder))
    sounds = [_at_rate(sound, rate, rates[0]) for sound, rate in zip(sounds, rates, strict=True)]
    pitches = [place.attack_hz for place in heard]
    made = joined(made_for_ear(sounds, pitches, rates[0], way), rates[0], gap_s)
    return Heard(
        made.wave.astype(np.float32), rates[0], made.spans_s, tuple(heard),
        what_is_done(pitches, way), beside(heard), tuple(missing),
    )  # fmt: skip


def moved(folder: Path | str, place: Place, delta_cents: float, *, gap_s: float = 0.5) -> Heard:
    """A tap, and the same tap with all its frequencies moved by so many cents.

    For training an ear with differences that are known exactly. Errors as `listen`.
    """
    from rig.tone.listening import faded, joined, levelled, transposed

    plain = listen(folder, [place], gap_s=0.0)
    first, last = (round(t * plain.rate_hz) for t in plain.spans_s[0])
    sound = plain.wave[first:last].astype(np.float64)
    pair = [sound, faded(transposed(sound, 2.0 ** (delta_cents / 1200.0)), plain.rate_hz)]
    made = joined(levelled(pair, plain.rate_hz), plain.rate_hz, gap_s)
    way = "higher" if delta_cents > 0 else "lower"
    said = f"One tap, and the same made {abs(delta_cents):.0f} cents {way}; equally strong."
    return Heard(made.wave.astype(np.float32), plain.rate_hz, made.spans_s, plain.places * 2, said)


def beside(places: Sequence[HeardPlace]) -> str:
    """What the readings say of two places, the second against the first; else empty."""
    if len(places) != 2:
        return ""
    first, second = places
    if first.attack_hz is None or second.attack_hz is None:
        return "Of one of the two no attack could be read, so the readings do not compare them."
    cents = 1200.0 * np.log2(second.attack_hz / first.attack_hz)
    sd = float(np.hypot(first.attack_sd_cents or 0.0, second.attack_sd_cents or 0.0))
    size = f"{abs(cents):.0f} ± {sd:.0f} cents"
    if abs(cents) < 2.0 * sd:
        return f"By its attack the second is not surely different: {size} apart."
    return f"By its attack the second sounds {'higher' if cents > 0 else 'lower'}: {size}."


def same_place(
    folder: Path | str, scan: str, x_mm: float, y_mm: float, *, progress: Progress = silent
) -> tuple[Place, float]:
    """The struck tap of a scan nearest to a place of the plate frame, and its distance in mm.

    Raises AnalysisError where nothing of the scan was struck.
    """
    from rig.archive.plate_folder import PlateFolder

    del progress
    with PlateFolder.open(folder) as opened:
        struck = list(_in_use(opened, scan).values())
    if not struck:
        raise AnalysisError(f"Nothing of {scan} was struck yet.", where=str(folder))
    gaps = [float(np.hypot(one.x_mm - x_mm, one.y_mm - y_mm)) for one in struck]
    nearest = int(np.argmin(gaps))
    return Place(scan, struck[nearest].tap), gaps[nearest]


def play(
    heard: Heard, *, stopped: Callable[[], bool] = lambda: False, progress: Progress = silent
) -> None:
    """Let it be heard; returns at its end, or soon after `stopped` says so.

    Progress tells the place that sounds (detail "place"). Raises DeviceError without a way out.
    """
    try:
        import sounddevice

        sounddevice.play(heard.wave, heard.rate_hz)
        began = time.monotonic()
    except Exception as error:  # PortAudio has several kinds of its own
        none = "device -1" in str(error)
        raise DeviceError(
            "This computer has no sound output." if none else f"No sound can be played: {error}.",
            remedy="Look whether loudspeakers or headphones are connected and chosen.",
        ) from error
    try:
        while sounddevice.get_stream().active and not stopped():
            now_s = time.monotonic() - began
            at = next((n for n, span in enumerate(heard.spans_s) if now_s < span[1]), None)
            progress(ProgressEvent("playing", at or 0, len(heard.places), detail={"place": at}))
            time.sleep(_LOOK_S)
    finally:
        sounddevice.stop()


def _in_use(folder: PlateFolder, scan: str) -> dict[int, Strike]:
    """The newest strike in use by tap."""
    record = folder.scan_record(scan, with_clips=False)
    return {strike.tap: strike for strike in record.strikes if not strike.superseded}


def _place(place: Place, face: str, strike: Strike, reading: ClipReading | None) -> HeardPlace:
    known = (None,) * 3 if reading is None else (
        reading.attack_hz, reading.attack_sd_cents, reading.tone_hz)  # fmt: skip
    quality = "not read" if reading is None else reading.quality
    return HeardPlace(place.scan, face, place.tap, strike.x_mm, strike.y_mm, quality, *known)


def _at_rate(sound: Any, rate_hz: int, wanted_hz: int) -> Any:
    if rate_hz == wanted_hz:
        return sound
    from scipy.signal import resample_poly

    return resample_poly(sound, wanted_hz, rate_hz)
