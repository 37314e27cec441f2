"""Where a strike is seen in what was recorded of it: by the pickup, or by the microphone."""

from __future__ import annotations

from rig.model.clip import Clip


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
    from rig.tone import read_clip

    reading = read_clip(clip)
    if reading.onset_s is None or reading.quality == "bad":
        return None  # two strikes, or none to speak of: not for setting clocks by
    return reading.onset_s * clip.sample_rate_hz
