"""One clip to its reading: onset, quality, ring, tone, attack, contact; and the ring of a scan."""

from rig.tone.reading import read_clip as read_clip
from rig.tone.reading import read_strikes as read_strikes
