"""The bench window: the whole job at the rig. It calls `rig.jobs` and draws; it computes nothing.

Nothing that can take time (serial line, sound, analysis, files) runs in the thread of the window.
"""
