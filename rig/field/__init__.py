"""All readings of a scan together: local tone, maps, high zones, comparisons."""

from rig.field.comparison import compare_scans
from rig.field.estimators import LocalToneEstimator, local_tone, tap_tone
from rig.field.maps import tone_map
from rig.field.single_taps import attack_tone, contact_tone, rebound_tone
from rig.field.surface import Surface, surface
from rig.field.wave_fit import wave_fit
from rig.field.work_order import work_order

__all__ = [
    "LocalToneEstimator",
    "Surface",
    "attack_tone",
    "compare_scans",
    "contact_tone",
    "local_tone",
    "rebound_tone",
    "surface",
    "tap_tone",
    "tone_map",
    "wave_fit",
    "work_order",
]
