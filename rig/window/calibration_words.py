"""What is said of calibrations: how each stands, and what one has found."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from rig.window.words import signed, tr, trn

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.jobs.calibrate_records import CalibrationList


def stands(listed: CalibrationList, kind: str) -> tuple[bool, str]:
    """Whether a kind holds, and a sentence on its age."""
    one = next(found for found in listed.standings if found.kind == kind)
    if one.record is None:
        return False, tr("Never made.")
    age, until = one.record.age_days(listed.now), one.record.expires()
    simulated = tr(" SIMULATED.") if one.record.simulated else ""
    if one.state == "holds":
        return True, tr("Holds: {0}, until {1}.", _age(age), _day(until)) + simulated
    if one.state == "expired":
        return False, tr("Expired on {1}: it was made {0}.", _age(age), _day(until)) + simulated
    return False, one.sentence


def _age(days: float) -> str:
    if days < 1.0:
        return tr("made today")
    return trn("made {0} day ago", "made {0} days ago", round(days))


def _day(moment: datetime) -> str:
    return f"{moment.astimezone():%Y-%m-%d}"


def found_lines(kind: str, result: Any) -> list[str]:
    """What a procedure has found, and where it is kept."""
    lines = _FOUND[kind](result)
    record = result.record
    return [*lines, tr("Kept as {0}; it holds until {1}.", record.path, _day(record.expires()))]


def _lens(result: Any) -> list[str]:
    told = result.as_json()
    return [
        trn("{0} picture used, corners off by {1:.2f} px; held out: {2:.2f} px.",
            "{0} pictures used, corners off by {1:.2f} px; held out: {2:.2f} px.",
            len(told["pictures"]), told["rms_px"], told["held_out_px"]),
        tr("Covered: {0:.0f} % of the picture.", 100.0 * told["covered"]),
        *told["notes"], *told["left_out"],
        *(tr("Better still: {0}.", wish) for wish in told["lacking"]),
        tr("In the rig file, under [camera]: lens = \"{0}\"", told["lens_file"]),
    ]  # fmt: skip


def _gantry(result: Any) -> list[str]:
    told = result.as_json()
    scale = [signed(100.0 * (value - 1.0), 3) for value in told["scale"]]
    backlash = [signed(value, 2) for value in told["correction"]["backlash_mm"]]
    return [
        tr("{0} of {1} dots used, off by {2:.3f} mm.", told["dots"], told["planned"],
           float(told["residual_mm"])),
        tr("Scale X {0} %, Y {1} %; skew {2}°; play X {3}, Y {4} mm.", *scale,
           signed(told["skew_deg"], 3), *backlash),
        *told["notes"],
    ]  # fmt: skip


def _tapper(result: Any) -> list[str]:
    fit = result.fit
    lines = [
        tr("light_pulse_us = {0}, firm_pulse_us = {1}: write them into the rig file.",
           fit.light_us, fit.firm_us)
        if fit.light_us and fit.firm_us
        else tr("No pulses can be recommended."),
    ]  # fmt: skip
    if fit.safe_us:
        lines.append(tr("One strike each, never two: {0} to {1} µs.", *fit.safe_us))
    return [*lines, *fit.notes, result.sentence]


def _sound(result: Any) -> list[str]:
    values = result.record.values
    lines = [] if result.sentences else [tr("All is well.")]
    if quiet := values.get("quiet"):
        lines.append(tr("Noise {0} dB of full scale.", signed(quiet["noise_db"], 1)))
    if clock := values.get("clock"):
        lines.append(tr("{0:g} Hz reads {1:.3f} Hz, {2} cents.", float(clock["reference_hz"]),
                        float(clock["heard_hz"]), signed(clock["error_cents"], 3)))  # fmt: skip
    return [*lines, *result.sentences]


def _bar(result: Any) -> list[str]:
    values = result.record.values
    lines = [tr("Bending tone {0:.2f} Hz, Young's modulus {1:.3f} GPa.",
                float(values["flexural_hz"]), float(values["young_gpa"]))]  # fmt: skip
    if result.good is not None:
        lines.append(tr("As ever.") if result.good else tr("OUT OF LIMITS."))
    return [*lines, *result.sentences]


def _repeatability(result: Any) -> list[str]:
    lines = []
    for study in result.studies:
        lines += [study.sentence, *study.cautions]
    return [*lines, *(f"{kind}: {why}" for kind, why in result.without.items())]


_FOUND: dict[str, Callable[[Any], list[str]]] = {
    "lens": _lens, "gantry": _gantry, "tapper": _tapper, "sound": _sound, "bar": _bar,
    "repeatability": _repeatability,
}  # fmt: skip
