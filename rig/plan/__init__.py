"""Outline → tap points and their order. Pure computation."""
