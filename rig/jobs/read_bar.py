"""A bar's moduli from recordings of its taps, with the doubt of every number.

Which tone is meant is checked against what a free bar can sound: its bending tones stand near
1 : 2.76 : 5.40. The doubt is that of the sizes, the mass and the tones, carried through the
formulas of `rig.tone.bar`; a size counts as good to half of the last digit that was given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from rig.model.errors import AnalysisError, UsageError

if TYPE_CHECKING:
    from rig.model.reading import ClipReading, RingPartial
    from rig.tone.bar import Bar, BarModuli

SIZES = ("length_mm", "width_mm", "thickness_mm", "mass_g")
_ASK = "Give length, width and thickness in mm and mass in g, such as 300,30.0,4.05,15.12."
_UPPER = (2.7565, 5.4039)  # bending tones above the lowest, thin free bar (Euler and Bernoulli)
_LOWER_BY_SHEAR = 0.12  # as much lower they may be in a stubby bar
_WITHIN_DB = 26.0
_SAME_TONE = 0.01
_DENSITY_KG_M3 = (60.0, 23_000.0)  # balsa to osmium
_SPEED_M_S = (800.0, 8000.0)  # what wood, metal, glass and plastics show
_WOOD_KG_M3 = 1400.0
_WOOD_SHEAR = 19.3  # (t/L)² × this: E/G 15 across the bar, shear factor 5/6, 1.62·(1 + 18) − 6.6…
_ISOTROPIC_SHEAR = 6.9


@dataclass(frozen=True)
class Tone:
    """One tone of the bar and one standard deviation, over all strikes of the file."""

    hz: float
    sd_hz: float
    strikes: int


@dataclass(frozen=True)
class BarReading:
    """What the taps of a bar say. Pairs are (value, one standard deviation); None: not asked.

    moduli: the same values as the formulas give them; notes: what to know before using them.
    """

    bar: Bar
    moduli: BarModuli
    flexural: Tone
    torsional: Tone | None
    sd: dict[str, float]
    chief_doubt: str
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The part `bar` of the contract of `platerig read --json`."""
        return {
            **asdict(self.bar),
            "flexural_hz": self.flexural.hz,
            "flexural_sd_hz": self.flexural.sd_hz,
            "torsional_hz": None if self.torsional is None else self.torsional.hz,
            "torsional_sd_hz": None if self.torsional is None else self.torsional.sd_hz,
            **asdict(self.moduli),
            **{f"{name}_sd": value for name, value in self.sd.items()},
            "chief_doubt": self.chief_doubt,
            "notes": list(self.notes),
        }


def bar_of_text(text: str | Sequence[float]) -> tuple[Bar, dict[str, float]]:
    """The bar that `L,B,T,MASS` describes, and the standard deviation of each number.

    Half of the last digit given is taken as a uniform doubt: a thickness of 4 is 4 ± 0.29 mm, one
    of 4.00 is 4 ± 0.003 mm. Raises UsageError for what is no such bar.
    """
    from rig.tone.bar import Bar

    parts = text.split(",") if isinstance(text, str) else [f"{value:g}" for value in text]
    if len(parts) != len(SIZES):
        more = " Write decimals with a point." if len(parts) > len(SIZES) else ""
        raise UsageError(
            f"A bar is four numbers, not {len(parts)}: {','.join(parts)}.", remedy=_ASK + more
        )
    values, doubts = {}, {}
    for name, part in zip(SIZES, parts, strict=True):
        values[name], doubts[name] = _number(part.strip(), name)
    bar = _possible(Bar, values)
    return bar, doubts


def _number(part: str, name: str) -> tuple[float, float]:
    try:
        value = float(part)
    except ValueError:
        raise UsageError(
            f'The bar\'s {_words(name)} is "{part}", no number.', remedy=_ASK
        ) from None
    if not (np.isfinite(value) and value > 0.0):
        raise UsageError(f"The bar's {_words(name)} is {part}; it must be above 0.", remedy=_ASK)
    mantissa, _, power = part.lower().partition("e")
    digits = len(mantissa.partition(".")[2]) - (int(power) if power else 0)
    return value, 10.0**-digits / np.sqrt(12.0)


