"""One clip to its reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.model.clip import Clip
from rig.model.reading import ClipReading, RingPartial
from rig.model.units import FloatArray, decibels
from rig.tone.attack import attack_of
from rig.tone.contact import Contact, contact_of
from rig.tone.envelope import FRAME_S, ahead, frame_energy, without_drift
from rig.tone.onset import Found, Loudness, Onset, find_onsets, locate_onset
from rig.tone.pitch import Pitch, pitch_of
from rig.tone.quality import Verdict, check_overload, gaps
from rig.tone.ring import RingFit, ring_of
from rig.tone.second_blow import second_blow
from rig.tone.struck import fading_of, is_doubtful, lasting_chord, lasting_db, why_not_struck

_SHORTEST_S = 0.01
_NEEDED_S = 0.02  # sound after the strike without which nothing can be read
_WISHED_S = 0.1  # below this, and still ringing, the reading is doubtful
_WEAK_DB = 10.0
_NOISY_DB = 20.0
_RINGING_DB = -25.0  # below, a second blow is a plain rise of the level
_RING_DB = 40.0
_LATE_S = 0.1


@dataclass(frozen=True)
class _Sound:
    """A recording made ready: drift taken out, silent ends known, strikes found."""

    x: FloatArray
    raw: FloatArray
    rate: int
    level_db: float
    loudness: Loudness
    found: list[Found]
    pickup: FloatArray | None
    contact: Contact | None


def read_clip(clip: Clip, *, hum_hz: float | None = 50.0) -> ClipReading:
    """Read one strike: onset, ring, tone, attack, contact, and how far they may be believed.

    clip: the recording of one strike; the strike may lie anywhere in it. hum_hz: the mains
    frequency whose harmonics are refused as partials where the record begins with the strike
    (elsewhere any tone that sounds before the strike is refused); None refuses none.
    Never raises for odd sound: the quality is then "bad" and the reasons say why.
    """
    sound = _prepare(clip)
    if isinstance(sound, ClipReading):
        return sound
    verdict = Verdict()
    check_overload(clip, verdict)
    onset = _onset(sound)
    if onset is None:
        return _nothing("No strike was found: nothing starts suddenly.", sound.level_db, verdict)
    if len(sound.found) > 1:
        verdict.bad(f"There are {len(sound.found)} strikes in the recording; this is the first.")
    stop = len(sound.x) if len(sound.found) < 2 else _frame_start(sound, 1)
    return _read_strike(clip, sound, onset, stop, verdict, hum_hz)


def read_strikes(clip: Clip, *, hum_hz: float | None = 50.0) -> tuple[ClipReading, ...]:
    """Read a recording of several strikes, at least 0.12 s apart: one reading each, in order.

    A recording without any gives one reading of quality "bad".
    """
    sound = _prepare(clip)
    if isinstance(sound, ClipReading) or len(sound.found) < 2:
        return (read_clip(clip, hum_hz=hum_hz),)
    readings = []
    for number, found in enumerate(sound.found):
        verdict = Verdict()
        check_overload(clip, verdict)
        last = number + 1 == len(sound.found)
        stop = len(sound.x) if last else _frame_start(sound, number + 1)
        onset = locate_onset(sound.x[:stop], sound.loudness.until(stop), sound.rate, found)
        readings.append(_read_strike(clip, sound, onset, stop, verdict, hum_hz))
    return tuple(readings)


def _prepare(clip: Clip) -> _Sound | ClipReading:
    """Make a recording ready, or the reading that says why there is nothing in it."""
    mic = clip.mic if len(clip.samples) else np.zeros(0)
    rate = clip.sample_rate_hz
    if len(mic) < _SHORTEST_S * rate:
        return _nothing("The recording is shorter than 10 ms.", None)
    start, stop = gaps(mic)
    peak = float(max(mic.max() - (middle := np.median(mic[::16])), middle - mic.min()))
    if stop - start < 16 or peak <= 0.0:
        return _nothing("The recording is silent.", None)
    x = without_drift(mic[:stop], rate)
    earliest = _earliest(clip)
    pickup, contact = clip.pickup, None
    if pickup is not None:
        contact = contact_of(pickup, rate, earliest)
        if contact is not None:  # nothing is heard before the tip touches
            earliest = max(earliest, round((contact.start_s - 2 * FRAME_S) * rate))
    loudness = Loudness(x, rate)
    found = find_onsets(loudness, earliest)
    level_db = float(decibels(peak))
    return _Sound(x, mic[:stop], rate, level_db, loudness, found, pickup, contact)


def _earliest(clip: Clip) -> int:
    """First sample at which the strike may be looked for: 2 ms before the tapper's pulse."""
    if clip.strike_sample is None:
        return 0
    return max(0, clip.strike_sample - round(0.002 * clip.sample_rate_hz))


