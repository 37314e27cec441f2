"""The estimator's plate: mesh, thin-plate modes, wood constants, sensitivities.

Imports rig.model only; never shares code with the virtual world's plate.
"""
