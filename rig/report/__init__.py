"""Figures, PDF and tables."""
