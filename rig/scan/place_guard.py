"""Does the plate still lie where it was found? Heard at intervals, seen more rarely and at the end.

The first place of a run is struck again every `HEAR_EVERY` strikes: its sound belongs to the place
and to the whole rig. By ear alone a slip of 1.5 mm is noticed one time in eight, one of 3 mm every
other time, one of 6 mm mostly (tests/bench/bench_slip.py): two strikes of one place never sound
alike. So what sounds otherwise is looked at at once, and a picture, which shows half a millimetre,
is taken every `LOOK_EVERY` strikes and at the end in any case.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rig.model.clip import Clip
from rig.model.errors import ControllerRefusedError, MicrophoneError, MicrophoneGoneError
from rig.model.units import FloatArray
from rig.scan.keeper import ReadClip, Slot
from rig.scan.pace import Place
from rig.scan.store import StrikeStore
from rig.scan.striker import Striker

# Strikes; a run no longer than the first is looked at only when it ends. Watching a scan of 450
# taps so costs some 5 % of its time.
HEAR_EVERY = 100
LOOK_EVERY = 200
_STRIKES = 3  # that the sound of a place is told from
_ALIKE = 1.45  # times the scatter of its own strikes a place may sound otherwise
_DEPTH_DB = 20.0  # below the strongest band noise speaks with
_LEAST_DB = 0.5  # scatter below which two strikes are never expected to agree
_BAND_HZ = (150.0, 4000.0)
_BANDS = 96
_LISTENED_S = 0.25
_FADE_S = 0.08


@dataclass(frozen=True)
class Sight:
    """What a check picture shows. moved_mm: against where the plate was found; None: not seen."""

    moved_mm: float | None
    moved: bool
    note: str = ""


class PlateMovedError(Exception):
    """Ends a run: what was seen, and the strikes made since the plate last lay still for sure."""

    def __init__(self, sight: Sight, suspect: tuple[Slot, ...]) -> None:
        super().__init__(sight.note)
        self.sight = sight
        self.suspect = suspect

    @property
    def sentence(self) -> str:
        """For the user."""
        return (
            f"{self.sight.note} The {len(self.suspect)} strikes since it was last seen to lie "
            "still are kept but not used; they are made again when the scan is resumed."
        )


def withdraw(store: StrikeStore, scan: str, suspect: tuple[Slot, ...]) -> None:
    """Take strikes that may lie beside their places out of use; they stay in the folder."""
    for strike in store.scan_record(scan, with_clips=False).strikes:
        if not strike.superseded and (strike.tap, strike.repeat) in suspect:
            store.supersede(strike.strike_id, "the plate may have moved before it")


@dataclass
class PlaceGuard:
    """Watches over one run. look: takes a picture with the gantry out of the way.

    notes: what was found in passing, for the user.
    """

    look: Callable[[], Sight]
    hear_every: int = HEAR_EVERY
    look_every: int = LOOK_EVERY
    notes: list[str] = field(default_factory=list)
    _striker: Striker | None = None
    _read_clip: ReadClip | None = None
    _corner: Place = (0.0, 0.0)
    _first: int | None = None
    _sound: FloatArray | None = None
    _loud: NDArray[np.bool_] = field(default_factory=lambda: np.ones(_BANDS, dtype=np.bool_))
    _scatter_db: float = 0.0
    _since_heard: int = 0
    _listens: bool = False
    _since_seen: list[Slot] = field(default_factory=list)

    def begin(self, striker: Striker, read_clip: ReadClip, corner: Place, strikes: int) -> None:
        """A run of so many strikes begins; the plate has just been found."""
        self._striker, self._read_clip, self._corner = striker, read_clip, corner
        self._listens = strikes > self.hear_every

    def struck(self, slot: Slot) -> None:
        """One more strike has been made."""
        if self._first is None:
            self._first = slot[0]
        self._since_seen.append(slot)
        self._since_heard += 1

    @property
    def due(self) -> bool:
        """Whether the next strike is to wait for a check."""
        if not self._listens:
            return False
        if self._sound is None and self._first is not None and self._since_heard == 1:
            return True
        return self._since_heard >= self.hear_every or len(self._since_seen) >= self.look_every

    def check(self) -> None:
        """Listen to the first place again, and look where that or the interval calls for it.

        Raises PlateMovedError.
        """
        first_time = self._sound is None and self._since_heard == 1
        self._since_heard = 0
        if first_time:
            self._learn()
            return
        if len(self._since_seen) >= self.look_every or self._sounds_otherwise():
            self._see()

    def finish(self) -> None:
        """Look once more at the end; raises PlateMovedError."""
        if self._since_seen:
            self._see()

    # -- seeing ------------------------------------------------------------------------------

    def _see(self) -> None:
        assert self._striker is not None
        self._striker.park(self._corner)
        sight = self.look()
        if sight.moved:
            raise PlateMovedError(sight, tuple(dict.fromkeys(self._since_seen)))
        if sight.note:
            self.notes.append(sight.note)
        if sight.moved_mm is not None:
            self._since_seen = []

    # -- hearing -----------------------------------------------------------------------------

    def _learn(self) -> None:
        """How the first place sounds, and how much its strikes differ among themselves."""
        sounds = self._strikes(_STRIKES)
        if len(sounds) < _STRIKES:
            return
        strong = np.mean(sounds, axis=0)
        self._loud = strong >= strong.max() - _DEPTH_DB
        levels = np.array([self._levelled(sound) for sound in sounds])
        self._sound = levels.mean(axis=0)
        left = np.mean((levels - self._sound) ** 2)
        self._scatter_db = max(float(np.sqrt(left * _STRIKES / (_STRIKES - 1))), _LEAST_DB)

    def _sounds_otherwise(self) -> bool:
        """One strike where nothing is amiss; two more before a picture is taken for it."""
        if self._sound is None:
            return False
        sounds = self._strikes(1)
        if not sounds or self._apart(sounds) <= _ALIKE:
            return False
        sounds += self._strikes(_STRIKES - 1)
        apart = self._apart(sounds)
        if apart <= _ALIKE:
            return False
        self.notes.append(
            f"The first place sounded otherwise ({apart:.1f} times the scatter of its own "
            "strikes): the plate was looked at."
        )
        return True

    def _apart(self, sounds: list[FloatArray]) -> float:
        """Distance from the sound at the start against what chance makes of so many strikes."""
        assert self._sound is not None
        mean = np.mean([self._levelled(sound) for sound in sounds], axis=0)
        away = float(np.sqrt(np.mean((mean - self._sound) ** 2)))
        expected = self._scatter_db * float(np.sqrt(1.0 / len(sounds) + 1.0 / _STRIKES))
        return away / expected

    def _levelled(self, sound: FloatArray) -> FloatArray:
        """The bands that are clear of noise, against their own middle."""
        loud = sound[self._loud]
        return np.asarray(loud - np.median(loud), dtype=np.float64)

    def _strikes(self, count: int) -> list[FloatArray]:
        """Strike the first place; strikes that cannot be used are left out."""
        assert self._striker is not None
        assert self._read_clip is not None
        assert self._first is not None
        found = []
        for _ in range(count):
            try:
                self._striker.stand_over(self._first)
                clip = self._striker.strike(lambda: None).clip
            except MicrophoneGoneError:
                raise
            except (MicrophoneError, ControllerRefusedError):
                continue
            reading = self._read_clip(clip)
            if reading.quality != "bad" and reading.onset_s is not None:
                sound = band_levels_db(clip, reading.onset_s)
                if sound is not None:
                    found.append(sound)
        return found


def band_levels_db(clip: Clip, onset_s: float) -> FloatArray | None:
    """Levels of the microphone in narrow bands, (96,), dB of no particular reference.

    Silence gives None. The record is faded so that late noise does not count.
    """
    rate = clip.sample_rate_hz
    first = max(0, round(onset_s * rate))
    wave = np.asarray(clip.mic[first : first + round(_LISTENED_S * rate)], dtype=np.float64)
    if len(wave) < 0.1 * rate:
        return None
    faded = wave * np.exp(-np.arange(len(wave)) / rate / _FADE_S)
    power = np.abs(np.fft.rfft(faded, 1 << (int(0.7 * rate) - 1).bit_length())) ** 2
    hz = np.linspace(0.0, 0.5 * rate, len(power))
    edges = np.geomspace(*_BAND_HZ, _BANDS + 1)
    total = np.concatenate([[0.0], np.cumsum(power)])
    places = np.searchsorted(hz, edges)
    bands = total[places[1:]] - total[places[:-1]]
    if bands.max() <= 0.0:
        return None
    return np.asarray(10.0 * np.log10(bands + 1e-7 * bands.max()), dtype=np.float64)