def _possible(make: type[Bar], values: dict[str, float]) -> Bar:
    """Refuse sizes in the wrong order and units gone wrong, which give confident wrong moduli."""
    length, width, thickness = values["length_mm"], values["width_mm"], values["thickness_mm"]
    if not length > width >= thickness:
        raise UsageError(
            f"A bar of {length:g} × {width:g} × {thickness:g} mm is not given as length, width, "
            "thickness: the greatest first, the least last.",
            remedy=_ASK,
        )
    bar = make(**values)
    low, high = _DENSITY_KG_M3
    if not low <= bar.density_kg_m3 <= high:
        raise UsageError(
            f"This bar would weigh {bar.density_kg_m3:.4g} kg/m³, which no solid does.", remedy=_ASK
        )
    return bar


def _words(name: str) -> str:
    return name.rpartition("_")[0]


def read_bar(
    bar: Bar,
    doubts: dict[str, float],
    readings: Sequence[ClipReading],
    twisted: Sequence[ClipReading] | None,
    where: tuple[str, str],
) -> BarReading:
    """Moduli of a bar from the strikes that bend it and, where given, those that twist it.

    where: names of the two recordings. Raises AnalysisError where the tone that is needed is not
    heard.
    """
    from rig.tone.bar import bar_moduli

    flexural = _bending_tone(readings, where[0])
    torsional = None if twisted is None else _twisting_tone(twisted, flexural, where[1])
    twist_hz = None if torsional is None else torsional.hz
    moduli = bar_moduli(bar, flexural.hz, twist_hz)

    def values(one: Bar, bend_hz: float, turn_hz: float | None) -> dict[str, float]:
        found = bar_moduli(one, bend_hz, turn_hz)
        named = {
            "young_gpa": found.young_gpa,
            "speed_m_s": found.speed_m_s,
            "density_kg_m3": found.density_kg_m3,
        }
        return named if found.shear_gpa is None else named | {"shear_gpa": found.shear_gpa}

    middle = values(bar, flexural.hz, twist_hz)
    shares: dict[str, dict[str, float]] = {name: {} for name in middle}

    def carry(source: str, moved: dict[str, float]) -> None:
        for name, value in moved.items():
            shares[name][source] = abs(value - middle[name])

    for name, sd in doubts.items():
        # half a step: a whole one may leave the sizes a bar can have
        step = 0.5 * min(sd, 0.5 * getattr(bar, name))
        moved = values(replace(bar, **{name: getattr(bar, name) + step}), flexural.hz, twist_hz)
        scale = sd / step
        carry(
            _words(name),
            {k: middle[k] + scale * (v - middle[k]) for k, v in moved.items()},
        )
    carry("bending tone", values(bar, flexural.hz + flexural.sd_hz, twist_hz))
    if torsional is not None:
        carry("twisting tone", values(bar, flexural.hz, torsional.hz + torsional.sd_hz))
    total = {n: float(np.sqrt(sum(s**2 for s in parts.values()))) for n, parts in shares.items()}
    chief = max(shares["young_gpa"], key=lambda source: shares["young_gpa"][source])
    return BarReading(
        bar, moduli, flexural, torsional, total, chief, tuple(_notes(bar, moduli, total, chief))
    )


