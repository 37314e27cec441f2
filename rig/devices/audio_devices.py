"""Sound inputs by name: the one the rig file means, and no other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import ModuleType

from rig.model.errors import MicrophoneError


@dataclass(frozen=True)
class SoundInput:
    """One input as PortAudio knows it."""

    index: int
    name: str
    host: str
    channels: int
    rate_hz: int


def portaudio() -> ModuleType:
    """The sound library. Raises MicrophoneError saying what to install."""
    try:
        import sounddevice
    except OSError as error:  # the wheel brings no PortAudio on Linux
        raise MicrophoneError(
            f"The sound library cannot be loaded: {error}.",
            remedy="Install PortAudio (Debian: libportaudio2).",
        ) from error
    module: ModuleType = sounddevice
    return module


def sound_inputs(*, refresh: bool = False) -> tuple[SoundInput, ...]:
    """All inputs. refresh: look again for what was plugged in since; no stream may be open."""
    library = portaudio()
    if refresh:
        library._terminate()
        library._initialize()
    hosts = library.query_hostapis()
    return tuple(
        SoundInput(
            index=index,
            name=str(found["name"]),
            host=str(hosts[found["hostapi"]]["name"]),
            channels=int(found["max_input_channels"]),
            rate_hz=round(found["default_samplerate"]),
        )
        for index, found in enumerate(library.query_devices())
        if found["max_input_channels"] > 0
    )


def choose_input(
    wanted: str | None, channels: int, inputs: Sequence[SoundInput]
) -> SoundInput | None:
    """The input of this name, or whose name holds it; None asks for the system's own choice.

    Capitals don't matter. A name that is exactly right wins over longer ones that hold it.
    Raises MicrophoneError when none or several fit, or when it has too few channels.
    """
    if wanted is None:
        return None
    low = wanted.lower()
    fitting = [
        one for one in inputs if low in (one.name.lower(), f"{one.name}, {one.host}".lower())
    ]
    fitting = fitting or [one for one in inputs if low in f"{one.name}, {one.host}".lower()]
    if not fitting:
        there = "; ".join(f"“{one.name}”" for one in inputs) or "none"
        raise MicrophoneError(
            f"There is no sound input called “{wanted}”.",
            where=f"inputs here: {there}",
            remedy="Plug the interface in, or correct device in [microphone].",
        )
    if len({one.name for one in fitting}) > 1:
        raise MicrophoneError(
            f"Several sound inputs could be “{wanted}”.",
            where="; ".join(f"“{one.name}”" for one in fitting),
            remedy="Write more of its name into device in [microphone].",
        )
    chosen = fitting[0]
    if chosen.channels < channels:
        raise MicrophoneError(
            f"“{chosen.name}” has {chosen.channels} channel(s), the rig file wants {channels}.",
            remedy="Correct mic_channel and pickup_channel in [microphone]; they count from 0.",
        )
    return chosen
