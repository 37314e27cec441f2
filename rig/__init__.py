"""platerig: a bench rig that taps a plate all over and maps where it still sounds too high."""

import os

# The matrices here are many and small: more BLAS threads only spin (ten times the time was seen).
# It must be said before numpy is first imported, and gives way to what the user has set.
for _library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")

__version__ = "0.1.0"
