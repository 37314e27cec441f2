"""Which scale stands below the plate: that of the one field in colour, and what lies over it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.window.findings import target_words
from rig.window.plate_view import FIELDS
from rig.window.words import tr

if TYPE_CHECKING:
    from rig.window.main_window import MainWindow


def show_scale(window: MainWindow) -> None:
    """Show the scale of what is shown."""
    shown = next((name for name in FIELDS if window.plate.layers[name].shown), None)
    window.legend.more = (
        tr("  ·  ▲ higher ▼ lower by hand") if window.plate.layers["hand"].shown else ""
    )
    desk, ends = window.desk, (tr("lower: thin or soft"), tr("higher: thick or stiff"))
    if shown == "tone" and desk.map is not None:
        window.legend.set_field(tr("Tone against the scan's middle"),
                              desk.map.tone.reach_cents, ends)  # fmt: skip
    elif shown == "above" and desk.map is not None:
        target = target_words(desk.map.made.tone_map)
        window.legend.set_field(tr("Above or below target: {0}", target),
                              desk.map.above.reach_cents, ends)  # fmt: skip
    elif shown == "change" and desk.change is not None:
        found = desk.change.made.comparison
        window.legend.set_field(tr("{0} minus {1}", found.after, found.before),
                              desk.change.change.reach_cents,
                              (tr("lower"), tr("higher")))  # fmt: skip
    elif shown == "thickness" and (told := window.beside.thickness_words()) is not None:
        window.legend.set_field(*told)
    elif shown == "wipe" and (pair := window.comparing.pair) is not None:
        window.legend.set_field(
            tr("Tone of {0} and {1}, each against its middle", pair.before, pair.after),
            pair.fields[1].reach_cents,
            ends,
        )
    elif shown == "live":
        window.legend.set_field(tr("Attack as heard so far, against its middle"),
                              window.live.reach, ends)  # fmt: skip
    else:
        words = window.beside.text("picture") if shown == "picture" else ""
        if window.plate.layers["hand"].shown:
            words = f"{words}  {window.beside.hand_words()}".strip()
        window.legend.set_field(words, None, ends)
