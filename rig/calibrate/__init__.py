"""Procedures that turn measurements into dated calibration records."""
