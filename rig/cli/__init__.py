"""The command line: a thin face on `rig.jobs`."""
