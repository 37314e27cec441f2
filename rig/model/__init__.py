"""What travels between the rooms: frozen dataclasses, the error tree, frames and units.

Imports numpy and the standard library only.
"""
