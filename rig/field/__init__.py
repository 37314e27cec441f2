"""All readings of a scan → tone map, evenness, high zones, comparison. Pure computation."""
