"""The verb `hand track`: a scratch, heard and filmed, becomes a hand map.

A coloured marker on nail or tool is followed through the film; two knocks on known spots tie film
and sound together; the pitch of the noise is averaged where it was heard.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.jobs.hand import HandResult, arch_note, check_face, hand_json, kept, rise_of, stored_plate
from rig.jobs.hand_films import Film, film_of
from rig.jobs.hand_marks import settings_of
from rig.model.errors import AnalysisError, PictureError, RecordingError, UsageError
from rig.model.frames import Face
from rig.model.progress import Progress, ProgressEvent, silent
from rig.model.rig_settings import RIM_HEIGHT_MM, RigSettings

if TYPE_CHECKING:
    from rig.field.hand_ties import Clock, HandPath
    from rig.model.clip import Clip
    from rig.model.outline import Outline
    from rig.model.units import FloatArray
    from rig.tone.scratch import ScratchTrack

Spot = tuple[float, float]
_LEAST_SEEN = 0.3  # of the pictures
_SAME_KNOCK_S = 0.06


@dataclass(frozen=True)
class Followed:
    """The marker's path over the wood, and what was learnt on the way.

    outline: of the plate; seen: in how many of all the pictures the marker was found.
    """

    path: HandPath
    outline: Outline
    seen: int
    pictures: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class TrackResult(HandResult):
    """A hand map from a scratch, with its clock and the path."""

    clock: Clock | None = None
    followed: Followed | None = None

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig hand track --json`."""
        assert self.clock is not None
        assert self.followed is not None
        return hand_json(self.hand) | {
            "record": self.record,
            "tie": {
                "start_s": round(self.clock.start_s, 4),
                "rate": round(self.clock.rate, 6),
                "sd_s": round(self.clock.sd_s, 4),
                "knocks_s": [round(at, 4) for at in self.clock.knocks_s],
                "fit": round(self.clock.fit, 3),
                "marker_beside_mm": [round(float(v), 2) for v in self.clock.offset_mm],
                "spots_disagree_mm": round(self.clock.offsets_apart_mm, 2),
            },
            "pictures": self.followed.pictures,
            "marker_seen": self.followed.seen,
        } | self.more  # fmt: skip


def hand_track(
    sound: Path | str,
    film: Path | str,
    taps: tuple[Spot, Spot],
    rig_file: Path | str | None = None,
    settings: RigSettings | None = None,
    *,
    plate: Path | str | None = None,
    face: Face = "outer",
    marker: str | None = None,
    tool_height_mm: float = 0.0,
    rim_height_mm: float = RIM_HEIGHT_MM,
    channel: int = 0,
    progress: Progress = silent,
) -> TrackResult:
    """Read a scratch from its recording and its film, and keep it with the plate.

    taps: the two known spots, plate frame, in the order of the knocks. marker: its colour, None:
    the strong colour that moves. tool_height_mm: of the marker over the wood while the tool
    touches it. Raises RecordingError, PictureError, AnalysisError and UsageError.
    """
    from rig.archive.sound_files import read_clip_file
    from rig.field.hand_scratch import placed_noise, scratch_map
    from rig.field.hand_ties import tie
    from rig.jobs.locate import check_rim_height
    from rig.tone.scratch import scratch_track

    check_face(face)
    check_rim_height(rim_height_mm)
    _check(taps, tool_height_mm)
    rig = settings_of(rig_file, settings)
    stored = stored_plate(plate)
    reel = film_of(film)
    progress(ProgressEvent("Listening", 0, 1))
    clip = read_clip_file(sound, mic_channel=channel)
    track = scratch_track(clip)
    if track.reason:
        raise RecordingError(
            track.reason, where=str(sound), remedy="Record the scratch close to the plate."
        )
    found = follow(
        reel, rig, stored.outline, face, arching_mm=stored.arching_mm, marker=marker,
        tool_height_mm=tool_height_mm, rim_height_mm=rim_height_mm, progress=progress,
    )  # fmt: skip
    clock = tie(found.path, taps, knocks_of(clip, track), track.time_s, track.sounding)
    if isinstance(clock, str):
        raise AnalysisError(
            f"Film and sound cannot be tied together. {clock}",
            where=f"{sound}, {film}",
            remedy="On each spot: rest half a second, lift, knock once, rest half a second.",
        )
    noise = placed_noise(
        found.path, clock, track.time_s, track.centroid_hz, track.sd_cents, track.sounding,
        found.outline,
    )  # fmt: skip
    notes = (*found.notes, *_tie_notes(clock), *arch_note(stored.arching_mm))
    hand = scratch_map(
        noise, found.outline, source=f"{Path(sound).name}, {Path(film).name}", face=face,
        notes=notes,
    )  # fmt: skip
    options = {
        "taps_mm": [list(tap) for tap in taps], "marker": marker,
        "tool_height_mm": tool_height_mm, "rim_height_mm": rim_height_mm, "channel": channel,
    }  # fmt: skip
    raw = [(Path(sound), Path(sound).name), *reel.raw]
    result = kept(hand, plate, raw, options, {"left_out_frames": noise.left_out})
    return TrackResult(result.hand, result.record, result.more, clock, found)