def _notes(bar: Bar, moduli: BarModuli, sd: dict[str, float], chief: str) -> list[str]:
    said = []
    slenderness = (bar.thickness_mm / bar.length_mm) ** 2
    low = (_WOOD_SHEAR - _ISOTROPIC_SHEAR) * slenderness
    if bar.density_kg_m3 < _WOOD_KG_M3 and low >= 0.005:
        said.append(
            f"If it is wood, Young's modulus reads up to {100 * low:.0f} % low: the standard's "
            "correction knows no wood. Make the bar more than 50 times as long as thick."
        )
    if sd["young_gpa"] > 0.02 * moduli.young_gpa and chief in ("length", "width", "thickness"):
        said.append(
            f"Most of the doubt comes from the {chief}: half of its last digit. Measure it more "
            "finely and give all digits."
        )
    if not _SPEED_M_S[0] <= moduli.speed_m_s <= _SPEED_M_S[1]:
        said.append(
            f"Sound would run along the bar at {moduli.speed_m_s:.0f} m/s, which no usual material "
            "shows: check the sizes, and that the tone is the bar's lowest."
        )
    if moduli.shear_gpa is not None and moduli.poisson is None:
        if moduli.shear_gpa > 0.5 * moduli.young_gpa:
            said.append(
                "The shear modulus is over half of Young's: the second recording is hardly the "
                "lowest twisting tone."
            )
        else:
            said.append(
                "The two moduli do not fit one isotropic material, as is so with wood: no "
                "Poisson's ratio is given, 0.3 was used for the correction."
            )
    return said


def _bending_tone(readings: Sequence[ClipReading], where: str) -> Tone:
    """The lowest bending tone of every strike, and their middle."""
    found = []
    for reading in readings:
        hz = _lowest_of_ladder(reading.ring, reading.tone_hz)
        if hz is not None:
            found.append((hz, _sd_of(reading, hz)))
    if not found:
        raise AnalysisError(
            "No bending tone of a bar is heard.",
            where=where,
            remedy="Rest the bar on two soft edges at 22 % of its length from both ends and tap "
            "its middle.",
        )
    return _middle(found)


def _lowest_of_ladder(ring: Sequence[RingPartial], tone_hz: float | None) -> float | None:
    """The tone named, or the strong partial that the others stand over as in a bar."""
    strong = sorted(p.hz for p in ring if p.level_db >= -_WITHIN_DB)
    if tone_hz is None:
        laddered = [hz for hz in strong if _rungs(hz, strong)]
        return laddered[0] if laddered else None
    # the tone named may be an upper one, tapped where the lowest one rests
    below = [hz for hz in strong if hz < 0.6 * tone_hz and _is_rung(tone_hz / hz)]
    return below[-1] if below else tone_hz


def _rungs(hz: float, strong: Sequence[float]) -> int:
    return sum(_is_rung(other / hz) for other in strong)


def _is_rung(ratio: float) -> bool:
    return any((1.0 - _LOWER_BY_SHEAR) * rung <= ratio <= 1.02 * rung for rung in _UPPER)


def _twisting_tone(twisted: Sequence[ClipReading], flexural: Tone, where: str) -> Tone:
    """The strongest partial of every strike that is no bending tone."""
    found = []
    for reading in twisted:
        own = [
            p
            for p in reading.ring
            if abs(p.hz / flexural.hz - 1.0) > _SAME_TONE and not _is_bending(p.hz / flexural.hz)
        ]
        if own:
            chief = max(own, key=lambda p: p.level_db + 10.0 * np.log10(p.decay_s))
            found.append((chief.hz, chief.sd_hz))
    if not found:
        raise AnalysisError(
            "No twisting tone is heard beside the bending tones.",
            where=where,
            remedy="Hold the bar at its very middle (both middle lines) and tap a corner.",
        )
    return _middle(found)


def _is_bending(ratio: float) -> bool:
    return any(abs(ratio / rung - 1.0) < _SAME_TONE for rung in _UPPER)


def _sd_of(reading: ClipReading, hz: float) -> float:
    near = [p.sd_hz for p in reading.ring if abs(p.hz / hz - 1.0) < _SAME_TONE]
    return min(near) if near else reading.tone_sd_hz or 0.001 * hz


def _middle(found: Sequence[tuple[float, float]]) -> Tone:
    """Median of the strikes; its doubt is the greater of what they say and how they scatter."""
    hz = np.array([one for one, _ in found])
    each = float(np.median([sd for _, sd in found]))
    spread = float(np.std(hz, ddof=1)) if len(hz) > 1 else 0.0
    return Tone(float(np.median(hz)), max(each, spread) / float(np.sqrt(len(hz))), len(hz))
