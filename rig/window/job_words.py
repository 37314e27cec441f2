"""Short words that jobs say and the window shows, so that they are in the catalogues.

Whole sentences of the jobs are shown as they come.
"""

from __future__ import annotations

from rig.window.words import later

TARGETS = (
    later("smooth graduation"), later("earlier scan"), later("drawn profile"),
)  # fmt: skip
STAGES = (
    later("Drawing"), later("Drawing the map together"), later("Reading the strikes"),
    later("Reading the modes"), later("Comparing waves"), later("Pictures and tables"),
    later("taking a picture"), later("looking for the plate"), later("reading recordings"),
    later("storing"),
)  # fmt: skip
