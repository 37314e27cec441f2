"""The virtual plate: free, orthotropic, uneven, shear-deformable and arched. See `solve_plate`."""
