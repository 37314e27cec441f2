"""One clip → its readings: onset, quality, ring, attack, contact. Pure computation."""
