"""One clip to its reading: onset, quality, ring, tone, attack, contact; and the ring of a scan."""

from rig.tone.reading import read_clip as read_clip
from rig.tone.reading import read_strikes as read_strikes
from rig.tone.scan_ring import ring_of_scan as ring_of_scan