def _frame_start(sound: _Sound, number: int) -> int:
    return max(0, round((sound.found[number].frame - 1) * FRAME_S * sound.rate))


def _read_strike(
    clip: Clip,
    sound: _Sound,
    onset: Onset,
    stop: int,
    verdict: Verdict,
    hum_hz: float | None,
) -> ClipReading:
    """Read the strike at `onset` from the sound up to sample `stop`."""
    rate = sound.rate
    contact = sound.contact
    if sound.pickup is not None and stop < len(sound.x):
        contact = contact_of(sound.pickup[:stop], rate, _earliest(clip))
    after = sound.x[onset.sample : stop]
    before = sound.x[: onset.quiet_stop]
    blows = _second_blow(after, rate, onset, contact)
    _check_strike(sound.x[:stop], rate, onset, min(blows, default=None), clip, verdict)
    lead, end = _free_ring(after, rate, blows[0] if blows else None)
    fit = RingFit((), (), 0.0)
    if end - lead >= _NEEDED_S * rate:
        # the drift filter would bend the first 20 ms of the ring, so the ring is read without it
        level = float(np.mean(sound.raw[: max(1, onset.quiet_stop)]))
        if len(before) < 0.02 * rate:
            level = float(np.mean(sound.raw[onset.sample : stop]))
        ring = sound.raw[onset.sample + lead : onset.sample + end] - level
        fit = ring_of(ring, rate, before, lead / rate, hum_hz)
    pitch = pitch_of(fit.partials)
    frames = sound.loudness.until(stop).energy[onset.sample // sound.loudness.size :]
    fading = fading_of(frames, onset.noise_rms**2)
    reason = why_not_struck(
        fit,
        after,
        rate,
        fading,
        fitted_s=(end - lead) / rate,
        starts_inside=onset.starts_inside,
    )
    if reason:
        verdict.bad(reason)
        pitch = Pitch(None, None, "No pitch is given for what is not a strike.")
    elif (doubt := is_doubtful(fit, after, rate)) or (
        pitch.competing and (doubt := lasting_chord(fading))
    ):
        verdict.doubtful(doubt)
    if pitch.hz is None:
        verdict.note(pitch.reason)
    attack = attack_of(after, rate, before)
    if attack is None:
        verdict.note("No attack reading: the first 20 ms are missing or below the noise.")
    if sound.pickup is not None and contact is None:
        verdict.doubtful("The pickup shows no force pulse.")
    return ClipReading(
        onset_s=onset.time_s,
        ring=_ring(fit),
        tone_hz=pitch.hz,
        tone_sd_hz=pitch.sd_hz,
        attack_hz=None if attack is None else attack.hz,
        attack_sd_cents=None if attack is None else attack.sd_cents,
        contact_ms=None if contact is None else contact.width_ms,
        contact_sd_ms=None if contact is None else contact.sd_ms,
        rebound_ratio=clip.rebound_ratio,
        level_db=sound.level_db,
        quality=verdict.quality,
        reasons=tuple(verdict.reasons),
    )


def _nothing(reason: str, level_db: float | None, verdict: Verdict | None = None) -> ClipReading:
    verdict = verdict or Verdict()
    verdict.bad(reason)
    return ClipReading(
        onset_s=None,
        ring=(),
        tone_hz=None,
        tone_sd_hz=None,
        attack_hz=None,
        attack_sd_cents=None,
        contact_ms=None,
        contact_sd_ms=None,
        rebound_ratio=None,
        level_db=level_db,
        quality="bad",
        reasons=tuple(verdict.reasons),
    )


def _onset(sound: _Sound) -> Onset | None:
    """The first strike; also one that the recording cuts into, sounding from its first sample."""
    if sound.found:
        return locate_onset(sound.x, sound.loudness, sound.rate, sound.found[0])
    energy = ahead(sound.loudness.energy, 5)
    if len(energy) and energy[0] > 0.25 * float(np.max(energy)) and energy[-1] < 0.1 * energy[0]:
        return locate_onset(sound.x, sound.loudness, sound.rate, Found(0, 0))
    return None


def _check_strike(
    x: FloatArray,
    rate: int,
    onset: Onset,
    second_s: float | None,
    clip: Clip,
    verdict: Verdict,
) -> None:
    """Weigh the strike as such: level, noise, doubles, cut ends."""
    left_s = (len(x) - onset.sample) / rate
    body = x[onset.sample : onset.sample + round(0.03 * rate)]
    loud = float(np.sqrt(np.mean(body**2))) if len(body) else 0.0
    ratio_db = float(decibels(loud / max(onset.noise_rms, 1e-9)))
    if onset.quiet_stop == 0:
        pass  # nothing is known of the noise
    elif ratio_db < _WEAK_DB:
        verdict.bad(f"Weak: the strike stands only {ratio_db:.0f} dB above the noise.")
    elif ratio_db < _NOISY_DB:
        verdict.doubtful(f"Noisy: the strike stands only {ratio_db:.0f} dB above the noise.")
    if onset.starts_inside:
        verdict.doubtful(
            "Cut off: the recording starts with the strike, whose beginning may be missing."
        )
    if left_s < _NEEDED_S:
        verdict.bad(f"Late: the recording ends {1e3 * left_s:.0f} ms after the strike.")
    elif left_s < _WISHED_S:
        tail = x[-round(0.005 * rate) :]
        if float(np.sqrt(np.mean(tail**2))) > 0.1 * loud:
            verdict.doubtful(f"Cut off: the recording ends {1e3 * left_s:.0f} ms after the strike.")
    if clip.strike_sample is not None and onset.sample - clip.strike_sample > _LATE_S * rate:
        verdict.doubtful("Late: the sound comes more than 100 ms after the tapper's pulse.")
    if second_s is not None:
        verdict.bad(f"Double strike: a second blow follows after {1e3 * second_s:.0f} ms.")


def _second_blow(
    after: FloatArray, rate: int, onset: Onset, contact: Contact | None
) -> list[float]:
    """Times after the strike at which another is heard, and one is felt by the pickup."""
    found = [] if onset.second_s is None else [onset.second_s]
    if contact is not None:
        return found if contact.second_s is None else [*found, contact.second_s]
    if not found and lasting_db(after, rate) > _RINGING_DB:
        blow = second_blow(after, rate)
        found = [] if blow is None else [blow]
    return found


def _free_ring(after: FloatArray, rate: int, second_s: float | None) -> tuple[int, int]:
    """First and one-past-last sample, from the strike, of the stretch that only decays.

    Two blows sound the same partials: of a double strike the longer stretch is taken.
    """
    if second_s is None:
        return _free_ring_start(after, rate), len(after)
    second = round(second_s * rate)
    if len(after) - second > second:
        return second + _free_ring_start(after[second:], rate), len(after)
    return _free_ring_start(after, rate), second - round(FRAME_S * rate)


def _free_ring_start(after: FloatArray, rate: int) -> int:
    """Samples from the strike to where the sound only decays.

    Half a millisecond, or where the next 5 ms first reach half of the most power: a soft beater
    or a plucked tongue takes its time.
    """
    energy = ahead(frame_energy(after[: round(0.15 * rate)], rate), 5)
    if len(energy) < 2:
        return 0
    first = int(np.argmax(energy >= 0.5 * float(np.max(energy))))
    if first <= 1:
        return round(0.0005 * rate)
    return round(first * FRAME_S * rate)


def _ring(fit: RingFit) -> tuple[RingPartial, ...]:
    if not fit.partials:
        return ()
    top = max(p.amplitude for p in fit.partials)
    levels = [float(decibels(p.amplitude / top)) for p in fit.partials]
    return tuple(
        RingPartial(p.hz, p.sd_hz, p.decay_s, level)
        for p, level in zip(fit.partials, levels, strict=True)
        if level > -_RING_DB
    )
