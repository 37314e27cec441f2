"""Figures, tables, and reports as PDF or HTML."""
