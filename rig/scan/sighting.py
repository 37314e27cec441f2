"""Where a strike is seen in what was recorded of it: by the pickup, or by the microphone."""

from __future__ import annotations

from rig.model.clip import Clip

CLEAR_DB = 20.0  # above the noise, for a sound that may set a clock


def contact_sample(clip: Clip) -> float | None:
    """Sample of the clip, with fraction, at which the hammer touched; None when nothing is clear.

    With a pickup it is the foot of the force pulse; without, the first sound of the strike, later
    by its way through the air.
    """
    from rig.tone.contact import contact_of

    rate = clip.sample_rate_hz
    if clip.pickup is not None:
        contact = contact_of(clip.pickup, rate)
        return None if contact is None else contact.start_s * rate
    return _first_sound(clip)


def _first_sound(clip: Clip) -> float | None:
    import numpy as np

    from rig.tone.envelope import without_drift
    from rig.tone.onset import find_onsets, locate_onset

    rate = clip.sample_rate_hz
    sound = without_drift(clip.mic, rate)
    found = find_onsets(sound, rate)
    if len(found) != 1:
        return None  # two strikes, or none: not for setting clocks by
    onset = locate_onset(sound, rate, found[0])
    after = sound[onset.sample : onset.sample + rate // 50]
    loud = float(np.sqrt(np.mean(after**2))) if len(after) else 0.0
    if loud < onset.noise_rms * 10.0 ** (CLEAR_DB / 20.0):
        return None
    return onset.time_s * rate
