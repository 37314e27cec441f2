"""The verb `scratch`: the noise of a nail or fingertip on the plate, as a track over time."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import StorageFullError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.tone.scratch import ScratchTrack

_OVERLAP = 1.5  # frames of 40 ms every 20 ms: two of three are independent


@dataclass(frozen=True)
class Stretch:
    """One uninterrupted stretch of scratching.

    centroid_hz: middle of the noise, the mean of its frames; sd_cents: of that mean, from their
    scatter about a straight line; drift_cents: by how much that line rises from start to end;
    peak_hz: the strongest broad peak (median).
    """

    from_s: float
    to_s: float
    centroid_hz: float
    sd_cents: float
    drift_cents: float
    peak_hz: float


@dataclass(frozen=True)
class ScratchResult:
    """The track of one recording; `reason` says why there is none."""

    path: str
    sample_rate_hz: int
    duration_s: float
    track: ScratchTrack
    stretches: tuple[Stretch, ...]
    table: Path | None = None
    picture: Path | None = None

    def as_json(self) -> dict[str, Any]:
        """The contract of `platerig scratch --json`; at breaks the pitches are null."""
        from rig.tone.scratch import STEP_S

        track = self.track
        return {
            "file": self.path,
            "sample_rate_hz": self.sample_rate_hz,
            "duration_s": round(self.duration_s, 4),
            "reason": track.reason,
            "sounding_s": round(float(track.sounding.sum()) * STEP_S, 3),
            "runs": [
                {
                    "from_s": round(run.from_s, 3),
                    "to_s": round(run.to_s, 3),
                    "centroid_hz": round(run.centroid_hz, 1),
                    "sd_cents": round(run.sd_cents, 1),
                    "drift_cents": round(run.drift_cents, 1),
                    "peak_hz": round(run.peak_hz, 1),
                }
                for run in self.stretches
            ],
            "knocks": [round(float(at), 3) for at in track.time_s[track.knock]],
            "points": [
                {
                    "time_s": round(float(track.time_s[k]), 4),
                    "centroid_hz": round(float(track.centroid_hz[k]), 2),
                    "sd_cents": round(float(track.sd_cents[k]), 2),
                    "peak_hz": round(float(track.peak_hz[k]), 1),
                    "sounding": bool(track.sounding[k]),
                    "knock": bool(track.knock[k]),
                }
                for k in range(len(track.time_s))
            ],
            "table": None if self.table is None else str(self.table),
            "picture": None if self.picture is None else str(self.picture),
        }


def scratch(
    path: Path | str,
    *,
    channel: int = 0,
    table: Path | None = None,
    picture: Path | None = None,
    progress: Progress = silent,
) -> ScratchResult:
    """Follow the noise pitch of a WAV or FLAC file.

    table, picture: files to write where something is heard. Raises RecordingError for what is no
    usable sound file, UsageError for a kind of picture not known, StorageFullError.
    """
    from rig.archive.sound_files import read_clip_file
    from rig.jobs.pictures import check_kind
    from rig.tone.scratch import scratch_track

    if picture is not None:
        check_kind(picture)
    progress(ProgressEvent("Reading the file", 0, 2))
    clip = read_clip_file(path, mic_channel=channel)
    progress(ProgressEvent("Listening", 1, 2))
    track = scratch_track(clip)
    found = ScratchResult(
        str(path), clip.sample_rate_hz, clip.duration_s, track, tuple(stretches_of(track)),
        None if track.reason else table, None if track.reason else picture,
    )  # fmt: skip
    try:
        if found.table is not None:
            _write_table(found.table, track)
        if found.picture is not None:
            from rig.report.scratch_figure import scratch_sheet

            labels = [
                (0.5 * (s.from_s + s.to_s), f"{s.centroid_hz:.0f} Hz\n± {s.sd_cents:.0f} cents")
                for s in found.stretches
            ]
            scratch_sheet(Path(path).name, track, labels).save(found.picture)
    except OSError as problem:
        raise StorageFullError(
            f"The track could not be written: {problem.strerror or problem}.",
            where=str(problem.filename or path),
            remedy="Choose another place.",
        ) from problem
    progress(ProgressEvent("Listening", 2, 2))
    return found


def stretches_of(track: ScratchTrack) -> list[Stretch]:
    """The uninterrupted stretches of a track."""
    import numpy as np

    from rig.tone.scratch import STEP_S

    edges = np.flatnonzero(np.diff(np.concatenate([[0], track.sounding.astype(np.int8), [0]])))
    found = []
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        span = slice(int(start), int(stop))
        cents = 1200.0 * np.log2(track.centroid_hz[span])
        time = track.time_s[span]
        middle = time - time.mean()
        slope = float(middle @ cents / (middle @ middle))
        left = cents - cents.mean() - slope * middle
        scatter = float(np.sqrt(np.sum(left**2) / max(len(left) - 2, 1)))
        told = float(np.sqrt(np.mean(track.sd_cents[span] ** 2)))
        found.append(
            Stretch(
                from_s=float(time[0] - 0.5 * STEP_S),
                to_s=float(time[-1] + 0.5 * STEP_S),
                centroid_hz=float(2.0 ** (cents.mean() / 1200.0)),
                sd_cents=max(scatter, told) * float(np.sqrt(_OVERLAP / len(cents))),
                drift_cents=slope * float(time[-1] - time[0]),
                peak_hz=float(np.median(track.peak_hz[span])),
            )
        )
    return found


def _write_table(path: Path, track: ScratchTrack) -> None:
    from rig.report.tables import write_table

    write_table(
        path,
        ("time_s", "centroid_hz", "sd_cents", "peak_hz", "sounding", "knock"),
        (
            (
                round(float(track.time_s[k]), 4),
                float(track.centroid_hz[k]),
                float(track.sd_cents[k]),
                float(track.peak_hz[k]),
                bool(track.sounding[k]),
                bool(track.knock[k]),
            )
            for k in range(len(track.time_s))
        ),
    )
