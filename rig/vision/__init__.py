"""Picture → lens, bed, pose and outline of the plate. Pure computation on arrays."""