def follow(
    reel: Film,
    rig: RigSettings,
    outline: Outline | None,
    face: Face,
    *,
    arching_mm: float | None,
    marker: str | None,
    tool_height_mm: float,
    rim_height_mm: float = RIM_HEIGHT_MM,
    progress: Progress = silent,
) -> Followed:
    """Follow the marker through a film; raises PictureError, UsageError for a colour."""
    import numpy as np

    from rig.field.hand_ties import HandPath
    from rig.vision import hand_film
    from rig.vision.hand_colours import chroma_of_name, white_of
    from rig.vision.hand_view import camera_moved_mm, find_view, moved_too_far

    told = None if marker is None else chroma_of_name(marker)
    progress(ProgressEvent("Looking through the film", 0, 1))
    sample, total = reel.sample()
    still = hand_film.without_hand(sample)
    view, _ = find_view(
        still, rig, outline, face, rise_of(face, arching_mm), rim_height_mm=rim_height_mm
    )
    moved = camera_moved_mm(sample[0], sample[-1], rig)
    if moved_too_far(moved):
        raise PictureError(
            f"The camera or the bed moved by {moved:.1f} mm during the film.",
            where=str(reel.path),
            remedy="Fix the camera and film again.",
        )
    box = hand_film.box_of(view, still.shape[:2])
    colour = hand_film.marker_colour(sample, still, box, white_of(still, view.markers), told)
    if colour is None:
        raise PictureError(
            "No marker is seen moving over the plate.",
            where=str(reel.path),
            remedy="Put a dot of strong colour (green, blue, red) on the nail or the tool, and "
            "tell its colour with --marker.",
        )
    finder = hand_film.MarkerFinder(still, box, colour, view)
    times, pixels = [], []
    last: FloatArray | None = None
    for number, (time_s, picture) in enumerate(reel.frames()):
        seen = finder.find(picture, last)
        last = None if seen is None else seen.uv
        if seen is not None:
            times.append(time_s)
            pixels.append(seen.uv)
        if number % 50 == 0:
            progress(ProgressEvent("Following the marker", number, total))
    progress(ProgressEvent("Following the marker", total, total))
    if len(times) < max(10, _LEAST_SEEN * total):
        raise PictureError(
            f"The marker is seen in {len(times)} of {total} pictures only.",
            where=str(reel.path),
            remedy="Keep it in view of the camera, or tell its colour with --marker.",
        )
    time = np.array(times)
    places = np.asarray(view.to_plate(np.array(pixels), tool_height_mm))
    keep = hand_film.without_strays(time, places)
    path = HandPath(time[keep], places[keep], _scatter_mm(time[keep], places[keep]))
    return Followed(path, view.outline, int(keep.sum()), total, view.notes)


def knocks_of(clip: Clip, track: ScratchTrack) -> FloatArray:
    """Moments of knocks in a recording, s: the clear ones first, then those amid the scratching."""
    import numpy as np

    from rig.tone.onset import Loudness, find_onsets, locate_onset

    rate = clip.sample_rate_hz
    loudness = Loudness(clip.mic, rate)
    clear = [
        locate_onset(clip.mic, loudness, rate, one).time_s for one in find_onsets(loudness)[:20]
    ]
    starts = np.flatnonzero(np.diff(np.concatenate([[0], track.knock.astype(np.int8)])) > 0)
    amid = [float(at) for at in track.time_s[starts]]
    amid = [at for at in amid if all(abs(at - one) > _SAME_KNOCK_S for one in clear)]
    return np.array([*clear, *amid])


def _scatter_mm(time_s: FloatArray, places: FloatArray) -> float:
    """Scatter of one place: from second differences over the quarter of the film that is slowest.

    A second difference of independent places has √6 times the scatter of one.
    """
    import numpy as np

    bend = places[2:] - 2.0 * places[1:-1] + places[:-2]
    gone = np.hypot(*(places[2:] - places[:-2]).T)
    slow = gone <= np.quantile(gone, 0.25)
    return float(max(1.4826 * np.median(np.abs(bend[slow])) / np.sqrt(6.0), 0.05))


def _tie_notes(clock: Clock) -> tuple[str, ...]:
    import numpy as np

    notes = []
    beside = float(np.hypot(*clock.offset_mm))
    if beside > 2.0:
        notes.append(
            f"The marker lies {beside:.0f} mm beside the point of the tool; by the two taps that "
            "was taken off."
        )
    if clock.offsets_apart_mm > 5.0:
        notes.append(
            f"The two taps place the tool {clock.offsets_apart_mm:.0f} mm differently: was the tap "
            "on the spot, and is the height of the marker right?"
        )
    if clock.seen_dips < 2:
        notes.append(
            "The lift before a tap is not seen in the film: the tie is good to "
            f"{clock.sd_s:.2f} s only. Lift higher, or let the camera look more from the side."
        )
    if abs(clock.rate - 1.0) > 0.003:
        notes.append(
            f"The film runs {100.0 * abs(clock.rate - 1.0):.1f} % "
            f"{'slower' if clock.rate > 1.0 else 'faster'} than the sound; that was taken off."
        )
    return tuple(notes)


def _check(taps: tuple[Spot, Spot], tool_height_mm: float) -> None:
    import numpy as np

    if not np.all(np.isfinite(taps)):
        raise UsageError("The two taps need places in mm.", remedy="Give --tap X,Y twice.")
    if not 0.0 <= tool_height_mm <= 150.0:
        raise UsageError(
            f"A marker {tool_height_mm:g} mm above the wood cannot be meant.",
            remedy="Give the height of the marker over the wood while the tool touches it, mm.",
        )
