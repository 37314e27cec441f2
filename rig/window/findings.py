"""What the maps say, in words: evenness, verdict, work order, change."""

from __future__ import annotations

import html
from math import isfinite
from typing import TYPE_CHECKING

from rig.window.words import known, later, signed, tr

if TYPE_CHECKING:
    from rig.jobs.drawn import DrawnChange, DrawnMap, DrawnModes
    from rig.model.tone_map import ToneMap

_READINGS = {"local": later("local tone"), "attack": later("attack"), "contact": later("contact"),
             "rebound": later("rebound")}  # fmt: skip


def target_words(made: ToneMap) -> str:
    """What a map is held against, with the scan or file it comes from."""
    return f"{known(made.target)} {made.target_from or ''}".strip()


def map_text(drawn: DrawnMap) -> str:
    """Of a map and its work order."""
    made, order = drawn.made.tone_map, drawn.made.work_order
    verdicts = {"good": tr("good"), "use with care": tr("use with care"), "refused": tr("refused")}
    lines = [
        f"<b>{html.escape(made.scan)}: {known(_READINGS[made.reading])}, "
        f"{verdicts[made.verdict]}</b>",
        tr(
            "Evenness {0:.0f} cents ({1:.0f} to {2:.0f}), middle {3:.0f} Hz.",
            made.evenness_cents,
            made.evenness_low_cents,
            made.evenness_high_cents,
            made.middle_hz,
        ),
    ]
    if made.repeatability_cents is not None:
        lines.append(tr("Repeatability {0:.0f} cents.", made.repeatability_cents))
    lines.append(tr("Held against: {0}.", html.escape(target_words(made))))
    lines += [html.escape(note) for note in made.target_notes]
    lines.append(f"<b>{tr('Work order')}</b>")
    lines.append(html.escape(order.sentence))
    if drawn.made.start_mm is not None:
        lines.append(html.escape(order.starting_spot_reason))
    for zone in order.zones:
        lines.append(
            tr(
                "{0}. x {1}, y {2} mm: {3} ± {4:.0f} cents, {5:.0f} cm², sure to {6} %",
                zone.rank,
                signed(zone.x_mm),
                signed(zone.y_mm),
                signed(zone.excess_cents),
                zone.excess_sd_cents,
                zone.area_mm2 / 100.0,
                min(99, int(100.0 * zone.confidence)),
            )
        )
    lines.append(f"<b>{tr('How it was made')}</b>")
    lines += [html.escape(reason) for reason in made.reasons]
    lines.append(html.escape(drawn.made.scan.calibration.sentence))
    lines.append(html.escape(drawn.made.smallest.sentence))
    return "<br>".join(lines)


def value_at(drawn: DrawnMap | None, scan: str, tap: int) -> tuple[str, str] | None:
    """What a map says of one tap: the number, and what it is; None where it says nothing."""
    if drawn is None or drawn.made.tone_map.scan != scan or tap not in drawn.made.tone_map.taps:
        return None
    made = drawn.made.tone_map
    row = made.taps.index(tap)
    tone = tr(
        "tone {0} ± {1:.0f} cents against the plate's middle",
        signed(made.tone_cents[row]),
        made.sd_cents[row],
    )
    excess = float(made.excess_cents[row])
    if not isfinite(excess):
        return signed(made.tone_cents[row]), tone
    where = tr("cents against the target ± {0:.0f}; {1}", made.excess_sd_cents[row], tone)
    return signed(excess), where


def change_text(drawn: DrawnChange) -> str:
    """Of a comparison."""
    found = drawn.made.comparison
    lines = [
        f"<b>{html.escape(found.before)} → {html.escape(found.after)}</b>",
        html.escape(found.sentence),
        tr(
            "Evenness {0:.0f}, then {1:.0f} cents.",
            found.evenness_before_cents,
            found.evenness_after_cents,
        ),
        html.escape(drawn.made.smallest.sentence),
        *(html.escape(caution) for caution in found.cautions),
    ]
    return "<br>".join(lines)


def mode_text(drawn: DrawnModes, mode: int) -> str:
    """Of one partial."""
    if not drawn.hz:
        return tr("No partial has a shape that could be drawn.")
    one = drawn.made.modes.modes[mode]
    lines = [
        "<b>"
        + tr("Nodal lines at {0:.1f} Hz ({1} of {2})", one.hz, mode + 1, len(drawn.hz))
        + "</b>",
        tr("Decay {0:.0f} ms, {1:.0f} % in phase.", 1e3 * one.decay_s, 100 * one.in_phase_share),
        *(html.escape(reason) for reason in one.reasons),
        tr("M shows the next one."),
    ]
    return "<br>".join(lines)
