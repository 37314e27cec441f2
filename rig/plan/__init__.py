"""Outline → tap points and their order. Pure computation."""

from rig.plan.grid import KeepOut, grid_plan, reachable, unreached_words
from rig.plan.route import path_length_mm, short_route

__all__ = ["KeepOut", "grid_plan", "path_length_mm", "reachable", "short_route", "unreached_words"]
