"""`calibrate sound` and `calibrate bar`: the sound chain, and the daily reference bar."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.model.errors import UsageError
from rig.model.progress import Progress, ProgressEvent, silent

if TYPE_CHECKING:
    from rig.calibrate.records import Record
    from rig.calibrate.sound import ClockReading, QuietReading

_NOISY_DB, _OFF_CENTS = -60.0, 0.5
_BAR_SIZES = ("length_mm", "width_mm", "thickness_mm", "mass_g")


@dataclass(frozen=True)
class Recorded:
    """What was found, whether it will do, and the record."""

    good: bool | None
    sentences: tuple[str, ...]
    record: Record

    def as_json(self) -> dict[str, Any]:
        """The contract of both verbs."""
        return {
            "good": self.good,
            "sentences": list(self.sentences),
            "record": self.record.name,
            "path": str(self.record.path),
            **self.record.values,
        }


def calibrate_sound(
    *,
    silence: Path | str | None = None,
    tone: Path | str | None = None,
    reference_hz: float | None = None,
    channel: int = 0,
    records: Path | str | None = None,
    rig: Path | str | None = None,
    progress: Progress = silent,
) -> Recorded:
    """Read a recording of silence, one of a reference tone, or both, and store what they say.

    Raises UsageError when neither is given or the tone's frequency is missing, RecordingError and
    AnalysisError for recordings that tell nothing.
    """
    from rig.archive.sound_files import read_clip_file
    from rig.calibrate.sound import read_clock, read_quiet
    from rig.jobs.calibrate_records import keep, records_folder

    if silence is None and tone is None:
        raise UsageError(
            "There is nothing to listen to.", remedy="Give --silence FILE, --tone FILE, or both."
        )
    if (tone is None) != (reference_hz is None):
        raise UsageError(
            "A reference tone is a recording and its frequency.",
            remedy="Give --tone FILE and --hz FREQUENCY together.",
        )
    folder = records_folder(records, rig, silence or tone)
    values: dict[str, Any] = {"channel": channel}
    said: list[str] = []
    progress(ProgressEvent("Listening", 0, 1))
    if silence is not None:
        clip = read_clip_file(silence, mic_channel=channel)
        quiet = read_quiet(clip.mic, clip.sample_rate_hz)
        values["quiet"] = asdict(quiet)
        said += _of_quiet(quiet)
    if tone is not None and reference_hz is not None:
        clip = read_clip_file(tone, mic_channel=channel)
        clock = read_clock(clip.mic, clip.sample_rate_hz, reference_hz)
        values["clock"] = asdict(clock) | {"error_cents": clock.error_cents}
        said += _of_clock(clock)
    used = tuple(Path(p).name for p in (silence, tone) if p is not None)
    record = keep(folder, "sound", values, rig, used=used, notes=tuple(said))
    return Recorded(not said, tuple(said), record)


def _of_quiet(quiet: QuietReading) -> list[str]:
    said = []
    if quiet.noise_db > _NOISY_DB:
        said.append(
            f"The room or the gain is noisy: {quiet.noise_db:.0f} dB. Find the noise, or turn the "
            "gain down and go nearer."
        )
    if quiet.hum_over_noise_db is not None and quiet.hum_over_noise_db > 0.0:
        said.append(
            f"Hum of {quiet.hum_hz:.0f} Hz at {quiet.hum_db:.0f} dB: keep the cables away from "
            "power supplies, and earth the rig at one place."
        )
    if abs(quiet.offset) > 0.01:
        said.append(f"The channel has an offset of {100.0 * quiet.offset:.1f} % of full scale.")
    return said


def _of_clock(clock: ClockReading) -> list[str]:
    said = []
    if abs(clock.error_cents) > _OFF_CENTS:
        said.append(
            f"All pitches read {clock.error_cents:+.2f} cents off: check the sample rate that the "
            "sound device truly has."
        )
    if clock.wander_ppm > 50.0 + 5.0 * clock.sd_ppm:
        said.append(
            f"The clock wanders by {clock.wander_ppm:.0f} parts per million, or samples were lost."
        )
    return said


def calibrate_bar(
    recording: Path | str,
    bar: str,
    *,
    channel: int = 0,
    hum_hz: float | None = 50.0,
    records: Path | str | None = None,
    rig: Path | str | None = None,
    progress: Progress = silent,
) -> Recorded:
    """Read the reference bar and judge it by the chart of all earlier readings of this bar.

    bar: `L,B,T,MASS` in mm and g. The record is stored also where the reading is out of limits;
    such ones are never used for later limits. Errors as `read_file`.
    """
    from rig.calibrate.control_chart import judge
    from rig.calibrate.records import load_all
    from rig.jobs.calibrate_records import keep, records_folder
    from rig.jobs.read import read_file

    folder = records_folder(records, rig, recording)
    found = read_file(recording, channel=channel, hum_hz=hum_hz, bar=bar, progress=progress)
    assert found.bar is not None  # a bar was asked for
    told = found.bar.as_json()
    size = {name: told[name] for name in _BAR_SIZES}
    earlier = [
        r.values
        for r in load_all(folder)[0]
        if r.kind == "bar"
        and r.values.get("bar") == size
        and r.values.get("in_control") is not False
        and isinstance(r.values.get("young_gpa"), float)
    ]
    # sizes do not change from day to day: what can scatter is the tone, and E goes with its square
    scatter = told["young_gpa"] * 2.0 * told["flexural_sd_hz"] / told["flexural_hz"]
    verdict = judge([v["young_gpa"] for v in earlier], told["young_gpa"], floor=3.0 * scatter)
    values = {
        "bar": size,
        "young_gpa": told["young_gpa"],
        "young_gpa_sd": told["young_gpa_sd"],
        "flexural_hz": told["flexural_hz"],
        "flexural_sd_hz": told["flexural_sd_hz"],
        "in_control": verdict.in_control,
        "limits": None if verdict.limits is None else asdict(verdict.limits),
    }
    said = verdict.sentences
    if verdict.in_control is False:
        said = (
            *said,
            "Look at the bar's supports, the room's warmth and the sample rate before scanning.",
        )
    record = keep(folder, "bar", values, rig, used=(Path(recording).name,), notes=said)
    return Recorded(verdict.in_control, said, record)
